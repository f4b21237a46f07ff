"""The check of a finished speaker: from a build to the verdict."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.checking.at_the_clips import at_the_clips, rest_of
from stillbox.analysis.checking.check_sentence import not_checked, verdict_sentence
from stillbox.analysis.checking.expected import ExpectedSpeaker, expected_speaker
from stillbox.analysis.checking.judging import Judged, judged_speaker
from stillbox.analysis.checking.of_the_plan import of_the_plan
from stillbox.analysis.checking.of_the_speaker import items_of, stops, suspects_of
from stillbox.analysis.checking.result import CheckReport, worst
from stillbox.analysis.checking.roughness import roughness
from stillbox.analysis.reference_take import ReferenceTake, reference_take, words_of_take
from stillbox.analysis.sweeps.sweep_rest import SweepRest
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo, fitting_takes


@dataclass(frozen=True)
class SetAgainst:
    """What a take is set against: another take, or the plan alone."""

    reference: ReferenceTake | None
    words: str


def check_report(
    bench: Bench, state: str | None = None, unit: str | None = None, against: str | None = None
) -> CheckReport:
    """The check of the newest take in the box of a state and unit.

    Parameters
    ----------
    against : str, optional
        See `reference_take`; left out: the plan, with the other unit or else an earlier state for what no plan tells.
    """
    take = bench.in_box(state, unit)
    return check_of_take(bench, take, set_against(bench, take, against))


def set_against(bench: Bench, take: TakeInfo, against: str | None) -> SetAgainst:
    """What a take is set against.

    Raises
    ------
    StillboxError
        If what is asked for is not there, or is the take itself.
    """
    planned = take.of == "" and bench.network_of(take.number) is not None
    if against is not None:
        found = reference_take(bench, against, take.unit)
        if found.bench is bench and found.take.number == take.number:
            raise StillboxError(
                f"take {take.number} cannot be set against itself", "name another state, unit or take with --against"
            )
        return SetAgainst(found, found.words)
    other = _usual_reference(bench, take)
    if other is None:
        return SetAgainst(None, "the plan" if planned else "nothing")
    kind = "the other unit" if other.unit != take.unit else "an earlier state"
    words = f"{kind}, {words_of_take(other)}"
    return SetAgainst(ReferenceTake(bench, other, words), f"the plan and {words}" if planned else words)


def _usual_reference(bench: Bench, take: TakeInfo) -> TakeInfo | None:
    """The other unit's take, of the same state if there is one, else that of an earlier state."""
    swept = [one for one in fitting_takes(bench.takes, "in-box", of=take.of or "-") if one.number != take.number]
    others = [one for one in swept if one.unit != take.unit]
    alike = [one for one in others if one.state == take.state]
    earlier = [one for one in swept if one.unit == take.unit and one.number < take.number]
    return next((some[-1] for some in (alike, others, earlier) if some), None)


def check_of_take(bench: Bench, take: TakeInfo, against: SetAgainst) -> CheckReport:
    """The check of one take."""
    least = None
    if against.reference is not None:
        least = float(np.min(np.abs(_clips_ohm(against.reference))))
    clips = at_the_clips(bench, take, least)
    items, suspects = list(clips.items), list(clips.suspects)
    doubts: list[str] = []
    expected = judged = network = None
    if clips.connected and not suspects:
        if against.reference is not None:
            expected, judged = _judged(bench, take, against.reference)
            items += items_of(expected, judged, f"against {against.words}")
            suspects += suspects_of(expected, judged)
            doubts += expected.doubts
            network = expected.network
        else:
            planned = of_the_plan(bench, take)
            items += planned.items
            suspects += planned.suspects
            doubts += planned.doubts
            network = planned.network
        rough, suspect = roughness(
            clips.rest, _other_rest(against), clips.frequency_hz, clips.impedance_ohm, bench.settings.reference_ohm
        )
        items.append(rough)
        if suspect is not None:
            suspects.append(suspect)
    stop = None if network is None else stops(network, suspects)
    verdict = "stop" if stop is not None else worst(item.verdict for item in items)
    if verdict == "good" and suspects:
        verdict = "look"
    return CheckReport(
        build=bench.name,
        take=take,
        against=against.words,
        verdict=verdict,
        sentence=verdict_sentence(verdict, items, suspects, stop, against.words, judged),
        items=tuple(items),
        suspects=tuple(suspects),
        not_checked=tuple(not_checked(bench, take, clips, expected, against.words)),
        warnings=tuple(dict.fromkeys((*take.flags, *bench.at_clips(take).warnings, *doubts))),
    )


def _judged(bench: Bench, take: TakeInfo, reference: ReferenceTake) -> tuple[ExpectedSpeaker, Judged]:
    def both() -> tuple[ExpectedSpeaker, Judged]:
        expected = expected_speaker(bench, take, reference)
        return expected, judged_speaker(expected)

    return bench.kept("judged speaker", (take, reference.take, str(reference.bench.build.path)), both)


def _clips_ohm(reference: ReferenceTake) -> np.ndarray:
    spectrum = reference.bench.at_clips(reference.take)
    inside = (spectrum.frequency_hz > 20) & (spectrum.frequency_hz < 20_000)
    ohm: np.ndarray = spectrum.impedance_ohm[inside]
    return ohm


def _other_rest(against: SetAgainst) -> SweepRest | None:
    one = against.reference
    return None if one is None else rest_of(one.bench, one.take)

