"""What the judged curve says of driver, box and crossover: items with their limits, and suspects."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from stillbox.analysis.checking.boxed_driver import NAMES, BoxedDriver, Name
from stillbox.analysis.checking.expected import WHOLE, ExpectedSpeaker
from stillbox.analysis.checking.hypotheses import OTHER_UNIT
from stillbox.analysis.checking.judging import Explanation, Judged
from stillbox.analysis.checking.result import CheckFault, CheckSuspect, CheckVerdict, Item
from stillbox.analysis.checking.series_capacitor import guards
from stillbox.analysis.network.network import Network
from stillbox.analysis.wrong_part.result import Suspect
from stillbox.analysis.wrong_part.suspect_words import fault_words, places_to_look

STDS = 3.0
"""Limits lie so many standard deviations off."""
FAULTY = 0.9
"""Probability of a fault from which on a speaker is looked at."""
SERIOUS = 0.03
"""What is less likely than this part of the likeliest is not named."""
MOST_SUSPECTS = 5
WIRES_OHM = 0.05
"""By which coils, wires and clips of two speakers differ (usual size, common practice)."""
STOPPING = 0.2
"""A tweeter that may be without its capacitor with this probability gets no amplifier."""

BOX_WORDS: dict[str, tuple[str, str]] = {
    "leak": (
        "the box leaks",
        "press the gasket of the driver, the terminal plate and each joint while a tone below the tuning plays; feel "
        "for air; seal and sweep again",
    ),
    "port blocked": (
        "the port is blocked",
        "look into the port: stuffing before its inner mouth, a plug left in it, a tube pressed flat",
    ),
    "no stuffing": (
        "the stuffing or lining is missing, or less than it should be",
        "open the box and look whether stuffing and lining are in it as planned",
    ),
    "other driver": (
        "is a driver of another kind",
        "read the label on the magnet; compare its DC resistance and its resonance with the other one",
    ),
}


def items_of(expected: ExpectedSpeaker, judged: Judged, words: str) -> Iterator[Item]:
    """Numbers of driver and box with their limits, by the likeliest explanation.

    Parameters
    ----------
    words : str
        What the speaker is set against.
    """
    best, known = judged.best, expected.in_box
    told = best if best.of_network is None else judged.planned
    stds = known.stds
    source = limits_from(stds, words)
    blamed = best.kind if _is_faulty(judged) else ""
    yield _dc_item(expected, told, source)
    about = known.known.tuning or known.known.closed_rad_s
    motion = told.in_box.motion_at(told.theta)
    if known.known.tuning:
        if told.kind != "port blocked":
            yield _item("tuning", motion.tuning / 2 / np.pi, about / 2 / np.pi, stds["tuning"], "Hz", source)
        else:
            remedy = BOX_WORDS["port blocked"][1]
            expected_hz = about / 2 / np.pi
            low, high = (expected_hz * float(np.exp(sign * STDS * stds["tuning"])) for sign in (-1, 1))
            yield Item("tuning", "look", None, expected_hz, low, high, "Hz", source, remedy)
    else:
        std = float(np.hypot(np.hypot(stds["mass"], stds["air"]), stds["compliance"]) / 2)
        yield _item("box resonance", motion.closed_rad_s / 2 / np.pi, about / 2 / np.pi, std, "Hz", source)
    for name, title, fault in (("leak", "losses of the box", "leak"), ("air", "stiffness of the air", "no stuffing")):
        value, was = (getattr(one, name) for one in (motion, known.known))
        if name == "leak":
            value, was = about / max(value, 1e-6 * about), about / max(was, 1e-6 * about)
        verdict: CheckVerdict = "look" if blamed == fault else "good"
        std = stds["leak"] if name == "leak" else stds["air"]
        low, high = (was * float(np.exp(sign * STDS * std)) for sign in (-1, 1))
        unit = "Q" if name == "leak" else "1/H"
        remedy = BOX_WORDS[fault][1] if verdict != "good" else ""
        yield Item(title, verdict, float(value), float(was), low, high, unit, source, remedy)
    verdict = "look" if blamed == "other driver" else "good"
    remedy = BOX_WORDS["other driver"][1] if verdict != "good" else ""
    off = _driver_off(told.in_box, told.theta)
    kind = f"{source}; standard deviations by which Re, Bl, mass and suspension are off, rms"
    yield Item("driver", verdict, off, 1.0, 0.0, STDS, "", kind, remedy)
    if expected.network.parts:
        yield _network_item(expected, judged)


def limits_from(stds: Mapping[Name, float], words: str) -> str:
    """Where the limits come from, in words."""
    if stds["re"] == OTHER_UNIT["re"]:
        return (
            f"{words}; {STDS:g} standard deviations of drivers of one kind and of boxes made alike (2 % each, usual "
            "sizes, common practice) and of the tolerances of the parts"
        )
    return (
        f"{words}; {STDS:g} standard deviations of one driver from day to day and of what was meant to change (usual "
        "sizes, common practice)"
    )


def _item(name: str, value: float, expected: float, std: float, unit: str, source: str) -> Item:
    low, high = (expected * float(np.exp(sign * STDS * std)) for sign in (-1, 1))
    inside = low <= value <= high
    remedy = "" if inside else "see the suspects; where there are none, sweep once more"
    return Item(name, "good" if inside else "look", value, expected, low, high, unit, source, remedy)


def _dc_item(expected: ExpectedSpeaker, told: Explanation, source: str) -> Item:
    """DC resistance at the clips: what the lowest frequencies show without the moving cone."""
    hz, ohm = expected.curve.frequency_hz, expected.curve.impedance_ohm
    some = hz < 2 * hz[0]
    here, was = told.in_box, expected.in_box
    moving = here.moving_at(told.theta)
    dc = float(np.median((ohm - moving).real[some]))
    known = expected.known_dc_ohm
    std = float(np.hypot(was.stds["re"] * was.resistance_ohm, WIRES_OHM) / known)
    return _item("DC resistance", dc, known, std, "ohm", f"{source}; coils and wires before it as planned")


def _driver_off(in_box: BoxedDriver, theta: np.ndarray) -> float:
    """How far a driver is off its kind, in standard deviations of good ones, rms."""
    names: tuple[Name, ...] = ("re", "bl", "mass", "compliance")
    usual = np.array([theta[NAMES.index(name)] * in_box.stds[name] / OTHER_UNIT[name] for name in names])
    return float(np.sqrt(np.mean(usual**2)))


def _network_item(expected: ExpectedSpeaker, judged: Judged) -> Item:
    wrong = (judged.best.of_network is not None and _is_faulty(judged)) or judged.second is not None
    planned, best = judged.planned, judged.best
    source = "tolerances of the parts and what the drivers may be: the misfit that noise and model leave"
    remedy = "see the suspects: look at these parts first" if wrong else ""
    low = float(planned.off_percent if wrong else best.off_percent)
    expected_percent = float(planned.off_percent / max(planned.reduced, 1e-9) ** 0.5)
    return Item("crossover", "look" if wrong else "good", low, expected_percent, None, None, "%", source, remedy)


def _is_faulty(judged: Judged) -> bool:
    return judged.planned_probability < 1 - FAULTY


def suspects_of(expected: ExpectedSpeaker, judged: Judged) -> list[CheckSuspect]:
    """Everything that is likely, the likeliest first; a second one that belongs to it right behind it."""
    if not _is_faulty(judged):
        return []
    found = []
    least = SERIOUS * judged.probability[0]
    for one, probability in zip(judged.explanations, judged.probability, strict=True):
        if one.kind and probability >= least:
            found.append(_suspect(expected, judged, one, probability))
            if len(found) == 1 and judged.second is not None:
                found.append(_suspect(expected, judged, judged.second, probability))
    return found[:MOST_SUSPECTS]


def _suspect(expected: ExpectedSpeaker, judged: Judged, one: Explanation, probability: float) -> CheckSuspect:
    better = (
        f"with that the curve is met to {one.off_percent:.2g} %, with nothing wrong to "
        f"{judged.planned.off_percent:.2g} % at best"
    )
    if one.of_network is not None:
        wrong = one.of_network
        loss = wrong.kind == "loss"
        told = Suspect(wrong, None if loss else one.value, None, one.value if loss else None, None, probability)
        words = fault_words(told, expected.network)
        remedy = "; ".join(places_to_look(wrong, expected.network))
        if wrong.kind == "driver not connected":
            return CheckSuspect("driver not connected", wrong.part, None, None, probability, (better,), words, remedy)
        also = f"exchanged with {wrong.other}" if wrong.other else ""
        evidence = (better, also) if also else (better,)
        return CheckSuspect(
            "wrong part", wrong.part, wrong.kind, one.value, probability, evidence, words, remedy, wrong.other
        )
    words, remedy = BOX_WORDS[one.kind]
    if one.kind == "other driver":
        words = f"{'the driver' if one.part in ('', WHOLE) else f'driver {one.part}'} {words}"
    fault_name: CheckFault = one.kind  # type: ignore[assignment]
    return CheckSuspect(fault_name, one.part or None, None, None, probability, (better,), words, remedy)


def stops(network: Network, suspects: list[CheckSuspect]) -> CheckSuspect | None:
    """A suspect with which a tweeter would be without its series capacitor."""
    for one in suspects:
        likely = one.part_fault in ("short", "open", "exchanged") and one.probability >= STOPPING
        if likely and guards(network) & one.parts:
            return one
    return None
