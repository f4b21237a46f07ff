"""What the terminals of a speaker show and its driver, seen through the crossover, does not: that is of the network.

Another driver's resonances are the network's in this sense: nothing in the box makes them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from stillbox.analysis.impedance.detection import typical_limit
from stillbox.analysis.impedance.findings import Finding, Resonance, ResonanceFit
from stillbox.analysis.maths.number_words import short_number
from stillbox.analysis.ringing.advice import first_advice

_SAME, _SAME_OF_WIDTH = 0.03, 0.5
"""So far apart, relative or over its width, two resonances are one and the same."""
_CLEARLY = 3.0
"""Times the detection limit: a crossover weighs resonances otherwise at the terminals than at the driver."""
_ALIKE_Q = 2.0
"""Factor: what a crossover makes of the Q of another driver's resonance, at most (common practice, no source)."""


def terminal_bumps(
    at_terminals: ResonanceFit, seen: ResonanceFit, others: Mapping[str, ResonanceFit]
) -> tuple[Finding, ...]:
    """Resonances of the terminals' curve that are not the driver's.

    Parameters
    ----------
    at_terminals : ResonanceFit
    seen : ResonanceFit
        Of the same take, of the driver behind the crossover.
    others : mapping of str to ResonanceFit
        The speaker's other drivers on their own terminals.
    """
    found = []
    for resonance in sorted((*at_terminals.motional, *at_terminals.resonances), key=lambda one: one.frequency_hz):
        why = tuple(_why(resonance, seen, others))
        if why:
            hz, q = resonance.frequency_hz, resonance.q
            advice = first_advice("crossover", hz, q)
            found.append(Finding(resonance, "crossover", math.nan, why, advice.text, next_step=advice.step))
    return tuple(found)


def _why(resonance: Resonance, seen: ResonanceFit, others: Mapping[str, ResonanceFit]) -> Iterator[str]:
    hz, q = resonance.frequency_hz, resonance.q
    low, high = seen.band_hz
    every = (*seen.motional, *seen.broad, *seen.resonances)
    if any(_is_one(resonance, one) for one in every) or hz < low:
        return
    if hz < high:
        limit = typical_limit(seen.detection_limit, hz, q)
        if resonance.height_ohm > _CLEARLY * limit:
            yield (
                f"at the terminals {short_number(resonance.height_ohm)} ohm, and gone behind the crossover, where "
                f"{short_number(limit)} ohm could still be seen"
            )
    for name, fit in others.items():
        for one in (*fit.motional, *fit.resonances):
            if _is_one(resonance, one) and abs(math.log(q / one.q)) < math.log(_ALIKE_Q):
                yield f"the {name} has a resonance at {one.frequency_hz:.5g} Hz, Q {one.q:.3g}, on its own terminals"


def _is_one(resonance: Resonance, other: Resonance) -> bool:
    apart = abs(math.log(resonance.frequency_hz / other.frequency_hz))
    return apart < max(_SAME, _SAME_OF_WIDTH / max(resonance.q, other.q))
