"""The sound of a box from its impedance: level over Small's reference, and where it cannot be told.

The sound that leaves the box is the flow that compresses its air (Small, JAES 21(5), 1973). With the motional impedance
Zmot and that at the terminals Z, the flow share T into the air's compliance and the driver's Qes and ws,

    G = s T (Zmot/Z) (Qes/ws),

the pressure over that of a driver of constant acceleration with Re alone: 0 dB is Small's reference level with the
Mms of free air, all that hangs on the cone included (Qes/ws = Re Mms/Bl^2).

Small resonances of driver, air and walls load the cone as they were found, and so belong to the level. What else they
do to the sound is not seen at the terminals: how a surround sounds, how a standing wave drives the port, how much of
what a wall takes it gives away again outside. Where that could count, the level is hatched.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from stillbox.analysis.enclosure.box import BoxFit
from stillbox.analysis.enclosure.box_model import BoxModel
from stillbox.analysis.enclosure.box_numbers import BoxNumbers
from stillbox.analysis.impedance.findings import Cause
from stillbox.analysis.lumped.cone_resonances import SAME_PAIR, ConeResonances
from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.lumped.driver_model import cone_of
from stillbox.analysis.maths.quantity import Quantity, derived
from stillbox.analysis.maths.rational import resonators_ohm
from stillbox.capture.arrays import ComplexArray, FloatArray

SHOWN_HZ = (10.0, 500.0)
"""Band that pictures of the bass show."""
HEARD_FROM_HZ = 20.0
"""Below it the cone of a vented box moves ever more, and music hardly is."""
HATCHED_DB = 0.5
"""What sound that cannot be told may change the level by before the band is hatched."""
SURE = 0.6
"""Probability from which on a standing wave is taken for one."""
SURROUND_AREA_PER_MASS, SURROUND_MOST_AREA = 2.0, 0.15
"""Share of the cone's area that swings with a resonance of the driver, over its share of the mass; and the most
(common practice, no source: a surround is light and wide)."""
MOST_OF_WALL = 0.1
"""Compliance of a wall over that of the air, at most: a stronger resonance is the air's, whatever its cause seems."""

Bands = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Origin:
    """A resonance found in the box: where it lies with the cone held, its cause, and how sure that is."""

    frequency_hz: float
    cause: Cause
    confidence: float


@dataclass(frozen=True)
class BassSystem:
    """A box with its driver: a model and its parameters.

    Attributes
    ----------
    reference_s : float or None
        Qes/ws of the driver in free air; None: the bare parameters Re Mms/Bl^2 of the model.
    may_be_wall : ndarray of bool or None, shape (pairs,)
        Small resonances that are no standing waves for sure; None: all are.
    moved_air : bool
        The standing waves are not those of this box any more.
    """

    model: BoxModel
    parameters: FloatArray
    reference_s: float | None = None
    may_be_wall: NDArray[np.bool_] | None = None
    moved_air: bool = False

    @cached_property
    def numbers(self) -> BoxNumbers:
        """The parameters by name."""
        return self.model.read(self.parameters)

    @property
    def tuning_hz(self) -> float | None:
        """Tuning of a vented box."""
        return self.model.tuning_rad_s(self.numbers) / (2 * np.pi) if self.model.vented else None

    @property
    def reference(self) -> float:
        """Re Mms/Bl^2 in seconds."""
        bare = float(np.exp(self.numbers.cone.ln_re - self.numbers.cone.ln_scale))
        return bare if self.reference_s is None else self.reference_s

    @property
    def stiffness_rad2_s2(self) -> float:
        """Of the air over the moving mass."""
        return float(np.exp(self.numbers.load.ln_alpha + 2 * self.numbers.cone.ln_ws))

    @property
    def small(self) -> ConeResonances:
        """Small resonances as they are now."""
        return self.model.small.moved(self.model.changes_of(self.parameters))


def reference_quantity(driver: DriverFit) -> Quantity:
    """ln(Qes/ws): its uncertainty, that of Re included, is that of the reference level in nepers."""

    def logarithm(x: FloatArray) -> float:
        cone = cone_of(x)
        return float(np.log(driver.cone(x).mass_ratio) + cone.ln_re - cone.ln_scale)

    return derived(logarithm, driver.reported, driver.reported_covariance)


def bass_system(fit: BoxFit, origins: Sequence[Origin] = ()) -> BassSystem:
    """The box as measured; small resonances without an origin count as standing waves."""
    poles = fit.model.small.moved(fit.model.changes_of(fit.parameters)).poles_rad_s
    may_be_wall = np.zeros(poles.size, dtype=bool)
    for pair, pole in enumerate(poles):
        origin = _origin_of(abs(pole) / (2 * np.pi), origins)
        may_be_wall[pair] = origin is not None and (origin.cause != "standing wave" or origin.confidence < SURE)
    reference_s = float(np.exp(reference_quantity(fit.driver).value))
    return BassSystem(fit.model, fit.parameters, reference_s, may_be_wall)


