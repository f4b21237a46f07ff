"""The evidence for a cause in words with numbers."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Protocol

from stillbox.analysis.impedance.findings import Cause, Resonance
from stillbox.analysis.impedance.held_cone import HeldResonance, as_it_shows
from stillbox.analysis.impedance.repeatability import USUAL_SPREADS
from stillbox.analysis.maths.quantity import value_text
from stillbox.analysis.physics.plates import PanelRange
from stillbox.analysis.ringing.cause_candidates import Candidate, Setting
from stillbox.analysis.ringing.cause_doubts import MOST_FELT
from stillbox.analysis.ringing.result_words import share_text

_WORTH_A_WORD, _WORTH_A_SENTENCE = 0.02, 0.1
"""Probability from which on evidence for a cause is told: of port and air, which have numbers of their own, and of wall
and room, which have words only."""
_LISTED = 0.01
"""Probability from which on a cause stands in the list: what prints as 1 % at least."""
_BROAD_Q = 6.0
"""Below it a resonance is broader than most of a cabinet (common practice, no source)."""
_CORNER = 2.0
"""What the cone feels of an axial mode in a corner, over the box's air."""
_FAR, _VERY_PLACE = 0.2, 5e-4
"""Relative offset: from the one on a candidate is another thing, below the other it would print as nothing."""


class WhatIsMissing(Protocol):
    """What the build does not tell."""

    @property
    def free_air(self) -> bool: ...

    @property
    def dimensions(self) -> bool: ...


def evidence_for(
    resonance: Resonance,
    held: HeldResonance,
    candidates: Sequence[Candidate],
    best: Mapping[Cause, Candidate],
    setting: Setting | None,
    panels: Sequence[PanelRange],
    missing: WhatIsMissing,
    probabilities: Mapping[Cause, float],
    lies_between: str = "",
) -> tuple[str, ...]:
    """Sentences: the box with the cone held, driver, air, port, walls, crossover, room, and the probabilities.

    ``lies_between`` says by what a crossover shows.
    """
    repeats_hz = USUAL_SPREADS[max(probabilities, key=lambda cause: probabilities[cause])].frequency * held.frequency_hz
    lies = value_text(held.frequency_hz, math.hypot(held.frequency_std_hz, repeats_hz))
    sentences = [f"with the cone held it would lie at {lies} Hz, Q {held.q:.3g}"]
    sentences.append(_driver(resonance, held, candidates, best, missing))
    sentences.append(_air(held, candidates, best, setting, missing, probabilities))
    if "port" in best and probabilities["port"] > _WORTH_A_WORD:
        pipe = best["port"]
        sentences.append(f"{pipe.name}: {pipe.frequency_hz:.0f} Hz, {_offset(held, pipe)}")
    if probabilities["wall"] > _WORTH_A_SENTENCE:
        sentences.append("left over by driver, air and port: a wall or another part of the cabinet")
        sentences.append(_walls(held, panels))
    if lies_between and probabilities["crossover"] > _WORTH_A_SENTENCE:
        sentences += _crossover(resonance, held, best, setting, lies_between)
    if probabilities.get("room", 0.0) > _WORTH_A_SENTENCE:
        sentences.append(
            f"narrow (Q {resonance.q:.3g}), small ({1000 * resonance.height_ohm:.2g} mΩ) and low, as standing waves of "
            "a room are; those change with the place of the speaker"
        )
    order = sorted(probabilities, key=lambda cause: -probabilities[cause])
    told = [f"{cause} {share_text(probabilities[cause])}" for cause in order if probabilities[cause] >= _LISTED]
    sentences.append("probability: " + ", ".join(told))
    return tuple(sentences)


