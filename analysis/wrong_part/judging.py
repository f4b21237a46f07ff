"""From the curve of a finished speaker and its netlist to what is wrong: the one call for whoever wants to know."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from stillbox.analysis.network.changes import loss_can_be_added, opened, shorted, with_values
from stillbox.analysis.network.network import LOSS, Network
from stillbox.analysis.parts.kinds import REASONABLE
from stillbox.analysis.wrong_part.many_speakers import Curve, Driver, Model, Speakers
from stillbox.analysis.wrong_part.result import Fault, PartAsMeasured, Suspect, Verdict, WrongPart
from stillbox.analysis.wrong_part.search import Found, looked_at
from stillbox.analysis.wrong_part.suspect_words import evidence_of, opening_sentence, places_to_look
from stillbox.analysis.wrong_part.telling_apart import what_would_tell
from stillbox.analysis.wrong_part.weighing import Weighed, weigh, weighed_without_parts

SERIOUS = 0.03
"""Of the probability of the likeliest: what is less likely than that is no alternative."""
NAMED, NAMED_BY_KIND = 4.0, 1000.0
"""Times as likely as a network as planned a fault must be to be named; where a driver is known by its kind alone."""
DOUBT = 0.1
"""Probability from which on a fault is told beside a network that is rather as planned."""
MOST_ALTERNATIVES = 6
OUTSIDE_STDS, WITHIN_STDS = 2.0, 1.96
"""Standard deviations beyond the tolerance from which on a value is outside; and to each side, of 95 %, that must be
inside of it."""


def wrong_part(
    network: Network, tolerance_percent: Mapping[str, float], drivers: Sequence[Driver], curve: Curve
) -> WrongPart:
    """Which single fault explains the curve of a finished speaker, or that it is as planned within tolerance.

    Parameters
    ----------
    network : Network
        As planned, with all drivers of the speaker.
    tolerance_percent : mapping of str to float
        Of each part, by its name.
    drivers : sequence of Driver
        One for each of the network's, at the frequencies of the curve.
    curve : Curve
        At the speaker's terminals.
    """
    model = Model(network, tolerance_percent, drivers, curve)
    weighed = weigh(model) if network.parts else weighed_without_parts(model)
    planned = weighed.faults.index(None)
    best = int(np.argmax(weighed.probability))
    odds = NAMED_BY_KIND if model.guessed else NAMED
    if not weighed.explained or weighed.probability[best] < odds * weighed.probability[planned]:
        best = planned
    suspects = _suspects(model, weighed, best) if weighed.explained else []
    return _result(model, weighed, planned, best, suspects)


def _suspects(model: Model, weighed: Weighed, best: int) -> list[Suspect]:
    """All faults that are likely, the likeliest first."""
    order = np.argsort(-weighed.probability)
    least = DOUBT if weighed.faults[best] is None else SERIOUS * weighed.probability[best]
    found = []
    for row in order:
        fault = weighed.faults[row]
        if fault is None or weighed.probability[row] < least:
            continue
        found.append(_suspect(model, weighed.found, int(row), fault, float(weighed.probability[row])))
    return found[: 1 + MOST_ALTERNATIVES]


def _suspect(model: Model, found: Found, row: int, fault: Fault, probability: float) -> Suspect:
    value, std = _number(model, found, row, model.number_of(fault)) if fault.kind in ("value", "loss") else (None, None)
    if fault.kind == "value":
        return Suspect(fault, value, std, None, None, probability)
    return Suspect(fault, None, None, value, std, probability)


def _number(model: Model, found: Found, row: int, place: int) -> tuple[float, float]:
    """A number of a part and its standard uncertainty, SI units."""
    speakers = found.speakers
    value = float(speakers.middle[row, place] * np.exp(speakers.theta[row, place]))
    return value, value * float(np.sqrt(found.covariance_of(row)[place, place]))


def _result(model: Model, weighed: Weighed, planned: int, row: int, suspects: list[Suspect]) -> WrongPart:
    fault = weighed.faults[row]
    parts = tuple(_parts(model, weighed.found, row, fault, suspects))
    fitted = model.curve_of(weighed.found.speakers, row)
    off_percent = float(weighed.found.off_percent[row])
    mended = looked_at(model, _mended(model, weighed.found, row, fault))
    as_planned, planned_off_percent = model.curve_of(mended.speakers, 0), float(mended.off_percent[0])
    with_words = [
        one.with_words(
            evidence_of(one, model.network, model.curve, as_planned, off_percent, planned_off_percent)
            if number == 0 and row != planned
            else (),
            places_to_look(one.fault, model.network),
        )
        for number, one in enumerate(suspects)
    ]
    suspect = with_words[0] if row != planned else None
    others = tuple(with_words[1:] if row != planned else with_words)
    chance = float(weighed.probability[planned])
    open_question = suspect is not None and chance >= SERIOUS * suspect.probability
    return WrongPart(
        sentence=opening_sentence(suspect, others, parts, model.network, weighed.explained, open_question),
        parts=parts,
        suspect=suspect,
        alternatives=others,
        tell_apart_by=what_would_tell(with_words, chance, model.network),
        planned_probability=chance,
        explained=weighed.explained,
        misfit_percent=off_percent,
        planned_misfit_percent=planned_off_percent,
        as_measured=_as_measured(model.network, parts, fault),
        frequency_hz=model.curve.frequency_hz,
        measured_ohm=model.curve.impedance_ohm,
        fitted_ohm=fitted,
        planned_ohm=as_planned,
        drivers_ohm=model.drivers_ohm(weighed.found.speakers, row),
        warnings=tuple(_doubts(model)),
    )


def _doubts(model: Model) -> Iterator[str]:
    for name in model.guessed:
        yield (
            f"driver '{name}' was not swept on its own terminals: it was fitted along from this very curve, and what "
            "is said of the parts is less sure; sweep it alone"
        )


def _mended(model: Model, found: Found, row: int, fault: Fault | None) -> Speakers:
    """The same speaker with the fault undone, its part as planned."""
    mended = model.like(model.speakers([None]), found.speakers, row)
    theta = mended.theta.copy()
    for name in () if fault is None else fault.parts:
        if name in model.place:
            theta[:, model.place[name]] = 0.0
    return mended.at(theta)


def _parts(
    model: Model, found: Found, row: int, fault: Fault | None, suspects: Sequence[Suspect]
) -> Iterator[PartAsMeasured]:
    covariance = found.covariance_of(row)
    rivals = suspects if fault is None else suspects[1:]
    named = {name for one in rivals for name in one.fault.parts}
    for part in model.network.parts:
        first = int(model.place[part.name].start)
        value, value_std = _number(model, found, row, first)
        loss, loss_std = (0.0, 0.0) if part.kind == "resistor" else _number(model, found, row, first + 1)
        tolerance = model.tolerance_percent[part.name]
        before = found.speakers.std[row, first]
        left = 1 / covariance[first, first] - (0.0 if np.isinf(before) else 1 / before**2)
        own_percent = float(100 / np.sqrt(left)) if left > 0 else float("inf")  # by the curve alone
        gone = fault is not None and fault.kind in ("open", "short") and fault.part == part.name
        verdict = _verdict(100 * (value / part.value - 1), 100 * value_std / part.value, tolerance, own_percent)
        if part.name in named:
            verdict = "cannot be told"
        elif fault is not None and part.name in fault.parts:
            verdict = "outside"
        yield PartAsMeasured(
            name=part.name,
            kind=part.kind,
            planned=part.value,
            value=float("nan") if gone else value,
            value_std=float("nan") if gone else value_std,
            loss_ohm=loss,
            loss_std_ohm=loss_std,
            tolerance_percent=tolerance,
            verdict=verdict,
            told=own_percent <= tolerance and not gone,
        )


def _verdict(off_percent: float, std_percent: float, tolerance_percent: float, own_percent: float) -> Verdict:
    """Of a value that no fault explains; ``own_percent``: its standard deviation by the curve alone.

    Of a part of which the curve tells little, value and standard deviation are but the tolerance over again.
    """
    if abs(off_percent) - OUTSIDE_STDS * std_percent > tolerance_percent:
        return "outside"
    inside = abs(off_percent) + WITHIN_STDS * std_percent <= tolerance_percent
    return "within" if inside and WITHIN_STDS * own_percent <= tolerance_percent else "cannot be told"


def _as_measured(network: Network, parts: Sequence[PartAsMeasured], fault: Fault | None) -> Network:
    """The network with what was found in it."""
    values = {}
    for part in parts:
        if np.isfinite(part.value):
            least, most = REASONABLE[part.kind]
            values[part.name] = float(np.clip(part.value, least, most))
        wrong = fault == Fault("loss", part.name) and loss_can_be_added(network, part.name)
        if part.kind != "resistor" and (network.part(part.name).loss_ohm or wrong):
            values[part.name + LOSS] = min(part.loss_ohm, REASONABLE["resistor"][1])
    network = with_values(network, values)
    if fault is None or fault.kind in ("value", "loss", "exchanged"):
        return network
    return shorted(network, fault.part) if fault.kind == "short" else opened(network, fault.part)
