"""One take: impedance above, heights of the resonances, decay below, each resonance a mark through all."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from stillbox.analysis.calibration_report import calibration_report
from stillbox.analysis.curve.curve_files import write_curve_csv, write_touchstone
from stillbox.analysis.decay.decay_files import write_decay_csv
from stillbox.analysis.drawing.picture_marks import Mark, marks_of_driver, marks_of_findings
from stillbox.analysis.drawing.picture_style import ALONE, HIGHEST_HZ, LOWEST_HZ
from stillbox.analysis.drawing.pictures import PicturedState, picture_of_curve, picture_of_findings
from stillbox.analysis.impedance.findings import FindingsReport
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.impedance.repeatability import bare_driver_findings
from stillbox.analysis.page.write_up import write_build_report
from stillbox.analysis.ringing.ringing import FIRST, in_order, listed
from stillbox.analysis.ringing.summary import summary_of_findings
from stillbox.analysis.waterfall.decay import CumulativeDecay
from stillbox.analysis.waterfall.decay_response import DecayResponse, decay_on_log_grid
from stillbox.calibration.load_proof import no_proof
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import PAGE
from stillbox.gui.parts.words import RESONANCE_TIP, SUBJECT_WORDS, sentence_of_fit, take_words
from stillbox.gui.results.panel_drawing import decay_panel, driver_row, finding_row, heights_panel, impedance_panel
from stillbox.gui.results.view import Export, PanelRequest, Results, View, Wish

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
    """What is known of the take."""

    take: TakeInfo
    curve: ImpedanceCurve | None = None
    findings: FindingsReport | None = None
    decays: Decays | None = None
    report: Callable[[Path], None] | None = None
    marked: tuple[Mark, ...] = ()


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
            yield Results(_words_of_standard(bench, take), title=title, data=OneState(take))
            return
        curve = bench.curve(take)
        base = Results("", notes=curve.warnings, title=title, data=OneState(take, curve))
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
                data=OneState(take, curve, marked=marks_of_driver([one.resonance for one in alone])),
            )
            return
        if not bench.is_fitted(take):
            yield replace(base, sentence="Looking for resonances …", complete=False)
        report = bench.findings_of(take)
        found = replace(
            base,
            sentence=summary_of_findings(report),
            rows=tuple(finding_row(finding, seconds, report.detection_limit) for finding, seconds in in_order(report)),
            first=FIRST,
            notes=report.warnings,
            data=OneState(
                take,
                curve,
                report,
                report=partial(write_build_report, bench, takes),
                marked=marks_of_findings(listed(report)),
            ),
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

    def marks(self, results: Results) -> Sequence[Mark]:
        data: OneState = results.data
        return data.marked

    def panels(self, results: Results, wish: Wish) -> list[PanelRequest]:
        data: OneState = results.data
        if data.curve is None:
            return []
        found = [impedance_panel([("", data.curve, ALONE)])]
        if data.findings is not None:
            found.append(heights_panel(self.marks(results), [("", data.findings.detection_limit, ALONE)]))
        if data.decays is not None:
            found.append(decay_panel(data.decays.of(wish), ALONE, wish))
        return found

    def paper(self, results: Results, wish: Wish) -> Figure:
        data: OneState = results.data
        if data.curve is None:
            raise StillboxError("a take of this subject has no picture", "select a take of a speaker or a part")
        if data.findings is None:
            return picture_of_curve(results.title, data.curve)
        decay = None if data.decays is None else data.decays.of(wish)
        state = PicturedState("", data.curve, data.findings, decay)
        return picture_of_findings(
            results.title, [state], decay_style=wish.decay_style, low_hz=LOWEST_HZ, high_hz=HIGHEST_HZ
        )

    def exports(self, results: Results, wish: Wish) -> list[Export]:
        data: OneState = results.data
        curve, decays = data.curve, data.decays
        if curve is None:
            return []
        found = [
            Export("Impedance as a table", (".csv",), lambda path: write_curve_csv(path, curve)),
            Export(
                "Impedance for simulators (Touchstone)",
                (".z1p", ".s1p"),
                lambda path: write_touchstone(path, curve, results.title),
            ),
        ]
        if data.report is not None:
            found.insert(0, Export("Report of this take", PAGE.suffixes, data.report))
        if decays is not None:
            found.append(Export("Decay as a table", (".csv",), lambda path: write_decay_csv(path, decays.of(wish))))
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
    sentence = str(no_proof(take)) if take.subject == "load" else bench.resistor_check(take).sentence
    return sentence[:1].upper() + sentence[1:].rstrip(".") + "."


VIEW = _OneState()
