"""The list of parts that a person has or can buy: a table of text with a plain head."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from stillbox.analysis.parts.kinds import KINDS, LETTERS, REASONABLE, Kind
from stillbox.analysis.parts.part_codes import TOLERANCE_PERCENT, Marking, read_marking, value_words
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.small_file import read_small_text, why_unreadable

COLUMNS = ("value", "count", "tolerance_percent", "price", "name", "kind")
"""What a list may say of each part; only the value must be there."""

MOST_ROWS = 1000
EXAMPLE = "value,count,tolerance_percent,price,name"
_KIND_WORDS: Mapping[str, Kind] = {kind: kind for kind in KINDS} | {
    letter.lower(): kind for letter, kind in LETTERS.items()
}


@dataclass(frozen=True)
class DrawerPart:
    """Parts of one sort in a list.

    Attributes
    ----------
    value : float
        F, H or ohm.
    count : int or None
        How many there are; None: as many as one likes.
    tolerance_percent, price : float or None
        None where the list does not tell.
    name : str
        May be empty.
    """

    value: float
    count: int | None = None
    tolerance_percent: float | None = None
    price: float | None = None
    name: str = ""


@dataclass(frozen=True)
class Drawer:
    """A list as it was read, kinds not yet told apart.

    Attributes
    ----------
    source : str
        What to call it in errors.
    rows : tuple of (int, mapping)
        Line and cells by column, those that are empty left out.
    """

    source: str
    rows: tuple[tuple[int, Mapping[str, str]], ...]

    def kinds(self) -> set[Kind]:
        """What kinds of parts the list itself tells of."""
        return {kind for line, cells in self.rows for kind in [self._told_kind(line, cells)] if kind}

    def parts(self, kind: Kind) -> list[DrawerPart]:
        """The parts of one kind; those whose kind the list does not tell count as of this one.

        Raises
        ------
        StillboxError
            With line, fault and remedy; also if there are none.
        """
        found = [
            self._part(line, cells, kind) for line, cells in self.rows if self._told_kind(line, cells) in (None, kind)
        ]
        if not any(part.count != 0 for part in found):
            raise StillboxError(f"{self.source} lists no {kind}", f"add lines of {kind}s, or correct the target's unit")
        return found

    def _fault(self, line: int, fault: str, remedy: str) -> StillboxError:
        return StillboxError(f"{self.source}, line {line}: {fault}", remedy)

    def _told_kind(self, line: int, cells: Mapping[str, str]) -> Kind | None:
        word = cells.get("kind", "").lower()
        if word:
            if word not in _KIND_WORDS:
                raise self._fault(line, f"there is no kind '{word}'", f"write {', '.join(KINDS)}, or C, L, R")
            return _KIND_WORDS[word]
        try:
            return read_marking(cells["value"]).kind
        except StillboxError:  # what it means may depend on the kind
            return None

    def _part(self, line: int, cells: Mapping[str, str], kind: Kind) -> DrawerPart:
        try:
            marking = read_marking(cells["value"], kind)
        except StillboxError as error:
            raise self._fault(line, error.fault, f"{error.remedy}; or tell its kind in a column 'kind'") from error
        least, most = REASONABLE[kind]
        if not least <= marking.value <= most:
            raise self._fault(
                line,
                f"'{cells['value']}' is {value_words(marking.value, kind)}, which no {kind} has",
                "write the prefix, as in 4.7u, or the unit, or the kind in a column of its own",
            )
        return DrawerPart(
            marking.value,
            self._count(line, cells.get("count")),
            self._tolerance(line, cells.get("tolerance_percent"), marking),
            self._price(line, cells.get("price")),
            cells.get("name", ""),
        )

    def _count(self, line: int, text: str | None) -> int | None:
        if text is None:
            return None
        if not (text.isascii() and text.isdigit() and len(text) < 10):
            raise self._fault(line, f"the count '{text}' is no whole number", "write how many there are, as 4 or 0")
        return int(text)

    def _tolerance(self, line: int, text: str | None, marking: Marking) -> float | None:
        if text is None:
            return marking.tolerance_percent
        if text in TOLERANCE_PERCENT:
            return TOLERANCE_PERCENT[text]
        percent = _number(text.removesuffix("%").rstrip().removeprefix("±").lstrip())
        if percent is None or not 0 <= percent < 100:
            raise self._fault(line, f"the tolerance '{text}' is no percentage from 0 to below 100", "write 5 for ± 5 %")
        return percent

    def _price(self, line: int, text: str | None) -> float | None:
        if text is None:
            return None
        price = _number(text)
        if price is None or not 0 <= price < 1e9:
            raise self._fault(line, f"the price '{text}' is no number", "write it without a currency, as 1.20")
        return price


def read_drawer(path: Path) -> Drawer:
    """The list of parts in a file.

    A table of text in UTF-8, its first line the names of the columns (`COLUMNS`) in any order; cells are parted by
    commas, or by semicolons or tabs, and then decimals may have a comma.

    Raises
    ------
    StillboxError
        With file, line, fault and remedy.
    """
    try:
        text = read_small_text(path)
    except (OSError, ValueError) as error:
        raise StillboxError(
            f"the list {path} cannot be read: {why_unreadable(error)}", "give the path of a table of text (CSV)"
        ) from error
    return drawer_from_text(text, path.name)


def drawer_from_text(text: str, source: str = "list") -> Drawer:
    """As `read_drawer`, from the text itself."""
    head = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(";\t,", key=head.count)
    reader = csv.reader(io.StringIO(text), delimiter=delimiter, strict=True)
    rows: list[tuple[int, Mapping[str, str]]] = []
    columns: list[str] | None = None
    try:
        for cells in reader:
            cells = [cell.strip() for cell in cells]
            if not any(cells):
                continue
            if columns is None:
                columns = _columns(source, cells)
            else:
                rows.append((reader.line_num, _row(source, reader.line_num, columns, cells)))
    except csv.Error as error:
        raise StillboxError(
            f"{source}, line {reader.line_num}: it is no table of text ({error})", "save it as CSV in UTF-8"
        ) from error
    if not rows:
        raise StillboxError(f"{source} lists no parts", f"write a line for each part below {EXAMPLE}")
    if len(rows) > MOST_ROWS:
        raise StillboxError(f"{source} lists {len(rows)} parts", f"leave {MOST_ROWS} at most")
    return Drawer(source, tuple(rows))


def _columns(source: str, cells: Iterable[str]) -> list[str]:
    names = [cell.lower() for cell in cells]
    unknown = [name for name in names if name not in COLUMNS]
    if "value" not in names or unknown:
        what = f"'{unknown[0]}' is no column" if unknown else "there is no column 'value'"
        raise StillboxError(f"{source}, first line: {what}", f"name the columns there, as {EXAMPLE}; also: kind")
    twice = [name for name, times in Counter(names).items() if times > 1]
    if twice:
        raise StillboxError(f"{source}, first line: the column '{twice[0]}' is there twice", "leave one")
    return names


def _row(source: str, line: int, columns: list[str], cells: list[str]) -> Mapping[str, str]:
    if any(cells[len(columns) :]):
        raise StillboxError(
            f"{source}, line {line}: {len(cells)} cells below {len(columns)} columns",
            "where decimals have a comma, part the cells by semicolons",
        )
    row = {name: cell for name, cell in zip(columns, cells, strict=False) if cell}
    if "value" not in row:
        raise StillboxError(f"{source}, line {line}: the value is missing", "write it as in 4.7u or 4u7")
    return row


def _number(text: str) -> float | None:
    """A number with a point or a comma; None where it is none."""
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        return None
    return number if number == number else None
