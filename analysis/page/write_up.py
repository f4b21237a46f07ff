"""What is written for a person from a bench: pictures, decay tables, and the report of one or two states."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from stillbox import __version__
from stillbox.analysis.bench import Bench
from stillbox.analysis.calibration_report import calibration_report
from stillbox.analysis.cautions import CautionTopic, cautions_for
from stillbox.analysis.comparison.comparison_pictures import pictured_together
from stillbox.analysis.comparison.opening import opening_of
from stillbox.analysis.crossover.built import as_built
from stillbox.analysis.curve.curve_files import write_curve_csv, write_touchstone
from stillbox.analysis.curve.topic import title_of
from stillbox.analysis.drawing.layout import picture_bytes
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.drawing.pictures import (
    PicturedState,
    picture_of_decay,
    picture_of_difference,
    picture_of_findings,
    picture_overlay,
)
from stillbox.analysis.findings.findings_section import names_of
from stillbox.analysis.impedance.findings import FindingsReport
from stillbox.analysis.page.report import Report, write_report
from stillbox.analysis.page.topics import TOPICS
from stillbox.analysis.ringing.ringing import listed
from stillbox.analysis.section import Fact, ReportPicture
from stillbox.analysis.waterfall.decay import CumulativeDecay
from stillbox.capture.files.output_file import PAGE, PICTURE, check_output, write_output
from stillbox.capture.recording.take import TakeInfo


def write_everything(bench: Bench, before: str, after: str, unit: str, folder: Path) -> list[Path]:
    """Curves, pictures and report of two states; returns the files written, the report last."""
    takes = [bench.in_box(state, unit) for state in (before, after)]
    comparison = bench.comparison(before, after, unit)
    states = pictured_together(bench, takes)
    written: list[Path] = []
    free_air = bench.free_air(unit)
    for take in (*([free_air] if free_air else []), *takes):
        stem = folder / "-".join(filter(None, (take.subject, take.state, take.unit)))
        write_curve_csv(stem.with_suffix(".csv"), bench.curve(take))
        write_touchstone(stem.with_suffix(".z1p"), bench.curve(take), title_of(bench, take))
        written += [stem.with_suffix(".csv"), stem.with_suffix(".z1p")]
    title = f"{bench.name}, unit {unit}"
    pictures = {
        "findings": picture_of_findings(f"{title}: {before} and {after}", states, comparison),
        f"decay-{before}": picture_of_decay(f"{title}: {before}", _decay(states[0]), listed(_findings(states[0]))),
        f"decay-{after}": picture_of_decay(f"{title}: {after}", _decay(states[1]), listed(_findings(states[1]))),
        "overlay": picture_overlay(f"{title}: {before} and {after}", states[0], states[1], comparison),
        "difference": picture_of_difference(f"{title}: {after} minus {before}", states[0], states[1], comparison),
    }
    drawn = {name: picture_bytes(picture, ".png") for name, picture in pictures.items()}
    for name, content in drawn.items():
        path = folder / f"{name}.png"
        write_output(path, PICTURE, content)
        written.append(path)
    shown = _report_pictures(drawn["findings"], pictures["difference"])
    write_report(folder / "report.html", report_of(bench, takes, shown))
    return [*written, folder / "report.html"]


def write_build_report(bench: Bench, takes: Sequence[TakeInfo], path: Path) -> None:
    """The report of one in-box take, or of two compared, the earlier state first.

    The window goes on using the bench meanwhile, in another thread; what one has computed the other has, too.
    """
    check_output(path, PAGE)  # before the work, not after it
    bench = bench if len(takes) == 1 else as_built(bench, takes)
    states = pictured_together(bench, takes)
    comparison = None if len(takes) == 1 else bench.comparison_of(*takes)
    units = " and ".join(dict.fromkeys(take.unit for take in takes))
    title = f"{bench.name}, unit {units}: {' and '.join(state.name for state in states)}"
    difference = None
    if comparison is not None:
        minus = f"{bench.name}, unit {units}: {comparison.after} minus {comparison.before}"
        difference = picture_of_difference(minus, states[0], states[1], comparison)
    findings = picture_bytes(picture_of_findings(title, states, comparison), ".png")
    pictures = _report_pictures(findings, difference)
    write_report(path, report_of(bench, takes, pictures))


def _report_pictures(findings: bytes, difference: PictureDescription | None) -> tuple[ReportPicture, ...]:
    if difference is None:
        return (ReportPicture("Impedance, heights and decay", findings, "png"),)
    return (
        ReportPicture("Impedance, heights and decay of both states", findings, "png"),
        ReportPicture("Difference of the two states", picture_bytes(difference, "svg")),
    )


def _decay(state: PicturedState) -> CumulativeDecay:
    assert state.decay is not None
    return state.decay


def _findings(state: PicturedState) -> FindingsReport:
    assert state.findings is not None
    return state.findings


def report_of(bench: Bench, takes: Sequence[TakeInfo], pictures: tuple[ReportPicture, ...]) -> Report:
    """All that the report says of one or two in-box takes."""
    return Report(
        build=bench.name,
        unit=" and ".join(dict.fromkeys(take.unit for take in takes)),
        names=tuple(names_of(takes)),
        written=f"{datetime.now().astimezone():%Y-%m-%d %H:%M}",
        program=f"Stillbox {__version__}",
        summary=(opening_of(bench, takes),),
        sections=tuple(section for topic in TOPICS for section in topic.sections(bench, takes)),
        measurement=_measurement(bench),
        calibration=tuple(calibration_report(bench)),
        pictures=pictures,
        cautions=_cautions(bench, takes),
    )


def _cautions(bench: Bench, takes: Sequence[TakeInfo]) -> tuple[str, ...]:
    """What applies to all that was done, to the crossover's parts where they are known or were swept."""
    parts = any(bench.network_of(take.number) for take in takes) or bench.takes_of("part")
    more: tuple[CautionTopic, ...] = ("parts", "soldering") if parts else ()
    return cautions_for("amplifier", "tweeter", "hearing", "heat and mains", "materials", *more)


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