def _origin_of(frequency_hz: float, origins: Sequence[Origin]) -> Origin | None:
    nearest = min(origins, key=lambda one: abs(one.frequency_hz - frequency_hz), default=None)
    if nearest is None or abs(nearest.frequency_hz - frequency_hz) > SAME_PAIR * frequency_hz:
        return None
    return nearest


def response(system: BassSystem, s: ComplexArray, coil: bool = True) -> ComplexArray:
    """G at s, shape (n,); without ``coil`` the coil has its DC resistance only."""
    model, x = system.model, system.parameters
    cone = system.numbers.cone
    motional = np.exp(cone.ln_scale) / model.cone(s, x)[0]
    inductance = model.coil.evaluate(s, x[model.layout.blocks["coil"]])[0] if coil else 0.0
    terminals = np.exp(cone.ln_re) + inductance + motional
    share = model.shares(s, x)[0]
    result: ComplexArray = s * system.reference * share * motional / terminals
    return result


def level_db(system: BassSystem, frequency_hz: FloatArray, coil: bool = True) -> FloatArray:
    """Level over Small's reference, dB, shape of ``frequency_hz``."""
    return 20 * np.log10(np.abs(response(system, 2j * np.pi * np.asarray(frequency_hz), coil)))


def doubt_db(system: BassSystem, frequency_hz: FloatArray) -> FloatArray:
    """What the sound that the terminals do not show could change the level by, dB, shape of ``frequency_hz``."""
    s = 2j * np.pi * np.asarray(frequency_hz, dtype=float)
    total = np.zeros(s.size)
    small = system.small
    for pair, (pole, residue) in enumerate(zip(small.poles_rad_s, small.residues, strict=True)):
        total += _doubt(system, s, pair, pole, residue)
    return 20 * np.log10(1 + total)


def _doubt(system: BassSystem, s: ComplexArray, pair: int, pole: complex, residue: complex) -> FloatArray:
    """Of one small resonance, as a part of the pressure."""
    # What it is at low frequency, resistance and mass, is known: the lumped box has it.
    mass = -2 * (residue / pole**2).real
    load = resonators_ohm(s, np.array([pole]), np.array([residue]))
    resonant = load + 2 * (residue / pole).real - s * mass
    if pair < system.model.of_driver:
        area = float(np.clip(SURROUND_AREA_PER_MASS * mass, 0.0, SURROUND_MOST_AREA))
        return area * np.abs(resonant / (s * mass)) if area else np.zeros(s.size)
    inside, port = system.numbers.inside, system.numbers.port
    share = np.abs(system.model.shares(s, system.parameters)[0])
    over_air = np.abs(resonant / system.stiffness_rad2_s2)
    is_wall = system.may_be_wall is not None and system.may_be_wall[pair]
    is_wall &= 0 < mass * abs(pole) ** 2 / system.stiffness_rad2_s2 < MOST_OF_WALL
    result: FloatArray
    if system.moved_air or is_wall:
        # Above its resonance it stands still. What goes into the compliance is s times the shared pressure.
        over_air = np.minimum(over_air, np.abs(load / system.stiffness_rad2_s2))
        result = over_air * np.abs(s) / share
        return result
    # A standing wave drives the leak as well, and the port, forward or backward; at low frequency place and kappa have
    # it already. The place is one number, though each wave may see the leak from either side.
    wb = system.model.tuning_rad_s(system.numbers)
    outlets = (1 + abs(inside.leak_place)) * np.abs(inside.leak * wb / (1 + inside.leak_mass * s / wb))
    if port is not None:
        outlets = outlets + 1 / np.abs((1 - port.kappa) * s / wb**2 + port.port_loss / wb)
    result = over_air * outlets / share
    return result


def hatched_hz(system: BassSystem) -> Bands:
    """Bands within `SHOWN_HZ` where the level is in doubt by more than `HATCHED_DB`: lowest and highest frequency."""
    grid_hz = np.geomspace(*SHOWN_HZ, 600)
    inside = np.concatenate([[False], doubt_db(system, grid_hz) > HATCHED_DB, [False]])
    edges = np.flatnonzero(np.diff(inside.astype(int)))
    return tuple((float(grid_hz[low]), float(grid_hz[high - 1])) for low, high in edges.reshape(-1, 2))


def hatched_octaves(bands: Bands) -> float:
    """How many octaves are hatched."""
    return float(sum(np.log2(high / low) for low, high in bands))


def is_hatched(bands: Bands, frequency_hz: FloatArray) -> NDArray[np.bool_]:
    """Whether frequencies lie in a band, shape of ``frequency_hz``."""
    inside = np.zeros(np.shape(frequency_hz), dtype=bool)
    for low, high in bands:
        inside |= (frequency_hz >= low) & (frequency_hz <= high)
    return inside


def with_parameters(system: BassSystem, parameters: FloatArray) -> BassSystem:
    """The same with other parameters."""
    return replace(system, parameters=parameters)