def _driver(
    resonance: Resonance,
    held: HeldResonance,
    candidates: Sequence[Candidate],
    best: Mapping[Cause, Candidate],
    missing: WhatIsMissing,
) -> str:
    if missing.free_air:
        return "no free-air take of this unit: whether the driver does it cannot be told"
    drivers = [candidate for candidate in candidates if candidate.cause == "driver"]
    if not drivers:
        return "the driver shows no resonance of its own in free air"
    candidate = best.get("driver") or _nearest(held, drivers)
    assert candidate.free_air is not None
    if candidate.as_shown:
        return f"{candidate.name}{_q_words(candidate)}: {_offset(as_it_shows(resonance), candidate)}"
    return (
        f"{candidate.name}, with the cone held {candidate.frequency_hz:.5g} Hz, Q {candidate.free_air.q:.3g}: "
        f"{_offset(held, candidate)}"
    )


def _air(
    held: HeldResonance,
    candidates: Sequence[Candidate],
    best: Mapping[Cause, Candidate],
    setting: Setting | None,
    missing: WhatIsMissing,
    probabilities: Mapping[Cause, float],
) -> str:
    if missing.dimensions:
        return "inside dimensions are not given: whether the air does it cannot be told"
    modes = [candidate for candidate in candidates if candidate.cause == "standing wave"]
    if not modes:
        return "no standing wave of the inside dimensions could show here"
    candidate = best.get("standing wave") or _nearest(held, modes)
    sentence = f"{candidate.name}: {candidate.frequency_hz:.5g} Hz, {_offset(held, candidate)}"
    if (
        candidate.largest_energy_ratio is not None
        and setting is not None
        and probabilities["standing wave"] > _WORTH_A_WORD
    ):
        found = 100 * setting.energy_ratio(held) / candidate.largest_energy_ratio
        bounded = f"{found:.0f} % of" if found <= 100 else "no less than"
        sentence += f"; the cone feels {bounded} what it would in a corner"
        if candidate.energy_ratio is not None:
            share = 100 * candidate.energy_ratio / candidate.largest_energy_ratio
            sentence += f", by its place it should be {share:.0f} %"
    return sentence


def _walls(held: HeldResonance, panels: Sequence[PanelRange]) -> str:
    if not panels:
        return "what the walls could do is not known: build.toml must say both inside_mm and [wall] thickness_mm"
    ranges = ", ".join(
        f"{panel.name} ({panel.sides_mm[0]:g} x {panel.sides_mm[1]:g} mm) {panel.lowest_hz:.0f} to "
        f"{panel.highest_hz:.0f} Hz"
        for panel in panels
    )
    place = "below all of them" if held.frequency_hz < panels[0].lowest_hz else "at or above the lowest of them"
    return f"first bending modes, edges from supported to clamped: {ranges}; this one lies {place}"


def _q_words(candidate: Candidate) -> str:
    return "" if candidate.free_air is None else f", Q {candidate.free_air.q:.3g}"


def _crossover(
    resonance: Resonance,
    held: HeldResonance,
    best: Mapping[Cause, Candidate],
    setting: Setting | None,
    lies_between: str,
) -> Iterator[str]:
    """By what a bump is told to be of the network or of another driver."""
    yield f"{lies_between}: a crossover lies between"
    if "crossover" in best:
        other = best["crossover"]
        yield f"{other.name}{_q_words(other)}: {_offset(as_it_shows(resonance), other)}"
    if resonance.q < _BROAD_Q:
        yield f"broad (Q {resonance.q:.3g}), as what coils and capacitors do; air and walls ring sharper as a rule"
    if setting is not None and setting.energy_ratio(held) > MOST_FELT * _CORNER:
        yield "larger than air and walls could make it: the cone would feel more than all of the box's air can press"


def _offset(held: HeldResonance, candidate: Candidate) -> str:
    offset = held.frequency_hz / candidate.frequency_hz - 1
    if abs(offset) >= _FAR:
        return "far from what was found"
    return "found at that very place" if abs(offset) < _VERY_PLACE else f"found {100 * offset:+.2g} % from it"


def _nearest(held: HeldResonance, candidates: Sequence[Candidate]) -> Candidate:
    return min(candidates, key=lambda candidate: abs(candidate.frequency_hz / held.frequency_hz - 1))
