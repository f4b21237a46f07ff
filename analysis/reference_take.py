"""What a take is set against: one parser for whatever a person says behind ``--against``.

A state, the number or address of a take (``5``, ``in-box/stock/A``), or one of another build (``OTHERBUILD:5``).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from stillbox.analysis.bench import Bench
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo, fitting_takes


@dataclass(frozen=True)
class ReferenceTake:
    """A take with the bench that computes it; ``words`` say which it is."""

    bench: Bench
    take: TakeInfo
    words: str


def reference_take(bench: Bench, text: str, unit: str) -> ReferenceTake:
    """The take of the finished speaker or driver in its box that ``text`` names.

    Parameters
    ----------
    bench : Bench
        Of the build that is looked at.
    text : str
    unit : str
        A state stands for its newest take of this unit; where it has none of it, of any.

    Raises
    ------
    StillboxError
        If there is no such build or take, or it is not one in the box.
    """
    path, colon, address = text.rpartition(":")
    if colon:
        other = Bench(BuildFolder.open(_folder(bench, path, text)), bench.gate_s, driver=bench.driver)
        if not address:
            raise StillboxError(f"'{text}' names no take", "write OTHERBUILD:in-box/stock/A, or the number of a take")
        found = _take(other, address, unit)
        return ReferenceTake(other, found, f"{other.name}, {words_of_take(found)}")
    found = _take(bench, address, unit)
    return ReferenceTake(bench, found, words_of_take(found))


def words_of_take(take: TakeInfo) -> str:
    """Unit, state and number of a take in its box."""
    return f"unit {take.unit}, state {take.state or '-'} (take {take.number})"


def _folder(bench: Bench, path: str, text: str) -> Path:
    """A folder as said, else beside the build."""
    for folder in (Path(path), bench.build.path.parent / path):
        if path and folder.is_dir():
            return folder
    raise StillboxError(
        f"'{text}' names no build: there is no folder '{path}' here or beside {bench.build.path}",
        "write the path of the other build before the colon",
    )


def _take(bench: Bench, address: str, unit: str) -> TakeInfo:
    if "/" in address or (address.isascii() and address.isdigit()):
        take = bench.build.find_take(address)
        if take.subject != "in-box":
            raise StillboxError(f"take {take.number} is {take.address}, not a take in the box", "name one of in-box")
        return take
    own = fitting_takes(bench.takes, "in-box", address, unit)
    return own[-1] if own else bench.in_box(address)
