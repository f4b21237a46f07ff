"""The notebook in words: entries, steps with what they did and cost, the sum."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime

from stillbox.analysis.maths.number_words import counted
from stillbox.analysis.maths.table import Table
from stillbox.analysis.notebook.effects import Effect, Effects, signed
from stillbox.analysis.notebook.notebook_report import Expense, NotebookReport, Step
from stillbox.analysis.ringing.result_words import NONE
from stillbox.analysis.ringing.ringing import FIRST
from stillbox.analysis.system.filling import entries_words
from stillbox.capture.build.notebook import Entry, Former, Said
from stillbox.capture.shown_text import in_one_line

NOTHING = "no measurable effect"


def made_words(made: datetime | date | None) -> str:
    """2026-11-27 22:10, or the day alone; a dash where nothing is told."""
    if made is None:
        return "-"
    return f"{made:%Y-%m-%d %H:%M}" if isinstance(made, datetime) else f"{made:%Y-%m-%d}"


def entry_lines(report: NotebookReport) -> Iterator[str]:
    """Each entry in a line, what it was before in a line below; withdrawn ones say so."""
    for entry in report.notebook.entries:
        yield entry_line(entry)
        for former in entry.former:
            yield f"  - until {made_words(former.changed)}: {former_words(former, entry.currency)}"


def entry_line(entry: Entry) -> str:
    """2  2026-11-27 22:10  lined  felt on back and sides; felt 3500 cm² x 10 mm; 12.50 EUR; 40 minutes."""
    place = "/".join(filter(None, (entry.state, entry.unit)))
    withdrawn = "" if entry.withdrawn is None else f"withdrawn {made_words(entry.withdrawn)}: "
    told = said_words(entry) or "-"
    return "  ".join(filter(None, (str(entry.number), made_words(entry.made), place, withdrawn + told)))


def former_words(former: Former, currency: str | None = None) -> str:
    """What stood there before a correction; ``currency`` is that of the entry, if it was the same."""
    place = [f"state {former.state}" if former.state else "", f"unit {former.unit}" if former.unit else ""]
    made = f"made {made_words(former.made)}" if former.made else ""
    told = said_words(former.model_copy(update={"currency": former.currency or currency}))
    return "; ".join(filter(None, (*place, made, told))) or "nothing"


def said_words(said: Said) -> str:
    """All that is said, in one line."""
    heard = f"heard: {in_one_line(said.heard)}" if said.heard else ""
    gone = f"takes out {entries_words(said.takes_out)}" if said.takes_out else ""
    cost = "" if said.cost is None else money(said.cost, said.currency or "")
    minutes = "" if said.minutes is None else time_words(said.minutes)
    pictures = counted(len(said.pictures), "picture") if said.pictures else ""
    every = (in_one_line(said.text), heard, material_words(said), *said.parts, gone, cost, minutes, pictures)
    return "; ".join(filter(None, every))


def material_words(said: Said) -> str:
    """felt 3500 cm², 10 mm at back and sides."""
    sizes = [
        f"{value:g} {unit}"
        for value, unit in ((said.area_cm2, "cm²"), (said.thickness_mm, "mm"), (said.mass_g, "g"))
        if value is not None
    ]
    if said.porosity is not None:
        sizes.append(f"{100 * said.porosity:g} % air")
    told = " ".join(filter(None, (said.material, ", ".join(sizes))))
    return f"{told} at {said.at}" if said.at else told


def money(amount: float, currency: str) -> str:
    """12.50 EUR."""
    return f"{amount:.2f} {currency}".rstrip()


def time_words(minutes: float) -> str:
    """40 minutes, 2 h 15 min."""
    if minutes < 90:
        return f"{minutes:g} minutes"
    return f"{int(minutes // 60)} h {minutes % 60:.0f} min"


def expense_words(expense: Expense) -> str:
    """12.50 EUR and 3.00 CHF, 40 minutes; empty where neither is told."""
    costs = " and ".join(money(amount, currency) for currency, amount in sorted(expense.costs.items()))
    return ", ".join(filter(None, (costs, "" if expense.minutes is None else time_words(expense.minutes))))


def step_head(step: Step) -> str:
    """stock to lined, unit A: entries 2 and 3, 12.50 EUR, 40 minutes."""
    states = f"{step.before} to {step.after}" if step.before else step.after or "not swept yet"
    where = f"{states}, unit {step.unit}" if step.unit else states
    entries = entries_words([entry.number for entry in step.entries]) if step.entries else "nothing in the notebook"
    return f"{where}: {', '.join(filter(None, (entries, expense_words(step.expense))))}"


def effects_table(step: Step, everything: bool) -> Table | None:
    """One row an effect, over what it cost where it cost anything; None where there is nothing to show."""
    if step.effects is None:
        return None
    shown = step.effects.every if everything else shown_effects(step.effects)
    if not shown:
        return None
    currencies = sorted(currency for currency, cost in step.expense.costs.items() if cost > 0)
    timed = bool(step.expense.minutes)
    heads = ("what", "verdict", "change", *(f"per {one}" for one in currencies), *(["per hour"] if timed else []))
    return Table(heads, tuple(_effect_row(step, one, currencies, timed) for one in shown))


def shown_effects(effects: Effects) -> tuple[Effect, ...]:
    """What stands clear, of the findings the first few and what is worse alone."""
    findings = [one for one in effects.told if one.kind == "finding"]
    first = [one for place, one in enumerate(findings) if place < FIRST or one.verdict in ("new", "grown")]
    return tuple(one for one in effects.told if one.kind != "finding" or one in first)


def _effect_row(step: Step, effect: Effect, currencies: list[str], timed: bool) -> tuple[str, ...]:
    over = step.per_cost(effect)
    cells = [over.get(currency) for currency in currencies] + ([step.per_hour(effect)] if timed else [])
    worth = [
        NONE if one is None else f"{signed(replace(one, unit=effect.change.unit))} {effect.bound}".strip()
        for one in cells
    ]
    return (effect.name, effect.verdict, effect.text, *worth)


def step_lines(step: Step, everything: bool = False) -> Iterator[str]:
    """What is said below the table of a step; ``everything``: that shows all of it."""
    if step.effects is None:
        yield f"what it did is not told: {step.reason}"
        return
    if not step.effects.measurable:
        yield NOTHING
    more = len(step.effects.told) - len(shown_effects(step.effects))
    if more and not everything:
        yield f"and {more} smaller: --all"
    others = [one for one in step.effects.every if not one.told and one.kind != "finding"]
    if others and step.effects.measurable and not everything:
        yield f"unchanged: {', '.join(one.name for one in others)}"
    yield from step.effects.missing


def opening(report: NotebookReport) -> str:
    """The sentence on top: how many entries, what was paid, what was heard first and last."""
    standing = report.notebook.standing
    if not report.notebook.entries:
        return f"The notebook of {report.build} is empty."
    spent = expense_words(report.expense)
    said = f"{counted(len(standing), 'entry').replace('entrys', 'entries')}" + (f", {spent}" if spent else "")
    heard = ""
    if report.heard:
        heard = f" Heard at first: {in_one_line(report.heard[0].heard).rstrip('.')}."
        if len(report.heard) > 1:
            heard += f" Heard last: {in_one_line(report.heard[-1].heard).rstrip('.')}."
    return f"The notebook of {report.build}: {said}.{heard}"
