"""Poles and residues of a circuit's impedance: what a measurement ought to find.

The poles of the impedance are the zeros of the mechanical impedance seen by the cone (`reference.analytic`). Starts
come from the eigenvalues of a state space in which every line is replaced by its modes up to a limit (exact for
lumped circuits); Aberth's method on the closed form then removes the truncation, and contour integrals around each
pole give its residue. The cause is the store of energy that takes the largest part in the eigenvector, so it is known
from construction; ``share`` is that part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from reference.analytic import characteristic, motional_ohm
from reference.speaker_circuit import Branch, Cavity, Leak, Port, SpeakerCircuit, Wall, port_mass_kg_per_m4

Cause = Literal["fundamental", "driver", "standing wave", "wall", "port"]
FloatArray = NDArray[np.floating]
ComplexArray = NDArray[np.complexfloating]

MODES_UP_TO = 1.25
"""Modes of the lines are kept up to this factor times the highest frequency asked for."""

CONTOUR_POINTS = 64

LOWEST_HEIGHT_OHM = 1e-6
"""Resonances lower than this are left out: modes that neither cone nor branches can feel."""


@dataclass(frozen=True)
class TrueResonance:
    """One complex pair of poles.

    Attributes
    ----------
    pole_rad_s, residue_ohm_rad_s
        Of the upper pole, in ``r/(s-p) + r*/(s-p*)``.
    cause
        ``fundamental`` for the motional peak or peaks.
    place
        The dimension of a standing wave, else empty.
    share
        Part of the energy stored in what the cause names, 0 to 1.
    """

    pole_rad_s: complex
    residue_ohm_rad_s: complex
    cause: Cause
    place: str
    share: float

    @property
    def frequency_hz(self) -> float:
        return abs(self.pole_rad_s) / (2 * np.pi)

    @property
    def q(self) -> float:
        return abs(self.pole_rad_s) / (2 * abs(self.pole_rad_s.real))

    @property
    def height_ohm(self) -> float:
        return abs(self.residue_ohm_rad_s) / abs(self.pole_rad_s.real)


def true_resonances(circuit: SpeakerCircuit, highest_hz: float = 20_000.0) -> tuple[TrueResonance, ...]:
    """All complex pairs up to ``highest_hz`` in order of frequency.

    Raises
    ------
    ArithmeticError
        If a start leads to no pole.
    """
    space = state_space(circuit, MODES_UP_TO * highest_hz)
    starts, owners, shares = _modes(space)
    poles = _polish(circuit, starts)
    order = np.argsort(np.abs(poles))
    poles, owners, shares = poles[order], [owners[index] for index in order], shares[order]
    inside = (poles.imag > 0) & (np.abs(poles) <= 2 * np.pi * highest_hz)
    residues = _residues(circuit, poles, np.flatnonzero(inside))
    return tuple(
        TrueResonance(complex(poles[index]), complex(residue), *owners[index], float(shares[index]))
        for index, residue in zip(np.flatnonzero(inside), residues, strict=True)
        if abs(residue) > LOWEST_HEIGHT_OHM * abs(poles[index].real)
    )


@dataclass
class StateSpace:
    """``dx/dt = rates @ x`` with the energy ``0.5 * sum(stores * x**2)`` and what each state belongs to."""

    rates: FloatArray
    stores: FloatArray
    owners: list[tuple[Cause, str]]


class _Assembly:
    """Collects states, then couples them; rows are divided by the stores at the end."""

    def __init__(self) -> None:
        self.stores: list[float] = []
        self.owners: list[tuple[Cause, str]] = []
        self.entries: list[tuple[int, int, float]] = []

    def add(self, store: float, cause: Cause, place: str = "") -> int:
        self.stores.append(store)
        self.owners.append((cause, place))
        return len(self.stores) - 1

    def couple(self, effort: int, flow: int, factor: float = 1.0) -> None:
        """Lossless: state ``flow`` feeds state ``effort``, which pushes back."""
        self.entries += [(effort, flow, factor), (flow, effort, -factor)]

    def lose(self, state: int, loss: float) -> None:
        self.entries.append((state, state, -loss))

    def finish(self) -> StateSpace:
        stores = np.array(self.stores)
        rates = np.zeros((stores.size, stores.size))
        for row, column, value in self.entries:
            rates[row, column] += value
        return StateSpace(rates / stores[:, None], stores, self.owners)


def state_space(circuit: SpeakerCircuit, modes_to_hz: float) -> StateSpace:
    """The circuit driven by a current, its lines replaced by their modes up to ``modes_to_hz``.

    The air before the front is left out: it moves the starts by less than a percent, and `_polish` has it.
    """
    build = _Assembly()
    velocity = _add_cone(build, circuit)
    if circuit.cavity is not None:
        air = _add_air(build, circuit, circuit.cavity, modes_to_hz)
        for state, shapes in air:
            build.couple(state, velocity, circuit.driver.area_m2 * shapes[0])
        for index, branch in enumerate(circuit.branches):
            at_place = [(state, shapes[index + 1]) for state, shapes in air]
            _add_branch(build, branch, circuit.cavity, at_place, modes_to_hz)
    return build.finish()


def _add_cone(build: _Assembly, circuit: SpeakerCircuit) -> int:
    driver = circuit.driver
    velocity = build.add(driver.moving_mass_kg, "fundamental")
    build.lose(velocity, driver.resistance_ns_per_m)
    spring = build.add(1 / driver.compliance_m_per_n, "fundamental")
    # The store of a spring is its stiffness when its state is the way x: energy 0.5 k x^2, k dx/dt = k v.
    build.couple(spring, velocity, 1 / driver.compliance_m_per_n)
    for hung in driver.hung:
        stiffness, loss = 1 / hung.compliance_m_per_n, hung.resistance_ns_per_m
        spring = build.add(stiffness, "driver")
        mass = build.add(hung.mass_kg, "driver")
        build.couple(spring, velocity, stiffness)
        build.couple(mass, spring, stiffness)
        build.lose(velocity, loss)
        build.lose(mass, loss)
        build.entries += [(velocity, mass, loss), (mass, velocity, loss)]
    return velocity


def _add_air(
    build: _Assembly, circuit: SpeakerCircuit, cavity: Cavity, modes_to_hz: float
) -> list[tuple[int, list[float]]]:
    """Uniform pressure and modes of each line: (state, mode shape at cone and branches)."""
    places = 1 + len(circuit.branches)
    air = [(build.add(cavity.compliance_m3_per_pa, "fundamental"), [1.0] * places)]
    for index, line in enumerate(cavity.lines):
        at_m = circuit.places_m(index)
        for order in range(1, int(2 * line.length_m * modes_to_hz / cavity.speed_m_s) + 1):
            natural = np.pi * order * cavity.speed_m_s / line.length_m
            shapes = [float(np.cos(np.pi * order * place_m / line.length_m)) for place_m in at_m]
            compliance = cavity.compliance_m3_per_pa / 2
            pressure = _add_mode(build, compliance, natural, line.damping_per_s, "standing wave", line.dimension)
            air.append((pressure, shapes))
    return air


def _add_mode(build: _Assembly, compliance: float, natural: float, damping: float, cause: Cause, place: str) -> int:
    """Compliance parallel to a mass with its loss: one mode of a line. Returns the pressure's state."""
    pressure = build.add(compliance, cause, place)
    mass = 1 / (natural**2 * compliance)
    flow = build.add(mass, cause, place)
    build.couple(flow, pressure)
    build.lose(flow, damping * mass)
    return pressure


