"""The numbers of a box, as a fit has them: what the air loads the cone with, the air inside, the port."""

from __future__ import annotations

from typing import Generic, NamedTuple, TypeVar

import numpy as np

from stillbox.analysis.lumped.driver_model import ConeNumbers
from stillbox.analysis.lumped.parameters import number, usual

Each = TypeVar("Each")

MOST_ALPHA = 30.0
"""A box so much stiffer than the suspension moves a driver to five times its resonance (common practice, no source)."""
USUAL_PLACE = 0.3
"""Of a leak where nothing is known: between the cone's rim and the far end."""
MOST_SOFT = 0.4
"""Isothermal air is softer by this part than adiabatic air."""
MOST_BEHIND = 0.98
"""Part of the air in filling: the basket keeps some free."""
LN_HELD = -7.0
"""``ln_behind_turn`` of fibre that does not move."""


class LoadNumbers(NamedTuple, Generic[Each]):
    """What the air loads the cone with, from both sides."""

    mu: Each = number("air load of the box over the moving mass, less that of free air")
    front: Each = number("mass of air before the front over the moving mass")
    ln_front_s: Each = number("t, from which on that radiates", "s")
    ln_alpha: Each = number("stiffness of the box's air over that of the suspension", most=float(np.log(MOST_ALPHA)))


class InsideNumbers(NamedTuple, Generic[Each]):
    """The air inside: leak, filling."""

    leak: Each = number("1/QL", usual=0.0, least=0.0)
    leak_mass: Each = number("tau: reactance of the air in the leak over its resistance, at wB", usual=0.0, least=0.0)
    leak_place: Each = number("part of the cone's own pressure at the leak", usual=USUAL_PLACE, least=-1.0, most=1.0)
    soft: Each = number("part by which filling makes the air softer below wt", usual=0.0, least=0.0, most=MOST_SOFT)
    ln_soft_w: Each = number("wt", "rad/s", usual=float(np.log(250.0)))
    absorption: Each = number("1/QA", usual=0.0)
    behind: Each = number("b: part of the air in filling", usual=0.0, least=0.0, most=MOST_BEHIND)
    ln_behind_w: Each = number("w: speed of sound over the length of the filling", "rad/s")
    ln_behind_loss: Each = number("G: flow resistivity over the density of the air", "rad/s", usual=7.0)
    ln_behind_turn: Each = number("u: flow resistivity over the density of the fibre", "rad/s", usual=LN_HELD)


class PortNumbers(NamedTuple, Generic[Each]):
    """The port, and what it shares with the cone."""

    ln_wb: Each = number("wB, tuning of box and port", "rad/s")
    port_loss: Each = number("1/QP", usual=0.0, least=0.0)
    kappa: Each = number("kappa wB^2: part of the port's mass that is shared air", usual=0.0)
    cone_loss: Each = number("rho: loss that the cone meets alone", usual=0.0)
    way: Each = number("WAY: resistance of filling on the way to the port", usual=0.0, least=0.0)
    ln_way: Each = number("u: where that begins to let the air through, over wB", usual=float(np.log(0.6)))
    way_shared: Each = number("part of it in what cone and port share", usual=0.35)
    way_port: Each = number("part of it before the port", usual=1.3)


USUAL_INSIDE: InsideNumbers[float] = usual(InsideNumbers)
USUAL_PORT: PortNumbers[float] = usual(PortNumbers)


class BoxNumbers(NamedTuple):
    """All but coil and small resonances."""

    cone: ConeNumbers[float]
    load: LoadNumbers[float]
    inside: InsideNumbers[float]
    port: PortNumbers[float] | None
    """None in a closed box."""
