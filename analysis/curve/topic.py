"""The impedance of a take: shown, drawn, written."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.controls import Asked
from stillbox.analysis.curve.curve_files import write_curve_csv, write_touchstone
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.drawing.pictures import picture_of_curve
from stillbox.analysis.impedance.impedance import (
    POINTS_PER_OCTAVE,
    ImpedanceCurve,
    curve_of_every_bin,
    curve_of_spectrum,
)
from stillbox.analysis.maths.number_words import percent_text
from stillbox.analysis.ringing.ringing import listed
from stillbox.analysis.topic import File, Said, Topic, TopicPicture
from stillbox.capture.files.output_file import TABLE, TOUCHSTONE
from stillbox.capture.recording.take import TakeInfo


@dataclass(frozen=True)
class CurveReport:
    """The impedance of one take; ``name`` is that of its state where it is told apart from another."""

    bench: Bench
    take: TakeInfo
    curve: ImpedanceCurve
    name: str = ""

    @property
    def title(self) -> str:
        return title_of(self.bench, self.take)


def title_of(bench: Bench, take: TakeInfo) -> str:
    """Build and take, for pictures and files."""
    return f"{bench.name}, {take.address}"


def _curve(bench: Bench, asked: Asked) -> CurveReport:
    """Of the ``take`` that is asked for, with so many ``points`` an octave; 0: every bin."""
    take = bench.build.find_take(asked["take"])
    points, spectrum = asked.get("points", POINTS_PER_OCTAVE), bench.at_clips(take)
    curve = curve_of_spectrum(spectrum, points_per_octave=points) if points else curve_of_every_bin(spectrum)
    return CurveReport(bench, take, curve)


def _said(report: CurveReport, everything: bool) -> Said:
    yield curve_text(report.take, report.curve)


def curve_text(take: TakeInfo, curve: ImpedanceCurve) -> str:
    """A curve in one sentence: band, points, lowest impedance."""
    magnitude = np.abs(curve.impedance_ohm)
    lowest = int(np.argmin(magnitude))
    # The short-circuit standard, corrected by itself, is 0 ohm.
    relative = np.sqrt(curve.noise_variance_ohm2) / np.maximum(magnitude, np.finfo(float).tiny)
    return (
        f"take {take.number}, {take.address}: {curve.frequency_hz.size} points from {curve.frequency_hz[0]:.4g} to "
        f"{curve.frequency_hz[-1]:.5g} Hz; lowest impedance {magnitude[lowest]:.4g} ohm at "
        f"{curve.frequency_hz[lowest]:.4g} Hz; noise {percent_text(float(np.median(relative)))} (median)"
    )


def _picture(report: CurveReport) -> PictureDescription:
    """With what rings in it where it is a take in the box."""
    curve = report.bench.curve(report.take)
    if report.take.subject != "in-box":
        return picture_of_curve(report.title, curve)
    found = report.bench.findings_of(report.take)
    return picture_of_curve(report.title, curve, listed(found), found.detection_limit)


def _table(report: CurveReport, path: Path) -> None:
    write_curve_csv(path, report.curve)


def _touchstone(report: CurveReport, path: Path) -> None:
    write_touchstone(path, report.curve, f"{report.bench.name}: {report.take.address}")


def _of_state(form: str) -> Callable[[CurveReport], list[tuple[str, CurveReport]]]:
    """The impedance in some form, with the name of its state if it has one."""
    return lambda report: [(f"Impedance{f' of {report.name}' if report.name else ''} {form}", report)]


CURVE = Topic(
    name="curve",
    title="Impedance",
    needs="a take of anything but a microphone",
    compute=_curve,
    said=_said,
    warnings=lambda report: report.curve.warnings,
    files=(
        File("--csv", "Impedance as a table", TABLE, _table, _of_state("as a table")),
        File(
            "--touchstone",
            "Impedance for simulators (Touchstone)",
            TOUCHSTONE,
            _touchstone,
            _of_state("for simulators (Touchstone)"),
        ),
    ),
    pictures=(TopicPicture("--plot", "Picture of the impedance", _picture),),
)
