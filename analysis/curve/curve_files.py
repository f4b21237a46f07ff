"""Impedance as files for other programs: CSV and Touchstone. Files appear whole or not at all."""

from __future__ import annotations

from pathlib import Path

from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.maths.table import text_of_lines
from stillbox.capture.files.output_file import MARK, TABLE, TABLE_HEADS, TOUCHSTONE, write_output

CURVE_COLUMNS = TABLE_HEADS["curve"]
_TOUCHSTONE_OPTIONS = "# Hz Z RI R 1"
"""Touchstone 1.0 divides Z parameters by the reference resistance; with R 1 the numbers are ohms."""


def curve_csv(curve: ImpedanceCurve) -> str:
    """The curve as CSV text, one line a point, numbers with nine significant digits."""
    columns = (
        curve.frequency_hz,
        curve.impedance_ohm.real,
        curve.impedance_ohm.imag,
        curve.resistance_std_ohm,
        curve.reactance_std_ohm,
    )
    rows = (",".join(f"{value:.9g}" for value in row) for row in zip(*columns, strict=True))
    return text_of_lines(CURVE_COLUMNS, rows)


def curve_touchstone(curve: ImpedanceCurve, comment: str = "") -> str:
    """The curve as the text of a Touchstone one-port file of Z parameters in ohms.

    ``comment`` goes into lines of their own at the head, each after an exclamation mark.
    """
    head = [f"! {line}" for line in (f"written by {MARK}", *comment.splitlines())]
    rows = (
        f"{frequency:.9g} {value.real:.9g} {value.imag:.9g}"
        for frequency, value in zip(curve.frequency_hz, curve.impedance_ohm, strict=True)
    )
    return text_of_lines("\n".join([*head, _TOUCHSTONE_OPTIONS]), rows)


def write_curve_csv(path: Path, curve: ImpedanceCurve) -> None:
    """Write `curve_csv` to a file."""
    write_output(path, TABLE, curve_csv(curve))


def write_touchstone(path: Path, curve: ImpedanceCurve, comment: str = "") -> None:
    """Write `curve_touchstone` to a file whose name must end in .z1p or .s1p."""
    write_output(path, TOUCHSTONE, curve_touchstone(curve, comment))
