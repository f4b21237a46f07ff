"""What may be wrong with driver and box of a finished speaker, and what is no fault: numbers of `boxed_driver` each.

Standard deviations are of logarithms. Of two drivers of one kind: usual sizes of series of small makers, a few percent
(common practice, no source); of one driver on another day: as in `analysis.impedance.repeatability`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from stillbox.analysis.checking.boxed_driver import Motion, Name

BoxFault = Literal["other driver", "leak", "port blocked", "no stuffing"]

OTHER_UNIT: Mapping[Name, float] = {
    "re": 0.02, "coil": 0.025, "tilt": 0.025, "bl": 0.02, "mass": 0.02, "compliance": 0.025, "loss": 0.06,
    "air": 0.015, "tuning": 0.01, "port_loss": 0.2, "leak": 0.2,
    "fibre": 0.25,
}  # fmt: skip
SAME_UNIT: Mapping[Name, float] = {
    "re": 0.004, "coil": 0.006, "tilt": 0.006, "bl": 0.003, "mass": 0.003, "compliance": 0.012, "loss": 0.03,
    "air": 0.01, "tuning": 0.005, "port_loss": 0.15, "leak": 0.15,
    "fibre": 0.15,
}  # fmt: skip
WORKED_ON: Mapping[Name, float] = {"loss": 0.5, "air": 0.1, "tuning": 0.04, "port_loss": 0.8, "leak": 1.5, "fibre": 1.5}
"""Of the same unit in another state: lining, damping and a moved port are meant to change these."""
OTHER_DRIVER: Mapping[Name, float] = {
    "re": 0.15, "coil": 0.3, "tilt": 0.3, "bl": 0.25, "mass": 0.25, "compliance": 0.25, "loss": 0.5,
}  # fmt: skip
LEAK_Q, LEAK_SPREAD = 7.0, 0.8
"""QL of a leak that is a fault, and standard deviation of its logarithm: 1.4 to 35."""
STIFFER, STIFFER_SPREAD = 0.10, 0.08
"""Air without stuffing: no longer held at one temperature by fibres."""


@dataclass(frozen=True)
class BoxHypothesis:
    """What driver and box would be; ``fault`` is None for as they should be.

    ``rough``: standing waves may be higher than known, by so much of the driver's mass line squared over its DC
    resistance (see `analysis.wrong_part.known_driver`).
    """

    kind: BoxFault | None
    start: Motion
    stds: Mapping[Name, float]
    rough: float = 0.0


def box_hypotheses(known: Motion, stds: Mapping[Name, float], filled: bool | None) -> Iterator[BoxHypothesis]:
    """Every one, that of no fault first.

    Parameters
    ----------
    known : Motion
        What is expected.
    stds : mapping
        How far a good one may be from that.
    filled : bool or None
        Whether there should be stuffing or lining; None: not known.
    """
    yield BoxHypothesis(None, known, stds)
    about = known.tuning or known.closed_rad_s
    leaking = max(known.leak, 0.0) + about / LEAK_Q
    yield BoxHypothesis("leak", replace(known, leak=leaking), {**stds, "leak": LEAK_SPREAD})
    if known.tuning:
        closed = replace(known.port_closed(), leak=about / 40)
        yield BoxHypothesis("port blocked", closed, {**stds, "air": 0.05, "leak": 1.0})
        narrow = replace(known, port_loss=1.5)
        yield BoxHypothesis("port blocked", narrow, {**stds, "port_loss": 0.7, "tuning": 0.2})
    if filled is not False:
        bare = replace(known, air=known.air * (1 + STIFFER), fibre=known.fibre / 4, port_loss=known.port_loss / 1.5)
        losses: dict[Name, float] = {
            "leak": 0.5, "port_loss": 0.5, "tuning": 0.04, "air": STIFFER_SPREAD, "fibre": 1.0,
        }  # fmt: skip
        yield BoxHypothesis("no stuffing", bare, {**stds, **losses}, rough=1.0)
    yield BoxHypothesis("other driver", known, other_driver_stds(stds), rough=0.3)


LEAST_LEAK = 40.0
"""QL of the smallest leak that is one: a box loses about as much without (Small, JAES 21(5), 1973, has 5 to 20)."""


def is_real(kind: BoxFault | None, known: Motion, found: Motion) -> bool:
    """Whether what a hypothesis has come to is that fault at all."""
    about = known.tuning or known.closed_rad_s
    if kind == "leak":
        return found.leak > known.leak + about / LEAST_LEAK
    if kind == "no stuffing":
        return found.air > known.air and found.fibre < known.fibre
    return True


def other_driver_stds(stds: Mapping[Name, float]) -> dict[Name, float]:
    """Of a driver of another kind."""
    return {name: max(std, OTHER_DRIVER.get(name, std)) for name, std in stds.items()}
