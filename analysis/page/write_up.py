"""What is written for a person from a bench: pictures, decay tables, and the report of one or two states."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from stillbox.analysis.bench import Bench, told_apart
from stillbox.analysis.calibration_report import calibration_report
from stillbox.analysis.decay.decay import CumulativeDecay
from stillbox.analysis.decay.decay_response import decay_of_response, decay_on_log_grid
from stillbox.analysis.decay.ridges import Ridge, find_ridges, follow_ridges
from stillbox.analysis.drawing.pictures import (
    PicturedState,
    picture_bytes,
    picture_of_curve,
    picture_of_decay,
    picture_of_difference,
    picture_of_findings,
    picture_overlay,
    save_picture,
)
from stillbox.analysis.impedance.findings import FindingsReport
from stillbox.analysis.maths.number_words import counted
from stillbox.analysis.page.cautions import cautions_for
from stillbox.analysis.page.driver_and_box_section import driver_and_box_section
from stillbox.analysis.page.export import write_curve_csv, write_decay_csv, write_touchstone
from stillbox.analysis.page.opening import cost_in_bass
from stillbox.analysis.page.report import Fact, Report, ReportPicture, ReportState, write_report
from stillbox.analysis.ringing.comparison import Comparison
from stillbox.analysis.ringing.ringing import listed
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import PAGE, check_output
from stillbox.capture.recording.take import TakeInfo

TABLE_SLICES = 60
"""Slices of a decay written as a table."""

CYCLES = np.linspace(0.0, 30.0, 91)
"""Time axis of decays drawn in cycles of each frequency."""


def decay_of_take(bench: Bench, take: TakeInfo, cycles: bool = False, span_s: float | None = None) -> CumulativeDecay:
    """Decay on the logarithmic grid on which pictures are drawn; ``span_s`` where takes must share one time axis."""
    return decay_on_log_grid(bench.decay(take), cycles=CYCLES if cycles else None, span_s=span_s)


def ridges_of(bench: Bench, take: TakeInfo) -> tuple[tuple[Ridge, ...], tuple[str, ...]]:
    """The ridge of each resonance of a take, and notes: where the band ends, ridges that no resonance explains."""
    response, resonances = bench.decay(take), bench.fit(take).resonances
    decay = decay_on_log_grid(response)
    unexplained = [
        f"a ridge at {ridge.frequency_hz:.4g} Hz belongs to no resonance found"
        for ridge in find_ridges(decay)
        if all(abs(ridge.frequency_hz - one.frequency_hz) > one.frequency_hz / one.q for one in resonances)
    ]
    return follow_ridges(decay, resonances), (*response.reasons, *unexplained)


def write_decay_table(bench: Bench, take: TakeInfo, path: Path, cycles: bool = False) -> None:
    """Levels over time and frequency as CSV: over the frequencies of the FFT, or in cycles on the logarithmic grid."""
    if cycles:
        write_decay_csv(path, decay_of_take(bench, take, cycles))
    else:
        write_decay_csv(path, decay_of_response(bench.decay(take), slices=TABLE_SLICES))


def plot_curve(bench: Bench, take: TakeInfo, path: Path) -> None:
    """Impedance of a take; with what rings in it where it is a take in the box."""
    if take.subject == "in-box":
        report = bench.findings_of(take)
        figure = picture_of_curve(_title(bench, take), bench.curve(take), listed(report), report.detection_limit)
    else:
        figure = picture_of_curve(_title(bench, take), bench.curve(take))
    save_picture(figure, path)


def plot_decay(bench: Bench, take: TakeInfo, path: Path, cycles: bool = False) -> None:
    """Decay as layered ridges and as a heat map."""
    found = listed(bench.findings_of(take)) if take.subject == "in-box" else ()
    save_picture(picture_of_decay(_title(bench, take), decay_of_take(bench, take, cycles), found), path)


def plot_comparison(
    bench: Bench, before: str, after: str, unit: str | None, overlay: Path | None, difference: Path | None
) -> None:
    """Both curves over each other, and the difference of the two."""
    first, second = (pictured(bench, take, decay=False) for take in bench.compared(before, after, unit))
    comparison = bench.comparison(before, after, unit)
    title = f"{bench.name}: {before} and {after}"
    if overlay is not None:
        save_picture(picture_overlay(title, first, second, comparison), overlay)
    if difference is not None:
        save_picture(picture_of_difference(title, first, second, comparison), difference)


def pictured(bench: Bench, take: TakeInfo, decay: bool = True, span_s: float | None = None) -> PicturedState:
    """What the pictures show of an in-box take; ``span_s`` as for `decay_of_take`."""
    return PicturedState(
        name=take.state or take.address,
        curve=bench.curve(take),
        findings=bench.findings_of(take),
        decay=decay_of_take(bench, take, span_s=span_s) if decay else None,
    )


def _title(bench: Bench, take: TakeInfo) -> str:
    return f"{bench.name}, {take.address}"


def write_everything(bench: Bench, before: str, after: str, unit: str, folder: Path) -> list[Path]:
    """Curves, pictures and report of two states; returns the files written, the report last."""
    takes = [bench.in_box(state, unit) for state in (before, after)]
    comparison = bench.comparison(before, after, unit)
    states = _pictured_together(bench, takes)
    written: list[Path] = []
    free_air = bench.newest("free-air", unit=unit)
    for take in (*([free_air] if free_air else []), *takes):
        stem = folder / "-".join(filter(None, (take.subject, take.state, take.unit)))
        write_curve_csv(stem.with_suffix(".csv"), bench.curve(take))
        write_touchstone(stem.with_suffix(".z1p"), bench.curve(take), _title(bench, take))
        written += [stem.with_suffix(".csv"), stem.with_suffix(".z1p")]
    title = f"{bench.name}, unit {unit}"
    figures = {
        "findings": picture_of_findings(f"{title}: {before} and {after}", states, comparison),
        f"decay-{before}": picture_of_decay(f"{title}: {before}", _decay(states[0]), listed(_findings(states[0]))),
        f"decay-{after}": picture_of_decay(f"{title}: {after}", _decay(states[1]), listed(_findings(states[1]))),
        "overlay": picture_overlay(f"{title}: {before} and {after}", states[0], states[1], comparison),
        "difference": picture_of_difference(f"{title}: {after} minus {before}", states[0], states[1], comparison),
    }
    for name, figure in figures.items():
        path = folder / f"{name}.png"
        save_picture(figure, path)
        written.append(path)
    pictures = _report_pictures(figures["findings"], figures["difference"])
    write_report(folder / "report.html", report_of(bench, takes, comparison, pictures))
    return [*written, folder / "report.html"]


def write_build_report(bench: Bench, takes: Sequence[TakeInfo], path: Path) -> None:
    """The report of one in-box take, or of two compared, the earlier state first.

    The window goes on using the bench meanwhile, in another thread; what one has computed the other has, too.
    """
    check_output(path, PAGE)  # before the work, not after it
    states = _pictured_together(bench, takes)
    comparison = None if len(takes) == 1 else bench.comparison_of(*takes)
    units = " and ".join(dict.fromkeys(take.unit for take in takes))
    title = f"{bench.name}, unit {units}: {' and '.join(state.name for state in states)}"
    difference = None
    if comparison is not None:
        minus = f"{bench.name}, unit {units}: {comparison.after} minus {comparison.before}"
        difference = picture_of_difference(minus, states[0], states[1], comparison)
    pictures = _report_pictures(picture_of_findings(title, states, comparison), difference)
    write_report(path, report_of(bench, takes, comparison, pictures))


def _pictured_together(bench: Bench, takes: Sequence[TakeInfo]) -> list[PicturedState]:
    """One take or two with their decays over one time axis, if all have one, under names that tell them apart."""
    try:
        span_s = max(bench.decay(take).suggested_span_s for take in takes)
        states = [pictured(bench, take, span_s=span_s) for take in takes]
    except StillboxError:  # the report says why beside the findings
        states = [pictured(bench, take, decay=False) for take in takes]
    if len(takes) == 1:
        return states
    return [replace(state, name=name) for state, name in zip(states, told_apart(*takes), strict=True)]


def _report_pictures(findings: Figure, difference: Figure | None) -> tuple[ReportPicture, ...]:
    if difference is None:
        return (ReportPicture("Impedance, heights and decay", picture_bytes(findings, "png"), "png"),)
    return (
        ReportPicture("Impedance, heights and decay of both states", picture_bytes(findings, "png"), "png"),
        ReportPicture("Difference of the two states", picture_bytes(difference, "svg")),
    )


def _decay(state: PicturedState) -> CumulativeDecay:
    assert state.decay is not None
    return state.decay


def _findings(state: PicturedState) -> FindingsReport:
    assert state.findings is not None
    return state.findings


def report_of(
    bench: Bench, takes: Sequence[TakeInfo], comparison: Comparison | None, pictures: tuple[ReportPicture, ...]
) -> Report:
    """All that the report says of one or two in-box takes."""
    names = told_apart(*takes) if len(takes) == 2 else [take.state or take.address for take in takes]
    return Report(
        build=bench.name,
        unit=" and ".join(dict.fromkeys(take.unit for take in takes)),
        written=f"{datetime.now().astimezone():%Y-%m-%d %H:%M}",
        program=f"Stillbox {_version()}",
        states=tuple(_state(bench, take, name) for take, name in zip(takes, names, strict=True)),
        measurement=_measurement(bench),
        calibration=tuple(calibration_report(bench)),
        pictures=pictures,
        comparison=comparison,
        tuning=() if comparison is None else (*comparison.tuning, *comparison.room_words),
        cautions=cautions_for("amplifier", "tweeter", "hearing", "heat and mains", "materials"),
        warnings=() if comparison is None else comparison.warnings,
        driver_and_box=driver_and_box_section(bench, takes),
        cost=cost_in_bass(bench, *takes) if len(takes) == 2 else "",
    )


def _version() -> str:
    try:
        return version("stillbox")
    except PackageNotFoundError:
        return "(not installed)"


def _state(bench: Bench, take: TakeInfo, name: str) -> ReportState:
    ridges: tuple[Ridge, ...] = ()
    try:
        ridges, notes = ridges_of(bench, take)
    except StillboxError as error:
        notes = (f"no decay: {error}",)
    return ReportState(
        name=name,
        take=f"take {take.number}, {take.address}, {take.created.astimezone():%Y-%m-%d %H:%M}",
        findings=bench.findings_of(take),
        facts=_take_facts(bench, take),
        ridges=ridges,
        decay_notes=notes,
    )


def _take_facts(bench: Bench, take: TakeInfo) -> tuple[Fact, ...]:
    ratio, excitation = bench.ratio(take), take.excitation
    hum = "none seen"
    if ratio.hum_hz is not None and ratio.hum_dbfs is not None:
        hum = f"{ratio.hum_hz:.2f} Hz at {ratio.hum_dbfs:.0f} dBFS, taken out"
    return (
        (
            "Sweep",
            f"{excitation.low_hz:g} to {excitation.high_hz:g} Hz, {excitation.seconds:g} s, "
            f"{counted(len(take.sweep_starts), 'time')}, {excitation.level_dbfs:.1f} dBFS, "
            f"{excitation.sample_rate_hz} Hz",
        ),
        ("Noise of the channels", " and ".join(f"{level:.0f} dBFS" for level in ratio.noise_dbfs)),
        ("Mains hum", hum),
        ("Resolution", f"{bench.spectrum(take).resolution_hz:.2g} Hz"),
    )


def _measurement(bench: Bench) -> tuple[Fact, ...]:
    settings, description = bench.settings, bench.description
    tolerance = settings.reference_tolerance_percent
    facts = [
        (
            "Reference resistor",
            f"{settings.reference_ohm:g} Ω" + (", tolerance not given" if tolerance is None else f" ± {tolerance:g} %"),
        ),
        ("Air", f"{description.temperature_c:g} °C"),
    ]
    if description.inside_mm is not None:
        facts.append(
            ("Inside", " × ".join(f"{side:g}" for side in description.inside_mm) + " mm (height × width × depth)")
        )
    return tuple(facts)
