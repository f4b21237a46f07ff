"""Two takes of one speaker: both curves, their difference, both decays, and the verdict on each resonance."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from stillbox.analysis.comparison.opening import opening_of
from stillbox.analysis.crossover.built import as_built
from stillbox.analysis.crossover.revision import revision_of
from stillbox.analysis.curve.topic import CURVE, CurveReport
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.drawing.pictures import PicturedState, picture_of_findings
from stillbox.analysis.impedance.findings import FindingsReport
from stillbox.analysis.maths.quantity import value_text
from stillbox.analysis.page.write_up import write_build_report
from stillbox.analysis.ringing.comparison import Change, Comparison
from stillbox.analysis.ringing.result_words import BEYOND_DOUBT, told_text
from stillbox.analysis.ringing.summary import first_changes, listed_changes
from stillbox.analysis.watched_build import told_apart
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import PAGE
from stillbox.gui.parts.words import RESONANCE_TIP, frequency_words, ohm_words
from stillbox.gui.results.exports import files_of
from stillbox.gui.results.view import Export, Results, Row, View, Wish
from stillbox.gui.views.one_state import Decays

if TYPE_CHECKING:
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

    measured: tuple[CurveReport, CurveReport]
    reports: tuple[FindingsReport, FindingsReport]
    comparison: Comparison
    report: Callable[[Path], None]
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
        bench = as_built(bench, takes)
        names = told_apart(before, after)
        comparison = bench.comparison_of(before, after)
        reports = bench.findings_of(before), bench.findings_of(after)
        first, second = (
            CurveReport(bench, take, bench.curve(take), name) for take, name in zip(takes, names, strict=True)
        )
        report = partial(write_build_report, bench, takes)
        rows = listed_changes(comparison.changes, *reports)
        revision = revision_of(bench, takes, comparison)
        changed = () if revision is None else revision.sentences[:1]
        explained = {} if revision is None else revision.explained
        data = TwoStates((first, second), reports, comparison, report)
        found = Results(
            opening_of(bench, takes, cost=""),
            tuple(change_row(change, explained.get(change.frequency_hz, "")) for change in rows),
            (*changed, *comparison.tuning, *comparison.room_words, *comparison.warnings),
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

    def picture(self, results: Results, wish: Wish) -> PictureDescription:
        data: TwoStates = results.data
        decays = (None, None) if data.decays is None else tuple(decay.of(wish) for decay in data.decays)
        states = [
            PicturedState(one.name, one.curve, report, decay)
            for one, report, decay in zip(data.measured, data.reports, decays, strict=True)
        ]
        return picture_of_findings(
            results.title,
            states,
            data.comparison,
            decay_style=wish.decay_style,
            ends_hz=results.ends_hz,
            difference=True,
        )

    def exports(self, results: Results, wish: Wish) -> list[Export]:
        data: TwoStates = results.data
        report = Export("Report of both takes", PAGE.suffixes, data.report)
        return [report, *(export for one in data.measured for export in files_of(CURVE, one))]


def change_row(change: Change, explained: str = "") -> Row:
    """What became of one resonance, as a line of the list; ``explained`` by a change of the crossover."""
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
    details += [explained] if explained else []
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
