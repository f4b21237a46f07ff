"""What differs between the crossovers of two takes, and which changes of findings that explains."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.known_crossover import built_network, drivers_ohm
from stillbox.analysis.maths.number_words import short_number
from stillbox.analysis.network.differences import Difference, network_differences
from stillbox.analysis.network.network import Network
from stillbox.analysis.network.nodal import circuit_at
from stillbox.analysis.ringing.comparison import Change, Comparison
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

NEAR_OCTAVES = 0.25
"""To each side: a bump of a crossover is wider."""
WORTH = 0.5
"""Of what a height changed by: so much the crossover has to do alone to be told as its reason."""


@dataclass(frozen=True)
class Revision:
    """Two crossovers of one build, the earlier first.

    Attributes
    ----------
    before, after : str
        Names of the netlists with what they are for.
    differences : tuple of Difference
    explained : mapping
        By the frequency of a change of findings: what the crossover does there, in words.
    """

    before: str
    after: str
    differences: tuple[Difference, ...]
    explained: Mapping[float, str] = field(default_factory=dict)

    @property
    def words(self) -> str:
        """What differs: C2 6.8 to 8.2 uF, L1's loss 0.2 to 0.4 ohm."""
        return ", ".join(one.words for one in self.differences)

    @property
    def sentences(self) -> tuple[str, ...]:
        """To be said of the two takes."""
        said = f"the crossover was changed: {self.words}"
        return (said, *(f"{short_number(hz, 4)} Hz: {words}" for hz, words in self.explained.items()))

    def document(self) -> dict[str, Any]:
        """For other programs."""
        return {
            "before": self.before,
            "after": self.after,
            "differences": [
                {"name": one.name, "what": one.what, "before": one.before, "after": one.after, "words": one.words}
                for one in self.differences
            ],
            "explained": [{"frequency_hz": hz, "words": words} for hz, words in self.explained.items()],
        }


def revision_of(bench: Bench, takes: Sequence[TakeInfo], comparison: Comparison) -> Revision | None:
    """What differs between the netlists in force at two takes; None where nothing does, or one has none."""
    try:
        (before, first), (after, second) = (built_network(bench, take) for take in takes)
    except StillboxError:  # the findings of that take say why
        return None
    differences = network_differences(first, second)
    if not differences:
        return None
    bare = Revision(before, after, differences)
    return Revision(before, after, differences, dict(_explained(bench, takes, comparison, (first, second), bare.words)))


def _explained(
    bench: Bench, takes: Sequence[TakeInfo], comparison: Comparison, networks: tuple[Network, Network], words: str
) -> list[tuple[float, str]]:
    at_terminals = not any(bench.seen(take)[0] for take in takes)
    found = []
    for change in comparison.changes:
        named = change.before or change.after
        of_crossover = named is not None and named.cause == "crossover"
        if change.verdict == "unchanged" or not (at_terminals or of_crossover):
            continue
        moved_ohm = _moved_ohm(bench, takes[1], networks, change.frequency_hz)
        if moved_ohm is not None and moved_ohm >= WORTH * _height_change_ohm(change):
            found.append(
                (change.frequency_hz, f"the changed crossover alone moves the impedance by {moved_ohm:.2g} ohm here")
            )
        elif moved_ohm is None and of_crossover:
            found.append((change.frequency_hz, f"of the crossover, which was changed ({words})"))
    return found


def _height_change_ohm(change: Change) -> float:
    before, after = (0.0 if one is None else one.resonance.height_ohm for one in (change.before, change.after))
    return abs(after - before)


def _moved_ohm(
    bench: Bench, take: TakeInfo, networks: tuple[Network, Network], frequency_hz: float
) -> float | None:
    """How far the change alone moves the impedance near a frequency; None where a driver is not known."""
    hz = frequency_hz * 2.0 ** np.linspace(-NEAR_OCTAVES, NEAR_OCTAVES, 9)
    try:
        before, after = (
            np.asarray(circuit_at(network, hz, drivers_ohm(bench, take, network, hz)).input_impedance_ohm)
            for network in networks
        )
    except StillboxError:
        return None
    return float(np.max(np.abs(after - before)))
