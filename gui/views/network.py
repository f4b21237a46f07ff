"""The crossover: its parts as a table and a circuit, what each driver gets, and what changing parts would do."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stillbox.analysis.crossover.crossover import CrossoverReport, report_of_known
from stillbox.analysis.crossover.crossover_controls import USUAL_V
from stillbox.analysis.crossover.draft import Draft, DraftRow, draft_of
from stillbox.analysis.crossover.known_crossover import (
    HIGHEST_HZ,
    LOWEST_HZ,
    KnownCrossover,
    known_crossover,
    planned_network,
    with_the_curve,
)
from stillbox.analysis.crossover.picture_crossover import picture_of_crossover
from stillbox.analysis.crossover.topic import CROSSOVER
from stillbox.analysis.crossover.trying import trial
from stillbox.analysis.curve.topic import CURVE, CurveReport
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.drawing.pictures import picture_of_curve
from stillbox.analysis.impedance.impedance import curve_of_spectrum
from stillbox.analysis.network.network import GROUND, INPUT
from stillbox.analysis.through_crossover import tolerances_percent
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import TABLE
from stillbox.gui.results.exports import document_of, files_of
from stillbox.gui.results.network_rows import (
    measured_cells,
    measured_notes,
    rows_of_crossover,
    sentence_of_crossover,
)
from stillbox.gui.results.parts_sheet import PartsSheet
from stillbox.gui.results.view import Export, Overlay, Results, View, Wish
from stillbox.gui.work.work import sentence_of_error

if TYPE_CHECKING:
    from stillbox.analysis.bench import Bench
    from stillbox.analysis.controls import Asked
    from stillbox.capture.recording.take import TakeInfo

NOTHING_KEPT = (
    "No crossover is kept for this take. Write its parts into the table with the places that each joins (in and 0 are "
    "the terminals), and keep it."
)


@dataclass(frozen=True)
class Network:
    """What is known of the crossover; the impedance of the take alone where nothing is."""

    measured: CurveReport
    known: KnownCrossover | None = None
    planned: CrossoverReport | None = None
    """Without any change."""
    report: CrossoverReport | None = None


class _Network(View):
    key = "network"
    title = "Network"
    tip = "The crossover: its parts and circuit, what each driver gets, and what changing a part would do."
    needs = "a take of the finished speaker in its box"
    listed = "Numbe&rs"
    list_tip = "Lowest impedance, what each driver gets, heat in each resistor; select one for more."
    pick = "Select a line for what it means. In the table above write other values to see what they do."
    decays = False

    def fits(self, takes: Sequence[TakeInfo]) -> bool:
        return len(takes) == 1 and takes[0].subject == "in-box" and not takes[0].of

    def compute(self, bench: Bench, takes: Sequence[TakeInfo]) -> Iterator[Results]:
        (take,) = takes
        curve = curve_of_spectrum(bench.at_clips(take))
        title = f"{bench.name}, {take.state + ', ' if take.state else ''}unit {take.unit}: crossover"
        data = Network(CurveReport(bench, take, curve))
        base = Results("", notes=curve.warnings, title=title, ends_hz=(LOWEST_HZ, HIGHEST_HZ), data=data)
        try:
            sheet = _sheet(bench, take)
            base = replace(base, sheet=sheet)
        except StillboxError as error:
            yield replace(base, sheet=_bare_sheet(bench, take), sentence=sentence_of_error(error))
            return
        if not sheet.kept:
            yield replace(base, sentence=NOTHING_KEPT)
            return
        yield replace(base, sentence="Working out what each driver gets …", complete=False, passing=True)
        try:
            known = known_crossover(bench, take)
            report = report_of_known(bench, known, by_the_curve=False)
            yield replace(_told(base, replace(data, known=known, planned=report), report), complete=False)
            known = with_the_curve(bench, known)
            report = report_of_known(bench, known)
        except StillboxError as error:
            yield replace(base, sentence=sentence_of_error(error))
            return
        yield _told(base, replace(data, known=known, planned=report), report)

    def change(self, bench: Bench, results: Results, asked: Asked) -> Iterator[Results]:
        data: Network = results.data
        known, planned = data.known, data.planned
        if known is None or planned is None or not asked:
            yield results
            return
        draft, cable = asked.get("draft"), str(asked.get("cable", ""))
        volts = float(asked.get("volts", USUAL_V))
        at_once = trial(bench, known, planned, draft, cable, volts, with_bands=False)
        changed = _told(replace(results, asked=asked), data, at_once)
        if at_once.changed is not None:
            # Its picture would delay that with the bands, which follows at once; the curves are painted meanwhile.
            yield replace(changed, overlay=_overlay(at_once), complete=False, passing=True)
            whole = trial(bench, known, planned, draft, cable, volts, with_bands=True)
            changed = replace(_told(changed, data, whole), overlay=_overlay(whole))  # until its picture is there
        yield changed

    def picture(self, results: Results, wish: Wish) -> PictureDescription:
        data: Network = results.data
        if data.report is None:
            return picture_of_curve(results.title, data.measured.curve, ends_hz=results.ends_hz)
        return picture_of_crossover(data.report)

    def exports(self, results: Results, wish: Wish) -> list[Export]:
        data: Network = results.data
        if data.report is None:
            return files_of(CURVE, data.measured, TABLE)
        return [document_of(CROSSOVER, data.report), *files_of(CROSSOVER, data.report)]


def _told(results: Results, data: Network, report: CrossoverReport) -> Results:
    sheet = results.sheet
    assert sheet is not None
    return replace(
        results,
        sentence=sentence_of_crossover(report),
        rows=tuple(rows_of_crossover(report)),
        notes=tuple(dict.fromkeys((*measured_notes(report), *report.warnings, *data.measured.curve.warnings))),
        data=replace(data, report=report),
        sheet=replace(sheet, measured=measured_cells(report)),
        overlay=(),
    )


def _overlay(report: CrossoverReport) -> Overlay:
    """What has changed, in the first two panels of the picture."""
    assert report.changed is not None
    hz = report.frequency_hz
    levels = ((1, hz, level.level_db) for level in report.changed.drivers.values())
    return ((0, hz, np.abs(report.changed.input_ohm)), *levels)


def _sheet(bench: Bench, take: TakeInfo) -> PartsSheet:
    """What is planned for a take, or nothing yet."""
    if bench.network_of(take.number) is None:
        return _bare_sheet(bench, take)
    _, network = planned_network(bench, take)
    draft = draft_of(network, tolerances_percent(network, bench.description.crossover))
    return replace(_bare_sheet(bench, take), draft=draft, kept=True, planned=network)


def _bare_sheet(bench: Bench, take: TakeInfo) -> PartsSheet:
    """The drivers alone, across the terminals."""
    named = {one.of for one in bench.takes if one.subject == "free-air" and one.unit == take.unit and one.of}
    told = {bench.description.driver.name, *bench.description.drivers}
    names = tuple(sorted({*named, *(name for name in told if name)})) or ("woofer",)
    units = {one.unit for one in bench.takes if one.subject == "in-box"}
    first = not any(bench.network_of(one.number) for one in bench.takes if one.subject == "in-box")
    unit = take.unit if len(units) > 1 and not first else None
    state = None if first else take.state
    words = "Keep for all takes" if first else f"Keep from state {take.state} on"
    draft = Draft(tuple(DraftRow(name, INPUT, GROUND, is_driver=True) for name in names))
    return PartsSheet(take, draft, False, words + (f", unit {unit}" if unit else ""), state, unit, names, bench.name)


VIEW = _Network()
