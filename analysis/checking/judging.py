"""What explains the curve of a finished speaker: as it should be, a wrong part, or something with driver or box.

All hypotheses are weighed by the probability of the same points of the curve with all that each may be
(`analysis.wrong_part.weighing`); before anything is measured every kind of fault is as likely as another (no source).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from stillbox.analysis.checking.boxed_driver import BoxedDriver
from stillbox.analysis.checking.expected import STEPS, WHOLE, ExpectedSpeaker, stepped_from_middle
from stillbox.analysis.checking.hypotheses import box_hypotheses, is_real
from stillbox.analysis.network.network import Network
from stillbox.analysis.wrong_part.hypotheses import odds_before, possible_faults
from stillbox.analysis.wrong_part.many_speakers import Model
from stillbox.analysis.wrong_part.result import FAULT_KINDS, Fault
from stillbox.analysis.wrong_part.search import FARTHEST, Found, looked_at, stepped
from stillbox.analysis.wrong_part.weighing import weigh
from stillbox.capture.arrays import FloatArray

PLANNED_BEFORE = 0.5
BOX_KINDS = 4
"""Other driver, leak, port blocked, no stuffing: as likely as the kinds of wrong parts."""
UNEXPLAINED = 6.0
"""Misfit over what was to be expected, squared: more than that says that something else is wrong."""
SECOND_WORTH = 12.0
"""Nats that a second fault must gain."""


@dataclass(frozen=True)
class Explanation:
    """One way in which the curve may have come about.

    Attributes
    ----------
    fault : str
        Empty for as it should be; else a fault of driver and box, or ``wrong part``, ``driver not connected``.
    part : str
        Of the network, or a driver.
    of_network : Fault or None
    value : float or None
        Of the part as it seems to be: F, H or ohm; ohm in series for a loss.
    in_box : BoxedDriver
    theta : ndarray
        Its numbers.
    """

    kind: str
    part: str
    of_network: Fault | None
    value: float | None
    evidence: float
    before: float
    off_percent: float
    reduced: float
    in_box: BoxedDriver
    theta: FloatArray


@dataclass(frozen=True)
class Judged:
    """All explanations with their probabilities, the likeliest first; ``planned`` is that of no fault.

    ``second`` goes with the first where that alone does not explain the curve.
    """

    network: Network
    explanations: tuple[Explanation, ...]
    probability: tuple[float, ...]
    second: Explanation | None

    @property
    def planned(self) -> Explanation:
        return next(one for one in self.explanations if not one.kind)

    @property
    def planned_probability(self) -> float:
        return sum(p for one, p in zip(self.explanations, self.probability, strict=True) if not one.kind)

    @property
    def best(self) -> Explanation:
        return self.explanations[0]

    @property
    def explained(self) -> bool:
        return self.best.reduced < UNEXPLAINED


def judged_speaker(expected: ExpectedSpeaker) -> Judged:
    """Everything that may be wrong, weighed."""
    found = list(_of_network(expected, expected.in_box))
    planned = next((one for one in found if one.of_network is None and not one.kind), None)
    found += _of_drivers(expected)
    found = list(_best_of_each(found))
    excess = max(1.0, min(one.reduced for one in found))
    told = np.array([one.evidence / excess + one.before for one in found])
    probability = np.exp(told - told.max())
    probability /= probability.sum()
    order = np.argsort(-probability)
    explanations = tuple(found[int(place)] for place in order)
    second = None
    if excess >= UNEXPLAINED / 2 and planned is not None:
        second = _second(expected, explanations[0], excess)
    return Judged(expected.network, explanations, tuple(float(probability[int(place)]) for place in order), second)


def _kinds(expected: ExpectedSpeaker) -> int:
    every = tuple(possible_faults(expected.network)) if expected.network.parts else ()
    return BOX_KINDS + sum(any(fault.kind == kind for fault in every) for kind in FAULT_KINDS)


def _of_network(expected: ExpectedSpeaker, in_box: BoxedDriver) -> Iterator[Explanation]:
    """As planned, and each wrong part that may be."""
    if not expected.network.parts:
        return
    model = Model(expected.network, expected.tolerance_percent, expected.drivers(in_box), expected.curve)
    weighed = weigh(model)
    odds = odds_before(tuple(possible_faults(expected.network)))
    kinds = _kinds(expected)
    for row, fault in enumerate(weighed.faults):
        before = np.log(PLANNED_BEFORE)
        if fault is not None:
            before = np.log(odds.of(fault) * (kinds - BOX_KINDS) / kinds)
        kind = _kind(fault)
        yield _explanation(model, weighed.found, row, kind, fault, in_box, float(before))


def _kind(wrong: Fault | None) -> str:
    if wrong is None:
        return ""
    return wrong.kind if wrong.kind == "driver not connected" else "wrong part"


def _of_drivers(expected: ExpectedSpeaker) -> list[Explanation]:
    """Each fault of driver and box that may be, and none."""
    each = float(np.log((1 - PLANNED_BEFORE) / _kinds(expected)))
    found = []
    for hypothesis in box_hypotheses(expected.in_box.known, expected.in_box.stds, expected.filled):
        in_box = expected.with_box(hypothesis)
        drivers = expected.drivers(in_box)
        model = Model(expected.network, expected.tolerance_percent, drivers, expected.curve)
        fitted = stepped_from_middle(model)
        in_box = in_box.told_at(_theta(model, fitted, in_box))
        model = Model(expected.network, expected.tolerance_percent, expected.drivers(in_box), expected.curve)
        fitted = stepped(model, looked_at(model, fitted.speakers), STEPS)
        theta = _theta(model, fitted, in_box)
        if not is_real(hypothesis.kind, expected.in_box.known, in_box.motion_at(theta)):
            continue
        before = each if hypothesis.kind is not None else float(np.log(PLANNED_BEFORE))
        if hypothesis.kind == "port blocked":
            before -= float(np.log(2))  # in two ways
        part = in_box.name if hypothesis.kind == "other driver" and in_box.name != WHOLE else ""
        if hypothesis.kind == "other driver":
            before -= float(np.log(1 + len(expected.others)))
        found.append(_explanation(model, fitted, 0, hypothesis.kind or "", None, in_box, before, part))
    for other in expected.others:
        model = Model(expected.network, expected.tolerance_percent, expected.with_other(other.name), expected.curve)
        before = each - float(np.log(1 + len(expected.others)))
        fitted = stepped_from_middle(model)
        found.append(_explanation(model, fitted, 0, "other driver", None, expected.in_box, before, other.name))
    return found


def _theta(model: Model, found: Found, in_box: BoxedDriver, row: int = 0) -> FloatArray:
    first = model.of_parts
    for driver in model.drivers:
        if driver.name == in_box.name:
            break
        first += driver.count
    theta: FloatArray = found.speakers.theta[row, first : first + in_box.count]
    return theta


def _explanation(
    model: Model,
    found: Found,
    row: int,
    kind: str,
    fault: Fault | None,
    in_box: BoxedDriver,
    before: float,
    part: str = "",
) -> Explanation:
    value = None
    if fault is not None and fault.kind in ("value", "loss"):
        place = model.number_of(fault)
        value = float(found.speakers.middle[row, place] * np.exp(found.speakers.theta[row, place]))
    return Explanation(
        kind=kind,
        part=part if fault is None else fault.part,
        of_network=fault,
        value=value,
        evidence=float(found.log_evidence(2 * FARTHEST)[row]),
        before=before,
        off_percent=float(found.off_percent[row]),
        reduced=float(found.reduced[row]),
        in_box=in_box,
        theta=_theta(model, found, in_box, row),
    )


def _best_of_each(found: list[Explanation]) -> Iterator[Explanation]:
    """Of explanations that say the same, the likeliest."""
    best: dict[tuple[str, str, Fault | None], Explanation] = {}
    for one in found:
        key = (one.kind, one.part, one.of_network)
        if key not in best or one.evidence + one.before > best[key].evidence + best[key].before:
            best[key] = one
    yield from best.values()


def _second(expected: ExpectedSpeaker, first: Explanation, excess: float) -> Explanation | None:
    """A wrong part beside a fault of driver or box that does not explain the curve alone."""
    if first.of_network is not None or not first.kind or first.part not in ("", first.in_box.name):
        return None
    more = [one for one in _of_network(expected, first.in_box) if one.of_network is not None]
    best = max(more, key=lambda one: one.evidence + one.before, default=None)
    if best is None or best.evidence + best.before < first.evidence + SECOND_WORTH * excess:
        return None
    return best
