"""The sentence with which findings, comparison, box, window and report open: what matters, what next, what it cost."""

from __future__ import annotations

from collections.abc import Sequence

from stillbox.analysis.impedance.findings import Cause, Finding, FindingsReport
from stillbox.analysis.impedance.held_cone import held_motional_hz
from stillbox.analysis.maths.number_words import frequency_words, ratio_words
from stillbox.analysis.ringing.comparison import Change, Comparison
from stillbox.analysis.ringing.ringing import FIRST, good_enough, in_order, to_be_treated

_CAUSE_WORDS: dict[Cause, str] = {"undecided": "cause not decided"}
_DOUBTED = "Next: look for what is wrong in the crossover: before that these numbers are not to be trusted."
_WORSE: dict[str, str] = {"new": "is new", "grown": "has grown"}


def summary_of_findings(report: FindingsReport) -> str:
    """One state: what rings out longest, whether that is good enough, what next, and where the box is tuned."""
    found = in_order(report)
    enough = good_enough(report)
    if enough and report.is_doubted:
        return f"{_DOUBTED} {tuning_words(report)}."
    if enough:
        return f"Good enough: {enough}. Next: listen, or do the other unit. {tuning_words(report)}."
    target, _ = to_be_treated(report)[0]
    first = [f"{_named(finding)}, {1000 * seconds:.0f} ms" for finding, seconds in found[:FIRST] if seconds > 0]
    rest = len(found) - len(first)
    more = f"; {rest} more behind" if rest else ""
    return f"Rings longest: {'; '.join(first)}{more}. {_next_words(target, found[0][0])} {tuning_words(report)}."


def summary_of_comparison(
    comparison: Comparison, before: FindingsReport, after: FindingsReport, cost: str = "", to_mend: str = ""
) -> str:
    """Two states: what became of what mattered, whether anything is new, what it cost in bass, what next.

    Parameters
    ----------
    comparison : Comparison
    before, after : FindingsReport
        Of the two states.
    cost : str
        What the work cost in bass, in words; empty where it is not known.
    to_mend : str
        What is wrong in the crossover of the later state, as a clause; empty where nothing is known of that.
    """
    changes = order_of_changes(comparison.changes, before, after)
    known = [change for change in changes if change.verdict != "new"]
    grown = [change for change in known[FIRST:] if change.verdict == "grown"]
    parts = [_change_words(change) for change in (*known[:FIRST], *(one for one in grown if _heard(one, after)))]
    parts += _small_words([change for change in grown if not _heard(change, after)])
    parts += [_new_words(comparison) if changes else "no resonance in either", *([cost] if cost else [])]
    told = f"From {comparison.before} to {comparison.after}: {', '.join(parts)}."
    if to_mend:
        return f"{told} Next: mend the crossover, for {to_mend}."
    if before.is_doubted or after.is_doubted:
        return f"{told} {_DOUBTED}"
    return f"{told} {_next_after(changes, after, of_one_unit=before.unit == after.unit)}"


def _next_after(changes: Sequence[Change], after: FindingsReport, of_one_unit: bool) -> str:
    worse = [change for change in changes if change.verdict in _WORSE and _heard(change, after)]
    if worse:
        place, what = frequency_words(worse[0].frequency_hz), _WORSE[worse[0].verdict]
        return f"Next: look at {place}, which {what}, before you go on."
    enough = good_enough(after)
    if enough:
        return f"Good enough: {enough}. Next: {'listen, then do the other unit' if of_one_unit else 'listen to both'}."
    target, _ = to_be_treated(after)[0]
    return _next_words(target, None)


def _heard(change: Change, after: FindingsReport) -> bool:
    """Whether what is new or has grown rings out long enough to matter."""
    if change.after is None:
        return False
    here_hz, width = change.after.resonance.frequency_hz, 1 / change.after.resonance.q
    return any(abs(one.resonance.frequency_hz / here_hz - 1) < width for one, _ in to_be_treated(after))


