"""A finished box around a driver: inside, filling, walls, port, leak, and the half space before it, put together.

The unknowns are volume velocities into the box: cone, inner and outer mouth of the port, leak. Their impedance matrix
is symmetric by construction; the cone's load and the flows of the others follow from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from reference.wild_air import (
    FLANGED_END,
    UNFLANGED_END,
    Air,
    Complex,
    Fibres,
    Real,
    crowded,
    layer_admittance,
    piston_in_baffle,
    plain_fluid,
    slit_impedance,
    thermal_wall_admittance,
    tube_line,
)
from reference.wild_inside import PISTON_IN_WALL, Cavity, Chain, Fluid, Opening


@dataclass(frozen=True)
class Port:
    """A round tube from the front into the box; its inner end is ``length_m`` behind the front."""

    radius_m: float
    length_m: float


@dataclass(frozen=True)
class Slit:
    """A leak: gap, length along the joint, way through the wall, m; ``place`` in words."""

    gap_m: float
    width_m: float
    through_m: float
    place: str

    def impedance(self, omega: Real, air: Air) -> Complex:
        return slit_impedance(omega, self.gap_m, self.width_m, self.through_m, air)

    def resistance(self, air: Air) -> float:
        """At low frequencies, Pa s/m^3."""
        return 12 * air.viscosity * self.through_m / (self.width_m * self.gap_m**3)


@dataclass(frozen=True)
class Lining:
    """Felt or foam on the four sides: the part of them that it covers, and its thickness."""

    fibres: Fibres
    thickness_m: float
    covered: float


@dataclass(frozen=True)
class Walls:
    """Panels that give way as one resonator for each area, and losses of the air that nothing else names.

    Attributes
    ----------
    kg_per_m2, hz, q, share : float
        Mass, resonance and Q of the panels; part of the area that moves.
    loss : float
        Loss factor of the air inside: basket, cloth, rough wood.
    """

    kg_per_m2: float = 12.0
    hz: float = 400.0
    q: float = 25.0
    share: float = 0.0
    loss: float = 0.0

    def admittance(self, omega: Real) -> Complex:
        own = 2 * np.pi * self.hz
        return self.share * 1j * omega / (self.kg_per_m2 * (own**2 - omega**2 + 1j * omega * own / self.q))


class Flows(NamedTuple):
    """For each frequency: load of the cone (all acoustic, both sides), and flow out of the others for each cone's."""

    load: Complex
    port: Complex
    leak: Complex


