"""The verdict of a check in one sentence, and what the terminals cannot tell."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stillbox.analysis.bench import Bench
from stillbox.analysis.checking.at_the_clips import AtTheClips
from stillbox.analysis.checking.expected import ExpectedSpeaker
from stillbox.analysis.checking.judging import Judged
from stillbox.analysis.checking.result import CheckSuspect, CheckVerdict, Item
from stillbox.analysis.maths.number_words import ohm_words
from stillbox.capture.recording.take import TakeInfo

SURE = 0.995


def verdict_sentence(
    verdict: CheckVerdict,
    items: Sequence[Item],
    suspects: Sequence[CheckSuspect],
    stop: CheckSuspect | None,
    against: str,
    judged: Judged | None,
) -> str:
    """May an amplifier be connected, and what is wrong first."""
    compared = f"set against {against}"
    if verdict == "good":
        least = next((item for item in items if item.name == "lowest impedance"), None)
        lowest = "" if least is None or least.measured is None else f", lowest impedance {ohm_words(least.measured)}"
        return f"Good: nothing wrong was found{lowest}; {compared}."
    bad = [item for item in items if item.verdict == verdict]
    first = stop or (suspects[0] if suspects else None)
    if first is None:
        names = ", ".join(item.name for item in bad)
        what = f"{names} outside the limits"
    else:
        chance = f"{100 * first.probability:.0f} %" if first.probability < SURE else "more than 99 %"
        seen = first.kind in ("open", "short", "intermittent")
        what = first.words if seen else f"{first.words} (probability {chance})"
        if stop is None and judged is not None and judged.second is not None and len(suspects) > 1:
            what = f"{what}, and {suspects[1].words}"
    if verdict == "stop":
        why = what
        if stop is not None:
            why = f"the tweeter seems to be without its series capacitor: {what}"
        elif first is None or first.kind not in ("short",):
            least = next((item for item in bad if item.name == "lowest impedance"), None)
            if least is not None and least.measured is not None:
                why = f"the impedance falls to {ohm_words(least.measured)}" + ("" if first is None else f"; {what}")
        return f"Stop, do not connect an amplifier: {why}; {compared}."
    return f"Look at this before you go on: {what}; {compared}."


def not_checked(
    bench: Bench, take: TakeInfo, clips: AtTheClips, expected: ExpectedSpeaker | None, against: str
) -> Iterator[str]:
    """What was not looked at, each with the measurement that would tell."""
    drivers = 2 if expected is None else len(expected.network.drivers)
    if drivers > 1 or expected is None:
        yield (
            "polarity of the drivers against each other: impedance is the same both ways; sweep with a microphone at "
            "the listening place, or hold a battery of 1.5 V to each driver alone and see which way its cone moves"
        )
    yield (
        f"a rub beyond the excursion of this sweep ({excursion_words(bench, take)}): play a tone of 20 to 40 Hz at the "
        "level of use, little by little, and listen"
    )
    yield "sound pressure, direction and whether grille or screws buzz at level: a sweep with a microphone"
    if not clips.connected:
        yield "driver, box, crossover, roughness: nothing of them shows at these clips; mend that and sweep again"
        return
    if expected is None:
        yield (
            f"tuning, leak, stuffing and the driver: {against} does not tell them; sweep the other unit, or a state "
            "that is known to be right before this one"
        )
    elif not expected.network.parts and not take.of:
        doubt = expected.doubts[0] if expected.doubts else "no netlist is kept"
        yield f"parts of the crossover ({doubt}): keep its netlist with 'stillbox crossover BUILD --netlist FILE'"
    yield "new resonances of walls: compare with 'stillbox compare', which looks at each one alone"


def excursion_words(bench: Bench, take: TakeInfo) -> str:
    """How far the cone went, as far as that is known."""
    return "not known in mm here: that needs the volts of the output and a take of added-mass"
