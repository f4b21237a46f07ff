"""A build as it was found on the disk; who computes from it is noted to depend on what he asks of it, and no more.

Questions are properties and methods that are `asked`, and single values of ``build.toml`` (`Watched`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, wraps
from typing import Any, Concatenate, ParamSpec, TypeVar, cast

from pydantic import BaseModel

from stillbox.analysis.memory import Memory
from stillbox.calibration.jig import STANDARD_SUBJECTS
from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.build.build_folder import BuildFolder, CalibrationSettings
from stillbox.capture.build.kept_networks import KeptNetwork, kept_networks, network_of_take
from stillbox.capture.build.notebook import Entry, Notebook, in_force, read_notebook
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.small_file import real_path
from stillbox.capture.recording.take import JigKind, TakeInfo, driver_name, fitting_takes, words_of_choice
from stillbox.capture.shown_text import short_name

_More = ParamSpec("_More")
_Answer = TypeVar("_Answer")
_TOLD = "build.toml"
"""Begins the questions for single values of the description."""


def nameless(take: TakeInfo) -> TakeInfo:
    """A take without the name of its state: what is computed from it holds when it gets another name."""
    return take.model_copy(update={"state": ""}) if take.state else take


def told_apart(before: TakeInfo, after: TakeInfo) -> tuple[str, str]:
    """Names of two takes that are compared: states, with units or numbers where states alone are the same."""
    if before.unit != after.unit:
        return f"{before.state} {before.unit}".strip(), f"{after.state} {after.unit}".strip()
    if before.state != after.state:
        return before.state or "no state", after.state or "no state"
    return f"{before.state} ({before.number})".strip(), f"{after.state} ({after.number})".strip()


@dataclass(frozen=True)
class Netlist:
    """The netlist in force at a take: name of its file, what it is for, its text, or why it cannot be read."""

    name: str
    words: str
    text: str
    fault: str = ""


class Watched:
    """A model of pydantic that tells ``note`` which of its values is read, by the path to it.

    What is no field of it (a method, a property, a comparison) may read anything: then all of it counts as read.
    ``instead`` holds values that stand for those of the model, and are not read from it.
    """

    def __init__(
        self,
        model: BaseModel,
        note: Callable[[tuple[str, ...], object], None],
        path: tuple[str, ...] = (),
        instead: Mapping[str, object] | None = None,
    ) -> None:
        self._model, self._note, self._path, self._instead = model, note, path, instead or {}

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        if name not in type(self._model).model_fields:
            return getattr(self.whole, name)
        if name in self._instead:
            return self._instead[name]
        value, path = getattr(self._model, name), (*self._path, name)
        if isinstance(value, BaseModel):
            return Watched(value, self._note, path)
        self._note(path, value)
        return value

    @property
    def whole(self) -> BaseModel:
        """The model itself; counts as read."""
        self._note(self._path, self._model)
        return self._model.model_copy(update=self._instead)

    def __eq__(self, other: object) -> bool:
        return self.whole == (other.whole if isinstance(other, Watched) else other)

    def __hash__(self) -> int:
        return hash(self.whole)

    def __repr__(self) -> str:
        return repr(self.whole)


def asked(
    method: Callable[Concatenate[Any, _More], _Answer],
) -> Callable[Concatenate[Any, _More], _Answer]:
    """A method of a `WatchedBuild` that answers from what is on the disk alone: a question that is noted."""

    @wraps(method)
    def ask(build: WatchedBuild, /, *given: _More.args, **named: _More.kwargs) -> _Answer:
        answer = method(build, *given, **named)
        build.memory.note((method.__name__, given, tuple(named.items())), answer)
        return answer

    return ask


class _Disk:
    """What lies on the disk, read when it is first asked for and not again; a fault is found each time."""

    def __init__(self, build: BuildFolder) -> None:
        self._build = build

    @cached_property
    def takes(self) -> list[TakeInfo]:
        return self._build.takes()

    @cached_property
    def nameless(self) -> frozenset[TakeInfo]:
        return frozenset(map(nameless, self.takes))

    @cached_property
    def description(self) -> BuildDescription:
        return self._build.description

    @cached_property
    def calibration(self) -> CalibrationSettings | None:
        return self._build.calibration

    @cached_property
    def told_notebook(self) -> tuple[Notebook, tuple[str, ...]]:
        try:
            return read_notebook(self._build.path), ()
        except StillboxError as error:  # a warning like any other: what does not need the notebook goes on
            return Notebook(), (f"the notebook is not counted: {error}",)

    @cached_property
    def networks(self) -> list[KeptNetwork]:
        return kept_networks(self._build)


class WatchedBuild:
    """What a build folder holds, read once, with the memory of what was computed from it.

    Parameters
    ----------
    build : BuildFolder
    driver : str, optional
        Name of the driver that is looked at, of a speaker with several.
    """

    def __init__(self, build: BuildFolder, driver: str | None = None) -> None:
        self.build = build
        self.driver = None if driver is None else driver_name(driver)
        self.memory = Memory()
        self._disk = _Disk(build)

    # Questions

    def answer(self, question: Any) -> object:
        """The answer to a question that was noted, as the build is now."""
        name, given, named = question
        if name == _TOLD:
            told: object = self._disk.description
            for step in given:
                told = getattr(told, step)
            return told
        return getattr(self, name)(*given, **dict(named))

    def _note_told(self, path: tuple[str, ...], value: object) -> None:
        self.memory.note((_TOLD, path, ()), value)

    @property
    def description(self) -> BuildDescription:
        """What ``build.toml`` says."""
        return cast(BuildDescription, Watched(self._disk.description, self._note_told))

    def description_at(self, take: TakeInfo) -> BuildDescription:
        """The same, with the temperature of the air that the take was made in, if it was told."""
        if take.celsius is None:
            return self.description
        instead = {"temperature_c": take.celsius}
        return cast(BuildDescription, Watched(self._disk.description, self._note_told, instead=instead))

    @property
    def name(self) -> str:
        """Name of the build, or of its folder, fit to be a part of a line."""
        return short_name(self.description.name or real_path(self.build.path).name)

    @asked
    def calibration_settings(self) -> CalibrationSettings | None:
        """What ``calibration.toml`` says; None where there is none."""
        return self._disk.calibration

    @property
    def settings(self) -> CalibrationSettings:
        """The same; StillboxError where there is none."""
        settings = self.calibration_settings()
        if settings is None:
            raise StillboxError(
                f"the reference resistor of {self.build.path} is not known",
                f"say it with 'stillbox calibrate {self.build.path} --reference-ohms R'",
            )
        return settings

    @property
    def takes(self) -> list[TakeInfo]:
        """All takes; who needs some of them alone asks for these, so as not to depend on the others."""
        return self.all_takes()

    @asked
    def all_takes(self) -> list[TakeInfo]:
        """See `takes`."""
        return self._disk.takes

    @asked
    def holds(self, take: TakeInfo) -> bool:
        """Whether there is this take, whatever its state is called."""
        return nameless(take) in self._disk.nameless

    @asked
    def standards(self, jig: JigKind, sample_rate_hz: int) -> dict[str, TakeInfo]:
        """Newest calibration take of each subject for this jig and sample rate."""
        return {
            take.subject: take
            for take in self._disk.takes
            if take.subject in STANDARD_SUBJECTS
            and take.jig == jig
            and take.excitation.sample_rate_hz == sample_rate_hz
        }

    @asked
    def takes_of(self, subject: str, unit: str | None = None) -> list[TakeInfo]:
        """All of a subject and unit (None: of any), those with the port closed too."""
        return [take for take in self._disk.takes if take.subject == subject and unit in (None, take.unit)]

    @asked
    def newest(
        self, subject: str, state: str | None = None, unit: str | None = None, of: str | None = None
    ) -> TakeInfo | None:
        """The newest take that fits; None in ``state``, ``unit`` or ``of`` see `fitting_takes`."""
        fitting = fitting_takes(self._disk.takes, subject, state, unit, of=of)
        return fitting[-1] if fitting else None

    def newest_in_box(self, state: str | None = None, unit: str | None = None) -> TakeInfo | None:
        """The newest take in the box: of the driver that is looked at where it was swept alone, else of the speaker.

        A driver that is not the one in the box is not seen in a take of the speaker.
        """
        if self.driver is None:
            return self.newest("in-box", state, unit)
        alone = self.newest("in-box", state, unit, self.driver)
        if alone is not None or self.driver in self.other_drivers:
            return alone
        return self.newest("in-box", state, unit)

    @property
    def other_drivers(self) -> frozenset[str]:
        """Drivers that build.toml tells of beside the one in the box."""
        description = self.description
        told = {*description.drivers, *description.limits.drivers} - {description.driver.name}
        return frozenset(name for name in told if name)

    @asked
    def before(self, take: TakeInfo) -> TakeInfo | None:
        """The take before this one, of the same subject, state and unit."""
        same = fitting_takes(self._disk.takes, take.subject, take.state or "-", take.unit, of=take.of or "-")
        earlier = [one for one in same if one.number < take.number and one.state == take.state]
        return earlier[-1] if earlier else None

    @asked
    def with_port_closed(self, take: TakeInfo) -> TakeInfo | None:
        """The newest take of the same state and unit with the port closed by hand."""
        of = take.of or "-"
        fitting = fitting_takes(self._disk.takes, "in-box", take.state or "-", take.unit, port_closed=True, of=of)
        fitting = [one for one in fitting if one.state == take.state]
        return fitting[-1] if fitting else None

    @asked
    def network_of(self, number: int) -> Netlist | None:
        """The netlist in force at a take; None where there is none."""
        take = next((one for one in self._disk.takes if one.number == number), None)
        try:
            kept = None if take is None else network_of_take(self._disk.networks, self._disk.takes, take)
            return None if kept is None else Netlist(kept.path.name, kept.words, kept.text())
        except StillboxError as error:  # an answer like any other: it is asked for again, and may be mended by then
            return Netlist("crossover", "", "", str(error))

    @asked
    def notebook(self) -> tuple[Notebook, tuple[str, ...]]:
        """The notebook, and a warning where it cannot be read."""
        return self._disk.told_notebook

    @asked
    def logged_materials(self, number: int) -> tuple[tuple[Entry, ...], tuple[str, ...]]:
        """Entries of the notebook whose material is in the box at a take, and a warning where they cannot be read."""
        take = next((one for one in self._disk.takes if one.number == number), None)
        notebook, unread = self._disk.told_notebook
        return (() if take is None else in_force(notebook.standing, self._disk.takes, take)), unread

    def address_now(self, take: TakeInfo) -> str:
        """Address of a take with the name of its state; not noted: for what is said of the work, no part of it."""
        return next((one for one in self._disk.takes if one.number == take.number), take).address

    def require_known_driver(self) -> None:
        """StillboxError where the driver that is looked at has no take and stands nowhere in build.toml."""
        driver = self.driver
        if driver is None or driver == self.description.driver.name or driver in self.other_drivers:
            return
        names = sorted({take.of for take in self.takes if take.of and take.subject != "part"})
        if driver not in names:
            there = f"takes are of {', '.join(names)}" if names else "no take of a driver has a name"
            raise StillboxError(
                f"{self.build.path} knows no driver '{driver}': {there}",
                f'leave --driver out, or name it in build.toml: [driver] name = "{driver}"',
            )

    # Choice of takes

    def in_box(self, state: str | None = None, unit: str | None = None) -> TakeInfo:
        """The newest in-box take of a state and unit; StillboxError lists what there is."""
        self.require_known_driver()
        take = self.newest_in_box(state, unit)
        if take is None:
            there = ", ".join(sorted({f"{t.state or '-'}/{t.unit}" for t in self.takes if t.subject == "in-box"}))
            of_number = [t for t in self.takes if state == str(t.number)]
            if of_number and of_number[0].subject != "in-box":
                raise StillboxError(
                    f"take {state} is {of_number[0].address}, not a take in the box", "name a state or a take of in-box"
                )
            raise StillboxError(
                f"{self.build.path} has no in-box take{words_of_choice(state, unit)}",
                (f"there are, as state/unit: {there}" if there else "import or record one with --subject in-box")
                + self.build.hint_of_damage(),
            )
        return take

    def compared(self, before: str, after: str, unit: str | None = None) -> tuple[TakeInfo, TakeInfo]:
        """The two in-box takes that are compared, by states or numbers.

        Without ``unit`` those of the newest take of ``after`` whose unit has been measured in ``before`` too; where
        there is none, the newest of each.
        """
        if unit is None:
            measured = {take.unit for take in fitting_takes(self.takes, "in-box", before)}
            both = [take for take in fitting_takes(self.takes, "in-box", after) if take.unit in measured]
            unit = both[-1].unit if both else None
        first, second = self.in_box(before, unit), self.in_box(after, unit)
        if first.number == second.number:
            raise StillboxError(
                f"state {before} cannot be compared with itself",
                "name the states before and after the work, or two takes by their numbers",
            )
        return first, second

    def reported(self, states: Sequence[str] = (), unit: str | None = None) -> tuple[TakeInfo, ...]:
        """The takes that a report is of: those of the states named, one or two, or the newest and the state before."""
        if len(states) > 2:
            raise StillboxError(f"a report is of one state or of two, not of {len(states)} ({', '.join(states)})", "")
        if len(states) == 2:
            return self.compared(states[0], states[1], unit)
        last = self.in_box(states[0] if states else None, unit)
        earlier = [
            take
            for take in fitting_takes(self.takes, "in-box", unit=last.unit, of=last.of or "-")
            if take.state != last.state and take.number < last.number
        ]
        return (last,) if states or not earlier else (earlier[-1], last)