@dataclass(frozen=True)
class Enclosure:
    """A box. ``inside.openings``: cone, then port where there is one, then leak where there is one.

    Attributes
    ----------
    filling : tuple of Fibres or None
        In the layers of the inside.
    crowd : float
        Part of the volume that rigid things take.
    distance_m : float
        From the middle of the cone to that of the port: they load one another outside.
    """

    inside: Cavity | Chain
    filling: tuple[Fibres | None, ...]
    air: Air
    walls: Walls = Walls()
    lining: Lining | None = None
    crowd: float = 0.0
    port: Port | None = None
    leak: Slit | None = None
    distance_m: float = 0.3
    rigid_bare_walls: bool = False
    """True: walls without any loss or heat, for limits that have a closed form."""

    def emptied(self) -> Enclosure:
        """The same box without lining and filling."""
        return replace(self, filling=(None,) * len(self.filling), lining=None)

    def sealed(self) -> Enclosure:
        """The same box without its leak."""
        if self.leak is None:
            return self
        return replace(self, leak=None, inside=replace(self.inside, openings=self.inside.openings[:-1]))

    def fluids(self, omega: Real) -> list[Fluid]:
        """Density and bulk modulus in each layer."""
        fluids = []
        for fibres in self.filling:
            density, bulk = plain_fluid(omega, self.air) if fibres is None else fibres.fluid(omega, self.air)
            fluids.append(crowded((density, bulk * (1 + 1j * self.walls.loss)), self.crowd))
        return fluids

    def wall_admittances(self, omega: Real) -> tuple[Complex, Complex]:
        """Specific admittance of the sides, and of the ends."""
        if self.rigid_bare_walls:
            return np.zeros(omega.size, complex), np.zeros(omega.size, complex)
        bare = self.walls.admittance(omega) + thermal_wall_admittance(omega, self.air)
        if self.lining is None:
            return bare, bare
        layer = layer_admittance(omega, self.lining.thickness_m, self.lining.fibres, self.air)
        return bare + self.lining.covered * layer, bare

    def inner_impedance(self, omega: Real) -> Complex:
        """Impedance matrix of the openings from inside."""
        return self.inside.impedance(omega, self.fluids(omega), *self.wall_admittances(omega))

    def compliance(self, omega: Real) -> Complex:
        """Acoustic compliance of all that gives way while the pressure is the same everywhere, m^3/Pa.

        Air and filling by their bulk moduli, walls by their admittance over j w.
        """
        of_air = sum(volume / bulk for volume, (_, bulk) in zip(self.inside.volumes, self.fluids(omega), strict=True))
        side, end = self.wall_admittances(omega)
        return of_air + (self.inside.side_area * side + self.inside.end_area * end) / (1j * omega)

    def _matrix(self, omega: Real, port_closed: bool) -> tuple[Complex, int | None, int | None]:
        """Impedance matrix of (cone, inner mouth, outer mouth, leak) as far as there; indices of the last two."""
        inner = self.inner_impedance(omega)
        jw, rho = 1j * omega, self.air.density
        radius = self.inside.openings[0].radius
        open_port = self.port is not None and not port_closed
        size = inner.shape[1] + open_port
        # outer mouth comes behind the inner one, so that the leak is the last
        kept = [0, *([1] if self.port else []), *([size - 1] if self.leak else [])]
        matrix = np.zeros((omega.size, size, size), complex)
        matrix[np.ix_(range(omega.size), kept, kept)] = inner
        matrix[:, 0, 0] += piston_in_baffle(omega, radius, self.air)
        if self.leak:
            matrix[:, -1, -1] += self.leak.impedance(omega, self.air)
        if self.port is None:
            return matrix, None, size - 1 if self.leak else None
        own, mutual = tube_line(omega, self.port.length_m, self.port.radius_m, self.air)
        matrix[:, 1, 1] += own
        if open_port:
            mouth = piston_in_baffle(omega, self.port.radius_m, self.air)
            matrix[:, 2, 2] += own + mouth.real + 1j * mouth.imag * FLANGED_END / PISTON_IN_WALL
            matrix[:, 1, 2] -= mutual
            matrix[:, 2, 1] -= mutual
            between = jw * rho / (2 * np.pi * self.distance_m) * np.exp(-jw / self.air.speed * self.distance_m)
            matrix[:, 0, 2] += between
            matrix[:, 2, 0] += between
        return matrix, 2 if open_port else None, size - 1 if self.leak else None

    def flows(self, omega: Real, port_closed: bool = False) -> Flows:
        """Load of the cone, and what port and leak move for each unit of the cone's flow (out of the box: positive)."""
        matrix, port, leak = self._matrix(omega, port_closed)
        nothing = np.zeros(omega.size, complex)
        if matrix.shape[1] == 1:
            return Flows(matrix[:, 0, 0], nothing, nothing)
        others = -np.linalg.solve(matrix[:, 1:, 1:], matrix[:, 1:, :1])[:, :, 0]
        load = matrix[:, 0, 0] + np.einsum("fi,fi->f", matrix[:, 0, 1:], others)
        return Flows(
            load,
            nothing if port is None else others[:, port - 1],
            nothing if leak is None else others[:, leak - 1],
        )

    def port_loop(self, omega: Real) -> Complex:
        """Impedance that the flow in the port's outer mouth meets all round while the cone is held, Pa s/m^3."""
        matrix, port, _ = self._matrix(omega, port_closed=False)
        assert port is not None, "no port"
        rest = [index for index in range(1, matrix.shape[1]) if index != port]
        column = np.linalg.solve(matrix[:, rest][:, :, rest], matrix[:, rest, port][:, :, None])[:, :, 0]
        return matrix[:, port, port] - np.einsum("fi,fi->f", matrix[:, port, rest], column)


def tube_mouth(depth: float, across: float, down: float, radius: float) -> Opening:
    """The inner end of a port as an opening of the inside."""
    return Opening(depth, across, down, radius, UNFLANGED_END)