def _add_branch(
    build: _Assembly, branch: Branch, cavity: Cavity, at_place: list[tuple[int, float]], modes_to_hz: float
) -> None:
    if isinstance(branch, Leak) and not branch.mass_kg_per_m4:
        for row, one in at_place:
            build.entries += [
                (row, column, -one * other / branch.resistance_pa_s_per_m3) for column, other in at_place
            ]
        return
    mass = port_mass_kg_per_m4(branch, cavity) if isinstance(branch, Port) else branch.mass_kg_per_m4
    flow = build.add(mass, "wall" if isinstance(branch, Wall) else "fundamental")
    build.lose(flow, branch.resistance_pa_s_per_m3)
    for state, shape in at_place:
        build.couple(flow, state, shape)
    if isinstance(branch, Wall):
        stiffness = 1 / branch.compliance_m3_per_pa
        build.couple(build.add(stiffness, "wall"), flow, stiffness)
    if isinstance(branch, Port) and branch.pipe:
        # Zc tanh(gamma l) = sum over odd quarter waves, each a compliance C' l / 2 parallel to its mass and loss.
        compliance = branch.area_m2 * branch.length_m / (cavity.density_kg_m3 * cavity.speed_m_s**2) / 2
        for order in range(1, int(4 * branch.length_m * modes_to_hz / cavity.speed_m_s) + 2, 2):
            natural = np.pi * order * cavity.speed_m_s / (2 * branch.length_m)
            build.couple(
                _add_mode(build, compliance, natural, branch.pipe_damping_per_s, "port", ""), flow
            )


