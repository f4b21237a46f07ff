"""Which measurement would tell apart what one curve cannot.

A part alone in the jig shows what it is. Under each explanation it would show something: the part whose answer parts
the explanations best (most entropy of the answers, Shannon 1948 [M]) is the one to lift first.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

from stillbox.analysis.network.network import Network
from stillbox.analysis.wrong_part.result import Suspect

SAME = 0.05
"""Values nearer than that, as a logarithm, count as the same answer."""
NEGLIGIBLE = 0.01


def what_would_tell(suspects: Sequence[Suspect], planned_probability: float, network: Network) -> str:
    """What to measure where there is more than one explanation; empty where there is not.

    Parameters
    ----------
    suspects : sequence of Suspect
        All that is likely.
    planned_probability : float
        That all is as planned.
    network : Network
    """
    if not suspects or (len(suspects) == 1 and planned_probability < NEGLIGIBLE * suspects[0].probability):
        return ""
    names = list(dict.fromkeys(name for one in suspects for name in one.fault.parts))
    drivers = {place.name for place in network.drivers}
    first = max(names, key=lambda name: (_entropy(name, suspects, planned_probability, network), name not in drivers))
    if first in drivers:
        return (
            f"sweep driver {first} on its own terminals (--subject in-box --driver {first}), or hold an ohmmeter to "
            "them: it tells whether the driver itself is whole"
        )
    other = [name for name in names if name != first and name not in drivers]
    rest = f"; if it is right, go on with {_listed(other)}" if other else ""
    return f"lift one leg of {first} and sweep it alone (--subject part --part {first}){rest}"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _entropy(name: str, suspects: Sequence[Suspect], planned_probability: float, network: Network) -> float:
    answers: dict[object, float] = defaultdict(float)
    answers["as planned"] += planned_probability
    for one in suspects:
        answers[_answer(name, one, network)] += one.probability
    whole = sum(answers.values())
    shares = [share / whole for share in answers.values() if share > 0]
    return round(-sum(share * math.log(share) for share in shares), 9)


def _answer(name: str, suspect: Suspect, network: Network) -> object:
    """What a part alone would show under an explanation."""
    fault = suspect.fault
    if name not in fault.parts:
        return "as planned"
    if fault.kind == "exchanged":
        return _size(network.part(fault.other if name == fault.part else fault.part).value)
    if fault.kind == "value":
        return _size(suspect.value or 0.0)
    return fault.kind if fault.kind != "loss" else ("loss", _size(suspect.loss_ohm or 0.0))


def _size(value: float) -> int:
    return round(math.log(max(value, 1e-15)) / SAME)
