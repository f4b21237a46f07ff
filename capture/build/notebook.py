"""``notebook.toml``: what was done to a build, what it cost and what was heard, readable and editable by hand.

Layout::

    BUILD/notebook.toml            one [[entry]] a line of the notebook, the oldest first
    BUILD/notebook/0003-1.jpg      pictures of entry 3, upright, small, without what a camera wrote beside them

Nothing is taken out of it: a correction keeps what stood there as ``former``, a withdrawn entry stays with the moment
at which it was withdrawn.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    Strict,
    ValidationError,
    model_validator,
)

from stillbox.capture.build.build_contents import Label, Porosity, within
from stillbox.capture.build.description_faults import TOP, describe_fault
from stillbox.capture.build.states import check_name
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.build_layout import NOTEBOOK_FILE, is_link
from stillbox.capture.files.small_file import parse_toml, read_small_text, why_unreadable
from stillbox.capture.ranges import (
    AREA_RANGE_CM2,
    COST_RANGE,
    LAYER_RANGE_MM,
    MASS_RANGE_G,
    MINUTES_RANGE,
)
from stillbox.capture.recording.take import TakeInfo

MOST_BYTES = 2_000_000
"""Of the file: thousands of entries."""
LONGEST_TEXT, MOST_ENTRIES = 10_000, 999_999
PART_PATTERN = r"[A-Za-z0-9_]{1,40}(\.loss)?\s*=\s*\S.{0,59}"
"""A part that was exchanged, and its new value: C2=8.2u, L1.loss=0.2, cable=3m,1.5mm2."""
PICTURE_PATTERN = r"\d{4,9}-\d{1,9}\.jpg"


def check_currency(text: str) -> str:
    """A currency in capitals; ValueError where it is not three letters."""
    if not re.fullmatch(r"[A-Za-z]{3}", text):
        raise ValueError("must be three letters, as in EUR")
    return text.upper()


def _part(text: str) -> str:
    if not re.fullmatch(PART_PATTERN, text.strip()):
        raise ValueError("must be NAME=VALUE, as in C2=8.2u")
    return text.strip()


def _picture(name: str) -> str:
    if not re.fullmatch(PICTURE_PATTERN, name):
        raise ValueError("must be the plain name of a picture in the folder notebook, as in 0003-1.jpg")
    return name


def _number(value: Any) -> int:
    if not isinstance(value, int) or not 1 <= value <= MOST_ENTRIES:
        raise ValueError(f"must be the number of an entry, 1 to {MOST_ENTRIES}")
    return value


def _state(name: str) -> str:
    return _named(name, "a state")


def _unit(name: str) -> str:
    return _named(name, "a unit")


def _named(name: str, what: str) -> str:
    try:
        check_name(name, what)
    except StillboxError as error:
        raise ValueError(str(error)) from error
    return name


Text = Annotated[str, Strict(), Field(max_length=LONGEST_TEXT)]
State = Annotated[str, Strict(), AfterValidator(_state)]
Unit = Annotated[str, Strict(), AfterValidator(_unit)]
Area = Annotated[float, Strict(), AfterValidator(within(*AREA_RANGE_CM2, "cm²"))]
Layer = Annotated[float, Strict(), AfterValidator(within(*LAYER_RANGE_MM, "mm"))]
Mass = Annotated[float, Strict(), AfterValidator(within(*MASS_RANGE_G, "g"))]
PartChange = Annotated[str, Strict(), AfterValidator(_part)]
Cost = Annotated[float, Strict(), AfterValidator(within(*COST_RANGE, ""))]
Currency = Annotated[str, Strict(), AfterValidator(check_currency)]
Minutes = Annotated[float, Strict(), AfterValidator(within(*MINUTES_RANGE, "minutes"))]
Number = Annotated[int, BeforeValidator(_number)]
PictureName = Annotated[str, Strict(), AfterValidator(_picture)]
Moment = Annotated[datetime, Strict()]
Day = Annotated[date, Strict()]


class Said(BaseModel):
    """What an entry says; all of it may be missing.

    Attributes
    ----------
    made : datetime or date or None
        When the work was done.
    unit, state : str or None
        Which of a pair (None: any that has the state), and the stage of the work that it led to (None: the next take).
    text, heard : str
        What was done; what was heard.
    material, at : str
        What was put into the box, and where.
    area_cm2, thickness_mm, mass_g, porosity : float or None
        Of the material; porosity is the part of its volume that is air.
    parts : tuple of str
        Parts that were exchanged, as ``C2=8.2u``.
    takes_out : tuple of int
        Entries whose material was taken out again.
    cost, currency, minutes
        What it cost in money and time.
    pictures : tuple of str
        Names of files in the folder of the notebook.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    made: Moment | Day | None = None
    unit: Unit | None = None
    state: State | None = None
    text: Text = ""
    heard: Text = ""
    material: Label = ""
    area_cm2: Area | None = None
    thickness_mm: Layer | None = None
    mass_g: Mass | None = None
    porosity: Porosity | None = None
    at: Label = ""
    parts: tuple[PartChange, ...] = ()
    takes_out: tuple[Number, ...] = ()
    cost: Cost | None = None
    currency: Currency | None = None
    minutes: Minutes | None = None
    pictures: tuple[PictureName, ...] = ()


class Former(Said):
    """What a correction has replaced: the values that stood there, and until when."""

    changed: Moment | Day | None = None


