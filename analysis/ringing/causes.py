"""A cause for each resonance: a small Bayesian classifier over what driver, air, port and walls can do.

Every candidate (`analysis.ringing.cause_candidates`) is a source that shows with a known probability near a known
frequency; walls, and what nobody thought of, are a background without a preferred frequency. Each resonance has one
origin at most and each candidate makes one resonance at most; the probabilities follow from message passing on that
one-to-one problem (Williams & Lau, IEEE Trans. AES 50(4), 2014 [M]). So a match counts for less where candidates are
dense, or where two resonances claim one candidate, and nothing is ever certain by coincidence.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from stillbox.analysis.impedance.findings import CAUSES, NOTABLE_OHM, Cause, Finding, Resonance, ResonanceFit
from stillbox.analysis.impedance.held_cone import HeldResonance, as_it_shows, held_resonances
from stillbox.analysis.physics.cavity import RoomMode
from stillbox.analysis.physics.plates import PanelRange
from stillbox.analysis.ringing.advice import VentedBox, first_advice, same_filling, treated_together, treats_also
from stillbox.analysis.ringing.cause_candidates import (
    Candidate,
    Setting,
    driver_candidates,
    mode_candidates,
    pipe_candidates,
    setting_of,
    wall_panels,
)
from stillbox.analysis.ringing.cause_doubts import contradiction, families_off, without_false_certainty
from stillbox.analysis.ringing.cause_evidence import evidence_for
from stillbox.analysis.ringing.cause_likelihood import likelihood_of
from stillbox.analysis.ringing.crossover_cause import (
    Between,
    between,
    crossover_candidates,
    crossover_rate,
    left_over,
)
from stillbox.analysis.ringing.room import room_rate
from stillbox.capture.arrays import FloatArray
from stillbox.capture.build.build_description import BuildDescription

# How many resonances of a kind there are per unit of ln f where they occur (common practice, no source).
_WALL_RATE = 0.8
_UNKNOWN_RATE = 0.05
_DRIVER_RATE_UNTOLD = 0.6
_MODE_RATE_UNTOLD = 1.5

_WALL_FROM_HZ = 80.0
"""Where walls begin whose size is not known: 19 mm of the softest MDF over 0.63 m, edges supported."""
_BELOW_ITS_RANGE = 0.7
"""A panel that is lighter or better coupled than thought reaches down to this part of its range (common practice, no
source)."""
_WALL_BELOW = 0.1
"""Share of walls below that: feet, shelves, the floor (common practice, no source)."""
_WALL_FULL_TO_HZ = 900.0
"""Above it the modes of a panel are high ones, which move little air: as many of its parts go up as down (common
practice, no source)."""
_DRIVER_FULL_FROM_HZ = 400.0
"""Below it a driver has fewer resonances of its own than above: surround and cone break up from there on (common
practice, no source)."""

_LEAST_SEEN = 1e-3
"""A candidate that shows more seldom is left out: at the very place of a resonance it would come to a tenth at most."""
_LEAST_CERTAIN = 0.5
"""A cause is decided where it is likelier than all others together."""
_WORTH_A_DOUBT = 0.2
"""Probability of a standing wave from which on what contradicts it is told."""

_FAMILY_STD = 0.004
"""Relative: what modes of one dimension do not have in common (cone and braces lie elsewhere on each; common practice,
no source)."""
_FAMILY_TOLD = 0.5
"""A family is told where its others were found with this probability at least, all together."""
_FAMILY_COMMON = 0.7
"""Share of the doubt, in its square, that modes of one dimension have in common: the speed of sound and that dimension
(common practice, no source)."""
_FAMILY_SEEN, _MOST_SEEN = 1.15, 0.95
"""Where one of a family shows, the others show more often by this factor, never for certain (common practice, no
source)."""

_MOST_PASSES, _SETTLED = 200, 1e-9
"""Message passing ends where no message moves by more (relative to 1), or after so many passes, should one swing."""


@dataclass(frozen=True)
class Missing:
    """What the build does not tell."""

    free_air: bool
    dimensions: bool


@dataclass(frozen=True)
class _Case:
    """All resonances of one take with their candidates."""

    resonances: tuple[Resonance, ...]
    held: tuple[HeldResonance, ...]
    shown: tuple[HeldResonance, ...]
    candidates: tuple[Candidate, ...]
    setting: Setting | None
    panels: tuple[PanelRange, ...]
    missing: Missing
    between: Between
    seen_through: bool

    def lies_between(self, resonance: Resonance) -> Between:
        """What shows that a crossover has to do with a resonance."""
        rest = left_over(resonance) if self.seen_through else Between()
        return rest if rest.probability > self.between.probability else self.between


def assign_causes(
    in_box: ResonanceFit,
    free_air: ResonanceFit | None,
    description: BuildDescription,
    others: Mapping[str, ResonanceFit] = MappingProxyType({}),
    several: bool = False,
    seen_through: bool = False,
) -> tuple[tuple[Finding, ...], tuple[str, ...]]:
    """A finding for each resonance of the box, and warnings on what is missing.

    Parameters
    ----------
    in_box : ResonanceFit
    free_air : ResonanceFit or None
        The same unit's driver outside of the box.
    description : BuildDescription
    others : mapping of str to ResonanceFit
        The speaker's other drivers on their own terminals, by their names.
    several : bool
        Whether the speaker is known to have other drivers, swept alone or not.
    seen_through : bool
        Whether ``in_box`` is of the driver itself, seen through a crossover.

    Returns
    -------
    findings : tuple of Finding
        In the order of ``in_box.resonances``; the confidence is the posterior probability of the cause.
    warnings : tuple of str
    """
    missing = Missing(free_air=free_air is None, dimensions=description.inside_mm is None)
    setting = setting_of(in_box, free_air)
    lies_between = between(in_box, free_air, several or bool(others))
    through = lies_between.probability > _LEAST_CERTAIN
    candidates = driver_candidates(in_box, free_air, through) + crossover_candidates(others, lies_between)
    if setting is not None:
        candidates += mode_candidates(in_box, description, setting)
        candidates += pipe_candidates(in_box, description, setting)
    case = _Case(
        in_box.resonances,
        held_resonances(in_box),
        tuple(map(as_it_shows, in_box.resonances)),
        tuple(c for c in candidates if c.seen > _LEAST_SEEN),
        setting,
        wall_panels(description),
        missing,
        lies_between,
        seen_through,
    )
    beliefs = _beliefs(case)
    case = replace(case, candidates=_with_families(case, beliefs))
    beliefs = _beliefs(case)
    findings: list[Finding] = []
    modes: list[RoomMode | None] = []
    against: list[str] = []
    vented = _vented(in_box, description)
    for index, resonance in enumerate(in_box.resonances):
        probabilities, best = _probabilities(case, beliefs, index)
        doubt = contradiction(case.held[index], best.get("standing wave"), setting)
        probabilities = without_false_certainty(probabilities, bool(doubt))
        cause, confidence = _decide(probabilities)
        evidence = evidence_for(
            resonance, case.held[index], case.candidates, best, case.setting, case.panels, missing, probabilities,
            case.lies_between(resonance).sign,
        )  # fmt: skip
        if doubt and probabilities["standing wave"] > _WORTH_A_DOUBT:
            evidence = (*evidence[:-1], doubt, evidence[-1])
            if resonance.height_ohm >= NOTABLE_OHM:
                against.append(f"{resonance.frequency_hz:.0f} Hz: {doubt}")
        mode = best.get("standing wave")
        modes.append(None if mode is None else mode.mode)
        advice = first_advice(cause, resonance.frequency_hz, resonance.q, modes[-1], vented)
        findings.append(Finding(resonance, cause, confidence, evidence, advice.text, next_step=advice.step))
    warnings = (*_warnings(case, bool(in_box.resonances)), *families_off(case.held, case.candidates, setting), *against)
    return _with_one_filling(findings, modes), warnings


def _vented(in_box: ResonanceFit, description: BuildDescription) -> VentedBox | None:
    """What advice must know of the port; None for a closed box."""
    driver, port = description.driver, description.port
    if len(in_box.motional) < 2 and port.diameter_mm is None:
        return None
    return VentedBox(
        port.diameter_mm,
        port.length_mm,
        (driver.from_top_mm, driver.from_left_mm, 0.0),
        (port.from_top_mm, port.from_left_mm, 0.0),
    )


def _with_one_filling(findings: Sequence[Finding], modes: Sequence[RoomMode | None]) -> tuple[Finding, ...]:
    """Standing waves that one filling treats have one piece of advice: at the lowest, the others point there."""
    result = list(findings)
    waves = [index for index, finding in enumerate(findings) if finding.cause == "standing wave"]
    leads = [waves[lead] for lead in treated_together([modes[index] for index in waves])]
    for lead in dict.fromkeys(leads):
        others = [index for index, of in zip(waves, leads, strict=True) if of == lead and index != lead]
        if not others:
            continue
        lead_hz = findings[lead].resonance.frequency_hz
        more = treats_also([findings[index].resonance.frequency_hz for index in others])
        result[lead] = replace(findings[lead], advice=findings[lead].advice + more)
        for index in others:
            same = same_filling(lead_hz)
            result[index] = replace(findings[index], advice=same.text, next_step=same.step)
    return tuple(result)


def one_to_one(likelihood: FloatArray, seen: FloatArray, background: FloatArray) -> FloatArray:
    """Probability that resonance i stems from candidate j, each used at most once.

    Parameters
    ----------
    likelihood : ndarray, shape (resonances, candidates)
        Density of what was found given the candidate.
    seen : ndarray, shape (candidates,)
        Probability that a candidate shows at all.
    background : ndarray, shape (resonances,)
        Expected density of resonances of any other origin, same units as ``likelihood``.

    Returns
    -------
    ndarray, shape (resonances, candidates); what is left to 1 in a row is the background.
    """
    weight = seen * likelihood / ((1 - seen) * background[:, None])
    to_resonance = np.ones_like(weight)
    for _ in range(_MOST_PASSES):
        claimed = weight * to_resonance
        to_candidate = weight / (1 + claimed.sum(axis=1, keepdims=True) - claimed)
        moved = 1 / (1 + to_candidate.sum(axis=0, keepdims=True) - to_candidate)
        settled = np.all(np.abs(moved - to_resonance) < _SETTLED)
        to_resonance = moved
        if settled:
            break
    claimed = weight * to_resonance
    result: FloatArray = claimed / (1 + claimed.sum(axis=1, keepdims=True))
    return result


def _beliefs(case: _Case) -> FloatArray:
    likelihood = np.array(
        [
            [likelihood_of(shown if c.as_shown else held, c, case.setting) for c in case.candidates]
            for held, shown in zip(case.held, case.shown, strict=True)
        ]
    )
    seen = np.array([candidate.seen for candidate in case.candidates])
    background = np.array([sum(_background(index, case).values()) for index in range(len(case.held))])
    shape = (len(case.held), len(case.candidates))
    return one_to_one(likelihood.reshape(shape), seen, background)


def _background(index: int, case: _Case) -> dict[Cause, float]:
    """Expected resonances per unit of ln f without a candidate of their own: walls, network, room, not known."""
    held, resonance = case.held[index], case.resonances[index]
    frequency = held.frequency_hz
    low_hz = _BELOW_ITS_RANGE * case.panels[0].lowest_hz if case.panels else _WALL_FROM_HZ
    wall = _WALL_RATE * min(1.0, (_WALL_FULL_TO_HZ / frequency) ** 2)
    if frequency < low_hz:
        wall *= _WALL_BELOW
    unknown = _UNKNOWN_RATE
    if case.missing.free_air:
        unknown += _DRIVER_RATE_UNTOLD * min(1.0, frequency / _DRIVER_FULL_FROM_HZ)
    if case.missing.dimensions or case.setting is None:
        unknown += _MODE_RATE_UNTOLD
    needed = None if case.setting is None else case.setting.energy_ratio(held)
    network = crossover_rate(resonance, needed, case.lies_between(resonance))
    return {"wall": wall, "crossover": network, "room": room_rate(resonance), "undecided": unknown}


def _with_families(case: _Case, beliefs: FloatArray) -> tuple[Candidate, ...]:
    """Modes along a dimension of which one was found: moved by its offset, narrowed, and more likely to show."""
    changed = list(case.candidates)
    for axis in range(3):
        members = [
            column
            for column, candidate in enumerate(case.candidates)
            if candidate.mode is not None and candidate.mode.dimensions == 1 and candidate.mode.orders[axis]
        ]
        for column in members:
            others = [other for other in members if other != column]
            offset, weight = _offset_of(case, beliefs, others)
            if weight < _FAMILY_TOLD:
                continue
            candidate = case.candidates[column]
            own = candidate.std**2 - _FAMILY_STD**2
            # The common part of the doubt (speed of sound, that dimension) is known from the relative.
            changed[column] = replace(
                candidate,
                shift=candidate.shift + min(weight, 1.0) * offset,
                std=math.sqrt(candidate.std**2 - min(weight, 1.0) * _FAMILY_COMMON * max(own, 0.0)),
                seen=min(_MOST_SEEN, _FAMILY_SEEN * candidate.seen),
            )
    return tuple(changed)


def _offset_of(case: _Case, beliefs: FloatArray, columns: Sequence[int]) -> tuple[float, float]:
    """Mean offset (ln) of found over predicted for some candidates, and the probability behind it."""
    total = weight = 0.0
    for column in columns:
        for row, held in enumerate(case.held):
            candidate = case.candidates[column]
            offset = math.log(held.frequency_hz / candidate.frequency_hz) - candidate.shift
            total += beliefs[row, column] * offset
            weight += beliefs[row, column]
    return (total / weight if weight > 0 else 0.0), float(weight)


def _probabilities(case: _Case, beliefs: FloatArray, index: int) -> tuple[dict[Cause, float], dict[Cause, Candidate]]:
    """Posterior of each cause, and for each cause its likeliest candidate."""
    found: dict[Cause, float] = dict.fromkeys(CAUSES, 0.0)
    best: dict[Cause, Candidate] = {}
    top: dict[Cause, float] = {}
    for candidate, belief in zip(case.candidates, beliefs[index], strict=True):
        found[candidate.cause] += float(belief)
        if belief > top.get(candidate.cause, 0.0):
            top[candidate.cause] = float(belief)
            best[candidate.cause] = candidate
    rest = max(0.0, 1.0 - sum(found.values()))
    shares = _background(index, case)
    for cause, share in shares.items():
        found[cause] += rest * share / sum(shares.values())
    if case.missing.free_air or case.missing.dimensions:
        # "None of the others" is no evidence for a wall while the others could not be looked at.
        found["undecided"] += found["wall"]
        found["wall"] = 0.0
    return found, best


def _decide(probabilities: dict[Cause, float]) -> tuple[Cause, float]:
    cause = max(CAUSES, key=lambda name: probabilities[name])
    if probabilities[cause] >= _LEAST_CERTAIN:
        return cause, probabilities[cause]
    return "undecided", 1.0 - probabilities[cause]


def _warnings(case: _Case, any_found: bool) -> tuple[str, ...]:
    if not any_found:
        return ()
    warnings = []
    if case.missing.free_air:
        warnings.append(
            "no free-air take: resonances of the driver cannot be told from those of the box; "
            "sweep the driver out of the box"
        )
    if case.missing.dimensions:
        warnings.append("inside dimensions are not known: standing waves cannot be told; give inside_mm in build.toml")
    if case.setting is None:
        warnings.append("no motional peak was found in the box: standing waves and port cannot be told")
    return tuple(warnings)