def _modes(space: StateSpace) -> tuple[ComplexArray, list[tuple[Cause, str]], FloatArray]:
    """Upper complex eigenvalues, what owns the largest part of each one's energy, and that part."""
    values, vectors = np.linalg.eig(space.rates)
    upper = np.flatnonzero(values.imag > 0)
    energy = space.stores[:, None] * np.abs(vectors[:, upper]) ** 2
    energy = energy / energy.sum(axis=0)
    names = sorted(set(space.owners))
    parts = np.array([energy[[owner == name for owner in space.owners]].sum(axis=0) for name in names])
    best = parts.argmax(axis=0)
    return values[upper], [names[index] for index in best], parts.max(axis=0)


def _polish(circuit: SpeakerCircuit, starts: ComplexArray) -> ComplexArray:
    """Zeros of the characteristic function by Aberth's method: Newton steps in which the zeros repel each other."""
    poles = starts.copy()
    for _ in range(60):
        step = 1e-4 * np.abs(poles.real)
        sign, logarithm = characteristic(circuit, poles)
        right_sign, right = characteristic(circuit, poles + step)
        left_sign, left = characteristic(circuit, poles - step)
        # A start may hit its zero exactly: then nothing is left to change.
        logarithm = np.where(sign == 0, right, logarithm)
        # Function over slope, scaled by the function itself so that nothing overflows.
        slope = (right_sign * np.exp(right - logarithm) - left_sign * np.exp(left - logarithm)) / (2 * step)
        newton = sign / slope
        apart = poles[:, None] - poles[None, :]
        np.fill_diagonal(apart, np.inf)
        change = newton / (1 - newton * (1 / apart).sum(axis=1))
        poles = poles - change
        if np.all(np.abs(change) < 1e-11 * np.abs(poles)):
            return poles
    raise ArithmeticError(f"no convergence: last step {np.max(np.abs(change) / np.abs(poles)):.2g} of a pole")


def _residues(circuit: SpeakerCircuit, poles: ComplexArray, wanted: NDArray[np.int64]) -> ComplexArray:
    """Contour integral of the motional impedance around each wanted pole; checks that the pole lies there."""
    turn = np.exp(2j * np.pi * np.arange(CONTOUR_POINTS) / CONTOUR_POINTS)
    others = np.concatenate([poles, np.conj(poles), [0.0]])
    residues = np.zeros(wanted.size, dtype=complex)
    for number, index in enumerate(wanted):
        distance = np.abs(others - poles[index])
        radius = 0.3 * min(distance[distance > 0].min(), abs(poles[index].real) + 0.01 * abs(poles[index]))
        around = motional_ohm(circuit, poles[index] + radius * turn) * radius * turn
        residues[number] = around.mean()
        if abs(residues[number]) > LOWEST_HEIGHT_OHM * abs(poles[index].real):
            offset = (around * radius * turn).mean() / residues[number]
            if abs(offset) > 1e-6 * abs(poles[index].real):
                raise ArithmeticError(f"no pole at {poles[index]} but {offset} beside it")
    return residues
