"""Two takes of one speaker: both curves, their difference, both decays, and the verdict on each resonance."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from stillbox.analysis.comparison.opening import opening_of
from stillbox.analysis.curve.curve_files import write_curve_csv, write_touchstone
from stillbox.analysis.drawing.picture_curves import draw_difference, magnitude_difference
from stillbox.analysis.drawing.picture_marks import Mark, marks_of_changes
from stillbox.analysis.drawing.picture_style import AFTER, BEFORE, TEXT_PT
from stillbox.analysis.drawing.pictures import PicturedState, picture_of_findings
from stillbox.analysis.impedance.findings import FindingsReport
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.maths.quantity import value_text
from stillbox.analysis.page.write_up import write_build_report
from stillbox.analysis.ringing.comparison import Change, Comparison
from stillbox.analysis.ringing.result_words import BEYOND_DOUBT, told_text
from stillbox.analysis.ringing.summary import first_changes, listed_changes
from stillbox.analysis.watched_build import told_apart
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import PAGE
from stillbox.gui.parts.words import RESONANCE_TIP, frequency_words, ohm_words
from stillbox.gui.results.panel_drawing import decay_panel, heights_panel, impedance_panel
from stillbox.gui.results.view import Curve, Export, PanelRequest, Results, Row, View, Wish
from stillbox.gui.views.one_state import Decays

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from stillbox.analysis.bench import Bench
    from stillbox.capture.recording.take import TakeInfo

VERDICT_WORDS = {
    "gone": "gone: it would have been seen",
    "reduced": "reduced",
    "unchanged": "unchanged",
    "grown": "grown",
    "new": "new: it would have been seen before",
    "moved": "moved",
    "cannot be told": "cannot be told: it is missing in one of both, but could not have been seen there",
}


@dataclass(frozen=True)
class TwoStates:
    """What is known of both."""

    names: tuple[str, str]
    curves: tuple[ImpedanceCurve, ImpedanceCurve]
    reports: tuple[FindingsReport, FindingsReport]
    comparison: Comparison
    report: Callable[[Path], None]
    marked: tuple[Mark, ...]
    decays: tuple[Decays, Decays] | None = None


class _TwoStates(View):
    key = "compare"
    title = "Compare"
    tip = "Two takes in the box: what is gone, reduced, unchanged, grown or new."
    takes = 2
    needs = "two takes in the box (Ctrl and a click adds one)"
    list_tip = RESONANCE_TIP

    def fits(self, takes: Sequence[TakeInfo]) -> bool:
        return len(takes) == 2 and all(take.subject == "in-box" for take in takes)

    def compute(self, bench: Bench, takes: Sequence[TakeInfo]) -> Iterator[Results]:
        before, after = takes
        names = told_apart(before, after)
        comparison = bench.comparison_of(before, after)
        reports = bench.findings_of(before), bench.findings_of(after)
        curves = bench.curve(before), bench.curve(after)
        report = partial(write_build_report, bench, takes)
        rows = listed_changes(comparison.changes, *reports)
        data = TwoStates(names, curves, reports, comparison, report, marks_of_changes(rows))
        found = Results(
            opening_of(bench, takes, cost=""),
            tuple(change_row(change) for change in rows),
            (*comparison.tuning, *comparison.room_words, *comparison.warnings),
            f"{bench.name}, {before.unit}: {names[0]} and {names[1]}",
            data=data,
            complete=False,
            first=len(first_changes(rows)),
        )
        yield found
        try:
            responses = [bench.decay(take) for take in takes]
        except StillboxError as error:
            found = replace(found, notes=(*found.notes, f"no decay: {error}"))
            yield replace(found, sentence=opening_of(bench, takes), complete=True)
            return
        span_s = max(response.suggested_span_s for response in responses)
        decays = (Decays(bench, responses[0], span_s), Decays(bench, responses[1], span_s))
        for decay in decays:
            decay.of(Wish())
        found = replace(found, data=replace(data, decays=decays))
        yield found
        # What the work cost in bass takes fits of both boxes: last, for it is only words.
        yield replace(found, sentence=opening_of(bench, takes), complete=True)

    def marks(self, results: Results) -> Sequence[Mark]:
        data: TwoStates = results.data
        return data.marked

    def panels(self, results: Results, wish: Wish) -> list[PanelRequest]:
        data: TwoStates = results.data
        styles = (BEFORE, AFTER)
        named = list(zip(data.names, data.curves, styles, strict=True))
        limits = [
            (name, report.detection_limit, style)
            for name, report, style in zip(data.names, data.reports, styles, strict=True)
        ]
        found = [
            impedance_panel(named, share=2.4),
            _difference_panel(data),
            heights_panel(self.marks(results), limits, share=1.1),
        ]
        if data.decays is not None:
            for decay, name, style in zip(data.decays, data.names, styles, strict=True):
                found.append(decay_panel(decay.of(wish), style, wish, name, share=1.9))
        return found

    def paper(self, results: Results, wish: Wish) -> Figure:
        data: TwoStates = results.data
        decays = (None, None) if data.decays is None else tuple(decay.of(wish) for decay in data.decays)
        states = [
            PicturedState(name, curve, report, decay)
            for name, curve, report, decay in zip(data.names, data.curves, data.reports, decays, strict=True)
        ]
        return picture_of_findings(results.title, states, data.comparison, decay_style=wish.decay_style)

    def exports(self, results: Results, wish: Wish) -> list[Export]:
        data: TwoStates = results.data
        found = [Export("Report of both takes", PAGE.suffixes, data.report)]
        for name, curve in zip(data.names, data.curves, strict=True):
            comment = f"{results.title}: {name}"
            found += [
                Export(f"Impedance of {name} as a table", (".csv",), partial(_write_table, curve)),
                Export(
                    f"Impedance of {name} for simulators (Touchstone)",
                    (".z1p", ".s1p"),
                    partial(_write_touchstone, curve, comment),
                ),
            ]
        return found


def _write_table(curve: ImpedanceCurve, path: Path) -> None:
    write_curve_csv(path, curve)


def _write_touchstone(curve: ImpedanceCurve, comment: str, path: Path) -> None:
    write_touchstone(path, curve, comment)


def _difference_panel(data: TwoStates) -> PanelRequest:
    def draw(axes: Axes) -> None:
        draw_difference(axes, *data.curves, AFTER)
        # The panel is low: zero and every second decade are enough.
        steps = np.asarray(axes.yaxis.get_major_locator()())
        powers = np.log10(np.abs(steps), where=steps != 0, out=np.zeros_like(steps))
        axes.set_yticks(steps[(steps == 0) | (np.rint(powers - powers[steps != 0].max()) % 2 == 0)])
        axes.set_ylabel("Change, Ω", fontsize=TEXT_PT)

    frequency_hz, difference, _ = magnitude_difference(*data.curves)
    read = Curve("change", frequency_hz, difference, lambda value: ("+" if value > 0 else "") + ohm_words(value))
    return PanelRequest(1.3, draw, (read,), least_px=64)


def change_row(change: Change) -> Row:
    """What became of one resonance, as a line of the list."""
    named = change.before or change.after
    heights = [
        f"height {when} {value_text(finding.resonance.height_ohm, finding.height_std_ohm, 'Ω')}"
        for when, finding in (("before", change.before), ("after", change.after))
        if finding is not None
    ]
    details = [VERDICT_WORDS[change.verdict_words]]
    if np.isfinite(change.significance):
        of_uncertainty = "" if abs(change.significance) >= BEYOND_DOUBT else " its standard uncertainty"
        details.append(f"the change: {told_text(change.significance)}{of_uncertainty}")
    if np.isfinite(change.detection_limit_ohm):
        details.append(f"a resonance of this Q is seen there from {ohm_words(change.detection_limit_ohm)} on")
    details += [] if named is None else list(named.evidence)
    cause = "undecided" if named is None else named.cause
    left = change.after is not None and named is not None
    return Row(
        change.frequency_hz,
        cause,
        f"{frequency_words(change.frequency_hz)} {cause}",
        f"{change.verdict_words}: "
        + " → ".join(
            "–" if finding is None else ohm_words(finding.resonance.height_ohm)
            for finding in (change.before, change.after)
        ),
        tuple(heights),
        tuple(details),
        named.advice if left and named is not None else "",
    )


VIEW = _TwoStates()