class Entry(Said):
    """One entry.

    Attributes
    ----------
    number : int
        By which it is named; in the file it may be missing, then it follows the largest before it.
    withdrawn : datetime or date or None
        Since when it does not count.
    former : tuple of Former
        What stood there before corrections, the oldest first.
    """

    number: Number = 1
    withdrawn: Moment | Day | None = None
    former: tuple[Former, ...] = ()

    @model_validator(mode="after")
    def _whole(self) -> Entry:
        if self.cost is not None and self.currency is None:
            raise ValueError("a cost needs its currency: three letters, as in EUR")
        sized = (self.area_cm2, self.thickness_mm, self.mass_g, self.porosity)
        if not self.material and (self.at or any(value is not None for value in sized)):
            raise ValueError("area, thickness, mass, porosity and place belong to a material: say which")
        return self

    @property
    def moment(self) -> datetime | None:
        """When it was made, with the time zone; the beginning of the day where only that is told."""
        return None if self.made is None else moment_of(self.made)

    @property
    def is_work(self) -> bool:
        """Whether anything was done, and not heard alone."""
        return bool(self.text or self.material or self.parts or self.takes_out or self.cost or self.minutes)


def moment_of(made: datetime | date) -> datetime:
    """A moment with its time zone, the local one where none is told."""
    full = made if isinstance(made, datetime) else datetime.combine(made, time())
    return full if full.tzinfo is not None else full.astimezone()


@dataclass(frozen=True)
class Notebook:
    """All entries in the order of the file, those that were withdrawn too."""

    entries: tuple[Entry, ...] = ()

    @property
    def standing(self) -> tuple[Entry, ...]:
        """Entries that count."""
        return tuple(entry for entry in self.entries if entry.withdrawn is None)

    @property
    def next_number(self) -> int:
        return max((entry.number for entry in self.entries), default=0) + 1

    @property
    def currency(self) -> str | None:
        """The last one that was said."""
        return next((entry.currency for entry in reversed(self.entries) if entry.currency), None)

    def entry(self, number: int) -> Entry:
        """The entry of a number; StillboxError lists what there is."""
        found = next((entry for entry in self.entries if entry.number == number), None)
        if found is None:
            there = f"1 to {self.next_number - 1}" if self.entries else "none yet"
            raise StillboxError(f"the notebook has no entry {number}", f"its entries are {there}")
        return found


def notebook_path(build_path: Path) -> Path:
    """Where the notebook lies; StillboxError where a link has its name."""
    path = build_path / NOTEBOOK_FILE
    if is_link(path):
        raise StillboxError(f"{path} is a link, and nothing is read or written through it", "put the file itself there")
    return path


def read_notebook(build_path: Path) -> Notebook:
    """The notebook of a build as it is on the disk now; without entries where there is none.

    Raises
    ------
    StillboxError
        Names the file, the entry, the key, the value received and the remedy.
    """
    return notebook_from_text(notebook_text(build_path), notebook_path(build_path))


def notebook_text(build_path: Path) -> str:
    """The file as it is; empty where there is none."""
    path = notebook_path(build_path)
    try:
        return read_small_text(path, MOST_BYTES)
    except FileNotFoundError:
        return ""
    except (OSError, ValueError) as error:
        raise StillboxError(f"cannot read {path}: {why_unreadable(error)}", "put the notebook itself there") from error


def notebook_from_text(text: str, path: Path) -> Notebook:
    """A notebook from its TOML; ``path`` is named where something is wrong."""
    try:
        document = parse_toml(text)
    except ValueError as error:
        raise StillboxError(f"cannot read {path}: {why_unreadable(error)}", "mend it in a text editor") from error
    tables = document.pop("entry", [])
    if document:
        first = next(iter(document))[:60]
        raise StillboxError(f"{path}: the key '{first}' belongs to no entry", "write [[entry]] above it")
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise StillboxError(f"{path}: each entry is a block of its own", "write [[entry]] with two brackets")
    return Notebook(_numbered(tables, path))


def _numbered(tables: Sequence[dict[str, Any]], path: Path) -> tuple[Entry, ...]:
    entries: list[Entry] = []
    for place, table in enumerate(tables, start=1):
        number = table.get("number", max((entry.number for entry in entries), default=0) + 1)
        try:
            entry = Entry.model_validate({**table, "number": number})
        except ValidationError as error:
            fault, remedy = describe_fault(error, {TOP: tuple(Entry.model_fields)})
            raise StillboxError(f"{path}, entry {place} from above: {fault}", remedy) from error
        if any(entry.number == other.number for other in entries):
            raise StillboxError(f"{path}: two entries have the number {number}", "give one of them another number")
        entries.append(entry)
    return tuple(entries)


def begins_at(entry: Entry, takes: Iterable[TakeInfo], unit: str) -> int | None:
    """Number of the first take in the box of a unit that an entry counts for; None where there is none yet.

    With a state: the first take of that state; else the first one after the entry was made.
    """
    if entry.unit not in (None, unit):
        return None
    every = [take for take in takes if take.subject == "in-box"]
    in_box = [take for take in every if take.unit == unit]
    if entry.state is not None:
        return min((take.number for take in in_box if take.state == entry.state), default=None)
    if entry.moment is None:
        return None
    # Seconds are all that a take keeps of its moment.
    made = entry.moment.replace(microsecond=0)
    later = [take for take in (in_box if entry.unit else every) if take.created >= made]
    first = min(later, key=lambda take: take.number, default=None)
    return first.number if first is not None and first.unit == unit else None


def in_force(entries: Iterable[Entry], takes: Sequence[TakeInfo], take: TakeInfo) -> tuple[Entry, ...]:
    """Entries with a material that is in the box at a take: put in by then, and not taken out again."""
    begun = [entry for entry in entries if (first := begins_at(entry, takes, take.unit)) and first <= take.number]
    gone = {number for entry in begun for number in entry.takes_out}
    return tuple(entry for entry in begun if entry.material and entry.number not in gone)
