"""The notebook of a build with what each step of the work did: from states and entries to steps and their sum."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from stillbox.analysis.bench import Bench
from stillbox.analysis.maths.quantity import Quantity, scaled
from stillbox.analysis.notebook.effects import Effect, Effects, effects_between, netlists_differ
from stillbox.capture.build.notebook import Entry, Notebook, begins_at
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo


@dataclass(frozen=True)
class Expense:
    """Money by its currency, and time in minutes; what is not told is missing, not 0."""

    costs: Mapping[str, float] = field(default_factory=dict)
    minutes: float | None = None

    @classmethod
    def of(cls, entries: Iterable[Entry]) -> Expense:
        """The sum of some entries."""
        costs: dict[str, float] = {}
        minutes = None
        for entry in entries:
            if entry.cost is not None and entry.currency is not None:
                costs = {**costs, entry.currency: round(costs.get(entry.currency, 0.0) + entry.cost, 6)}
            if entry.minutes is not None:
                minutes = (minutes or 0.0) + entry.minutes
        return cls(costs, minutes)


@dataclass(frozen=True)
class Step:
    """The work between one state of a unit and the next, or the sum of all.

    Attributes
    ----------
    unit : str
    before, after : str
        States; empty where there is none yet.
    entries : tuple of Entry
        What the notebook says of it.
    expense : Expense
    effects : Effects or None
    reason : str
        Why no effects are told; empty where they are.
    """

    unit: str
    before: str
    after: str
    entries: tuple[Entry, ...]
    expense: Expense
    effects: Effects | None = None
    reason: str = ""

    def per_cost(self, effect: Effect) -> dict[str, Quantity]:
        """An effect over what the step cost, by currency: dB per EUR.

        Empty where nothing was paid or done, and for shifts of frequencies, which have no worth.
        """
        if not (effect.told and effect.has_worth):
            return {}
        return {
            currency: scaled(effect.change, 1 / cost, f"{effect.change.unit} per {currency}")
            for currency, cost in self.expense.costs.items()
            if cost > 0
        }

    def per_hour(self, effect: Effect) -> Quantity | None:
        """The same over the time that it took."""
        if not (effect.told and effect.has_worth) or not self.expense.minutes:
            return None
        return scaled(effect.change, 60 / self.expense.minutes, f"{effect.change.unit} per hour")


@dataclass(frozen=True)
class NotebookReport:
    """What the notebook says, and what the work did.

    Attributes
    ----------
    build : str
        Name of the build.
    path : str
        Its folder, for what is asked of the person.
    notebook : Notebook
    steps : tuple of Step
        By unit, from the first state to the last; None where it was not asked for.
    sums : tuple of Step
        One for each unit that has more than one step.
    expense : Expense
        Of all entries that count.
    heard : tuple of Entry
        What was heard, the complaint first.
    questions : tuple of str
        What the notebook lacks.
    """

    build: str
    path: str
    notebook: Notebook
    steps: tuple[Step, ...] | None
    sums: tuple[Step, ...]
    expense: Expense
    heard: tuple[Entry, ...]
    questions: tuple[str, ...]
    warnings: tuple[str, ...]


def notebook_report(bench: Bench, with_steps: bool = True) -> NotebookReport:
    """The notebook; ``with_steps``: with what each step did, which is computed from the takes."""
    notebook, unread = bench.notebook()
    steps, sums = _steps(bench, notebook) if with_steps else (None, ())
    standing = notebook.standing
    return NotebookReport(
        build=bench.name,
        path=str(bench.build.path),
        notebook=notebook,
        steps=steps,
        sums=sums,
        expense=Expense.of(standing),
        heard=tuple(entry for entry in standing if entry.heard),
        questions=_questions(bench, notebook) if not unread else (),
        warnings=(*unread, *_warnings(bench, notebook)),
    )


def first_states(takes: Sequence[TakeInfo]) -> dict[str, int]:
    """States in the order in which they were first swept, each with the number of that take."""
    found: dict[str, int] = {}
    for take in sorted(takes, key=lambda one: one.number):
        if take.state:
            found.setdefault(take.state, take.number)
    return found


def _steps(bench: Bench, notebook: Notebook) -> tuple[tuple[Step, ...], tuple[Step, ...]]:
    steps, sums = [], []
    work = [entry for entry in notebook.standing if entry.is_work]
    every = bench.takes_of("in-box")
    in_box = [take for take in every if take.of in ("", bench.driver)] or every
    pending = list(work)
    for unit in dict.fromkeys(take.unit for take in in_box):
        own = [take for take in in_box if take.unit == unit]
        states = list(first_states(own))
        begun = {entry.number: begins_at(entry, bench.takes, unit) for entry in work}
        state_of = {take.number: take.state for take in own}
        pending = [entry for entry in pending if begun[entry.number] is None]

        def of(
            state: str, begun: Mapping[int, int | None] = begun, state_of: Mapping[int, str] = state_of
        ) -> tuple[Entry, ...]:
            return tuple(
                entry for entry in work if (first := begun[entry.number]) and state_of.get(first) == state
            )

        exchanged = _exchanged(bench, unit, {state: of(state) for state in states})
        if states and of(states[0]):
            steps.append(_without(unit, "", states[0], of(states[0]), "it is the first state that was swept"))
        mine = [_step(bench, unit, one, other, of(other), exchanged) for one, other in pairwise(states)]
        steps += mine
        if len(mine) > 1:
            every_entry = tuple(entry for step in mine for entry in step.entries)
            sums.append(_step(bench, unit, states[0], states[-1], every_entry, exchanged))
    for entry in pending:
        steps.append(_without(entry.unit or "", "", entry.state or "", (entry,), "it has not been swept since"))
    return tuple(steps), tuple(sums)


def _exchanged(bench: Bench, unit: str, entries: Mapping[str, Sequence[Entry]]) -> dict[str, tuple[str, ...]]:
    """Parts that in each state, in their order, are not as the netlist in force says: a new netlist tells them all."""
    found: dict[str, tuple[str, ...]] = {}
    parts: dict[str, str] = {}
    last: TakeInfo | None = None
    for state, work in entries.items():
        take = bench.in_box(state, unit)
        if last is not None and netlists_differ(bench, last, take):
            parts = {}
        else:  # the later one of two that name the same counts
            told = (part for entry in work for part in entry.parts)
            parts = {**parts, **{part.partition("=")[0].strip().casefold(): part for part in told}}
        found[state], last = tuple(parts.values()), take
    return found


def _step(
    bench: Bench,
    unit: str,
    before: str,
    after: str,
    entries: tuple[Entry, ...],
    exchanged: Mapping[str, tuple[str, ...]],
) -> Step:
    takes = bench.in_box(before, unit), bench.in_box(after, unit)
    try:
        effects = effects_between(bench, *takes, exchanged[after], exchanged[before])
    except StillboxError as error:
        return _without(unit, before, after, entries, str(error))
    return Step(unit, before, after, entries, Expense.of(entries), effects)


def _without(unit: str, before: str, after: str, entries: tuple[Entry, ...], reason: str) -> Step:
    return Step(unit, before, after, entries, Expense.of(entries), None, reason)


def _questions(bench: Bench, notebook: Notebook) -> tuple[str, ...]:
    """The complaint is asked for at the beginning, and again once work was done and swept."""
    standing = notebook.standing
    command = f"stillbox log {bench.build.path} --heard"
    heard = [entry for entry in standing if entry.heard]
    if not heard:
        return (f"what do you hear? Say what is to become better, before anything is done: {command} \"...\"",)
    last = standing.index(heard[-1])
    since = [entry for entry in standing[last + 1 :] if entry.is_work]
    units = {take.unit for take in bench.takes_of("in-box")}
    if not any(begins_at(entry, bench.takes, unit) for entry in since for unit in units):
        return ()
    return (f"at the beginning you heard: {heard[0].heard}; what do you hear now? {command} \"...\"",)


def _warnings(bench: Bench, notebook: Notebook) -> list[str]:
    """Entries that point at nothing."""
    numbers = {entry.number for entry in notebook.entries}
    states = {take.state for take in bench.takes_of("in-box")}
    found = []
    for entry in notebook.standing:
        gone = [number for number in entry.takes_out if number not in numbers]
        if gone:
            found.append(f"entry {entry.number} takes out entry {gone[0]}, which is not there")
        if entry.state is not None and entry.state not in states and states:
            found.append(f"entry {entry.number}: no take in the box is of state '{entry.state}' yet")
    return found
