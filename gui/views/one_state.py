"""One take: impedance above, heights of the resonances, decay below, each resonance a mark through all."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from stillbox.analysis.calibration_report import calibration_report, resistor_check
from stillbox.analysis.curve.topic import CURVE, CurveReport
from stillbox.analysis.decay.topic import DECAY, DecayReport
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.drawing.pictures import PicturedState, picture_of_curve, picture_of_findings
from stillbox.analysis.impedance.findings import Finding, FindingsReport
from stillbox.analysis.impedance.repeatability import bare_driver_findings
from stillbox.analysis.page.write_up import write_build_report
from stillbox.analysis.ringing.ringing import FIRST, in_order
from stillbox.analysis.ringing.summary import summary_of_findings
from stillbox.analysis.waterfall.decay import CumulativeDecay
from stillbox.analysis.waterfall.decay_response import DecayResponse, decay_on_log_grid
from stillbox.calibration.load_proof import no_proof
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import PAGE
from stillbox.gui.parts.words import RESONANCE_TIP, SUBJECT_WORDS, sentence_of_fit, take_words
from stillbox.gui.results.exports import files_of
from stillbox.gui.results.finding_rows import driver_row, finding_row
from stillbox.gui.results.view import Export, Results, View, Wish

if TYPE_CHECKING:
    from stillbox.analysis.bench import Bench
    from stillbox.capture.recording.take import TakeInfo

SLICES = 120
CYCLES = np.linspace(0.0, 30.0, SLICES - 1)


@dataclass(frozen=True)
class Decays:
    """The decay of one take, in the form that is asked for; the bench keeps each, for all lanes."""

    bench: Bench
    response: DecayResponse
    span_s: float

    def of(self, wish: Wish) -> CumulativeDecay:
        def made() -> CumulativeDecay:
            if wish.cycles:
                return decay_on_log_grid(self.response, cycles=CYCLES)
            return decay_on_log_grid(self.response, slices=SLICES, span_s=self.span_s)

        return self.bench.kept("drawn decay", (wish.cycles, self.span_s), made, self.response)


@dataclass(frozen=True)
class OneState:
    """What is known of the take; ``alone`` is what rings in a driver without a box."""

    measured: CurveReport | None = None
    alone: tuple[Finding, ...] = ()
    findings: FindingsReport | None = None
    decays: Decays | None = None
    report: Callable[[Path], None] | None = None


class _OneState(View):
    key = "take"
    title = "This take"
    tip = "Impedance, resonances with their causes, and decay of the take that is selected."
    takes = 1
    needs = "one take"
    list_tip = RESONANCE_TIP

    def compute(self, bench: Bench, takes: Sequence[TakeInfo]) -> Iterator[Results]:
        (take,) = takes
        title = f"{bench.name}, {take_words(take)}"
        if take.subject in ("channel-match", "open", "short", "microphone"):
            yield Results(_words_of_standard(bench, take), title=title, data=OneState())
            return
        curve = bench.curve(take)
        measured = CurveReport(bench, take, curve)
        base = Results("", notes=curve.warnings, title=title, data=OneState(measured))
        if take.subject in ("load", "check-resistor", "part"):
            yield replace(base, sentence=_words_of_resistor(bench, take))
            return
        if take.subject != "in-box":
            fit = bench.fit(take)
            alone = bare_driver_findings(fit) if take.subject == "free-air" else ()
            in_box = bench.newest("in-box", unit=take.unit) is not None
            yield replace(
                base,
                sentence=sentence_of_fit(take, fit, in_box),
                rows=tuple(driver_row(one, fit.detection_limit) for one in alone),
                data=OneState(measured, alone),
            )
            return
        if not bench.is_fitted(take):
            yield replace(base, sentence="Looking for resonances …", complete=False, passing=True)
        report = bench.findings_of(take)
        found = replace(
            base,
            sentence=summary_of_findings(report),
            rows=tuple(finding_row(finding, seconds, report.detection_limit) for finding, seconds in in_order(report)),
            first=FIRST,
            notes=report.warnings,
            data=OneState(measured, findings=report, report=partial(write_build_report, bench, takes)),
            complete=False,
        )
        yield found
        try:
            response = bench.decay(take)
        except StillboxError as error:
            yield replace(found, notes=(*found.notes, f"no decay: {error}"), complete=True)
            return
        decays = Decays(bench, response, response.suggested_span_s)
        decays.of(Wish())
        yield replace(
            found, notes=(*found.notes, *response.reasons), data=replace(found.data, decays=decays), complete=True
        )

    def picture(self, results: Results, wish: Wish) -> PictureDescription | None:
        data: OneState = results.data
        if data.measured is None:
            return None
        if data.findings is None:
            return picture_of_curve(results.title, data.measured.curve, data.alone)
        decay = None if data.decays is None else data.decays.of(wish)
        state = PicturedState("", data.measured.curve, data.findings, decay)
        return picture_of_findings(results.title, [state], decay_style=wish.decay_style, ends_hz=results.ends_hz)

    def exports(self, results: Results, wish: Wish) -> list[Export]:
        data: OneState = results.data
        if data.measured is None:
            return []
        found = [Export("Report of this take", PAGE.suffixes, data.report)] if data.report is not None else []
        found += files_of(CURVE, data.measured)
        if data.decays is not None:
            found += files_of(DECAY, DecayReport(data.measured.bench, data.measured.take, wish.cycles))
        return found


def _words_of_standard(bench: Bench, take: TakeInfo) -> str:
    title = SUBJECT_WORDS[take.subject][0]
    if take.subject == "microphone":
        return f"{title}, take {take.number}: recorded. Its response is not drawn yet."
    said = "; ".join(calibration_report(bench)[:2])
    return f"{title}, take {take.number}: kept. The jig is now {said}."


def _words_of_resistor(bench: Bench, take: TakeInfo) -> str:
    if take.load_ohm is None:
        return f"{SUBJECT_WORDS[take.subject][0]}, take {take.number}: its impedance is drawn below."
    sentence = str(no_proof(take)) if take.subject == "load" else resistor_check(bench, take).sentence
    return sentence[:1].upper() + sentence[1:].rstrip(".") + "."


VIEW = _OneState()