def _small_words(grown: Sequence[Change]) -> list[str]:
    """Of those that have grown and yet do not matter by the rule of what is good enough."""
    if not grown:
        return []
    places = ", ".join(frequency_words(one.frequency_hz) for one in grown[:FIRST])
    more = f" and {len(grown) - FIRST} more" if len(grown) > FIRST else ""
    have, are = ("one has", "is") if len(grown) == 1 else (f"{len(grown)} have", "are")
    return [f"{have} grown but {are} still good enough ({places}{more})"]


def _change_words(change: Change) -> str:
    place = frequency_words(change.frequency_hz)
    if change.before is not None and change.after is not None and change.verdict in ("reduced", "grown"):
        return f"{place} {ratio_words(change.after.resonance.height_ohm / change.before.resonance.height_ohm)}"
    if change.verdict == "moved" and change.after is not None:
        return f"{place} moved to {frequency_words(change.after.resonance.frequency_hz)}"
    return f"{place} {change.verdict_words}"


def _new_words(comparison: Comparison) -> str:
    """Whether anything is new, and up to where that could have been seen."""
    new = [change.frequency_hz for change in comparison.changes if change.verdict == "new"]
    if new:
        listed = ", ".join(frequency_words(one) for one in new[:FIRST])
        return f"new: {listed}" + (f" and {len(new) - FIRST} more" if len(new) > FIRST else "")
    unseen = [one.frequency_hz for one in comparison.changes if one.verdict_words == "cannot be told"]
    return f"nothing new below {frequency_words(min(unseen))}" if unseen else "nothing new"


def _named(finding: Finding) -> str:
    return f"{frequency_words(finding.resonance.frequency_hz)} ({_CAUSE_WORDS.get(finding.cause, finding.cause)})"


def _next_words(target: Finding, longest: Finding | None) -> str:
    """What to begin with."""
    first = target.next_step or target.advice.rstrip(".")
    told = target is longest or frequency_words(target.resonance.frequency_hz) in first
    place = "" if told else f" for {_named(target)}"
    return f"Next{place}: {first[:1].lower() + first[1:]}."


def tuning_words(report: FindingsReport) -> str:
    """Where box or driver are tuned."""
    peaks = report.fit.motional
    if len(peaks) == 2:
        return f"Vented, tuned to {frequency_words(held_motional_hz(report.fit))}"
    if len(peaks) == 1:
        return f"Closed or free: one peak at {frequency_words(peaks[0].frequency_hz)}"
    return "No fundamental peak found"


def order_of_changes(changes: Sequence[Change], before: FindingsReport, after: FindingsReport) -> tuple[Change, ...]:
    """Changes by how long their resonance rings out of its surroundings in the state where it does so longer."""
    rings = [_seconds_by_frequency(report) for report in (before, after)]

    def longest(change: Change) -> tuple[float, float]:
        seconds = heights = 0.0
        for finding, known in zip((change.before, change.after), rings, strict=True):
            if finding is not None:
                resonance = finding.resonance
                near = [s for hz, s in known if abs(hz / resonance.frequency_hz - 1) < 0.5 / resonance.q]
                seconds, heights = max([seconds, *near]), max(heights, resonance.height_ohm)
        return seconds, heights

    return tuple(sorted(changes, key=longest, reverse=True))


def first_changes(changes: Sequence[Change]) -> list[Change]:
    """Those that are shown first, of changes in order: the first few, and whatever is new or has grown."""
    return [change for place, change in enumerate(changes) if place < FIRST or change.verdict in _WORSE]


def listed_changes(changes: Sequence[Change], before: FindingsReport, after: FindingsReport) -> tuple[Change, ...]:
    """All changes in the order in which they are shown: `first_changes` first, then the others."""
    ordered = order_of_changes(changes, before, after)
    first = first_changes(ordered)
    return (*first, *(change for change in ordered if change not in first))


def _seconds_by_frequency(report: FindingsReport) -> list[tuple[float, float]]:
    """Frequency of each finding, and the seconds for which it rings out."""
    return [(finding.resonance.frequency_hz, seconds) for finding, seconds in in_order(report)]
