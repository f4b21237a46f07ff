"""Bass response of the box as measured, and of the same driver in a changed box.

The sound that leaves the box is the flow that compresses its air (Small, JAES 21(5), 1973). With the cone's mechanical
impedance over its mass D, the flow share T into the air's compliance and the impedance Z at the terminals,

    G = s Re T / (Z D),

the pressure over that of a driver of constant acceleration with Re alone: 0 dB at high frequency but for the coil.
Standing waves and walls are left out; the mass they add at low frequency counts as air load.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from analysis.box import BoxFit
from analysis.box_model import KAPPA, LEAK, LEAK_MASS, LN_ALPHA, LN_WB, MU, PORT_LOSS, BoxModel
from analysis.cavity import FLANGED_END, FREE_END
from analysis.cone_resonances import ConeResonances
from analysis.driver_model import FIRST_COIL, LN_QMS, LN_RE, LN_SCALE, LN_WS
from analysis.quantity import Quantity
from analysis.second_take import Absolute, Air
from capture.arrays import ComplexArray, FloatArray
from capture.errors import StillboxError

LOWEST_HZ, HIGHEST_HZ = 5.0, 1_000.0
POINTS = 800
STEP = 1e-4


@dataclass(frozen=True)
class BassSystem:
    """A lumped box with its driver: a model and its parameters, without small resonances."""

    model: BoxModel
    parameters: FloatArray

    def box(self, index: int) -> int:
        return self.model.first_box + index

    @property
    def tuning_hz(self) -> float | None:
        """Tuning of a vented box."""
        return float(np.exp(self.parameters[self.box(LN_WB)]) / (2 * np.pi)) if self.model.vented else None


@dataclass(frozen=True)
class BassCurves:
    """Curves over frequency.

    Attributes
    ----------
    frequency_hz, level_db, group_delay_s : ndarray, shape (n,)
        Level re the driver's own at high frequency.
    impedance_ohm : complex ndarray
    excursion_m : ndarray or None
        Peak excursion of the cone, one way, for the voltage given; None without absolute parameters.
    port_speed_m_s : ndarray or None
        Peak air speed in the port.
    """

    frequency_hz: FloatArray
    level_db: FloatArray
    group_delay_s: FloatArray
    impedance_ohm: ComplexArray
    excursion_m: FloatArray | None
    port_speed_m_s: FloatArray | None


@dataclass(frozen=True)
class BassFigures:
    """Numbers of a response: 3 dB and 10 dB points, highest level below 1 kHz and where, longest group delay."""

    f3_hz: float
    f10_hz: float
    peak_db: float
    peak_hz: float
    group_delay_s: float


LEAST_VOLUME_RATIO, MOST_VOLUME_RATIO = 0.05, 20.0
CHANGE_LIMITS: dict[str, tuple[float, float]] = {
    "volume_percent": (100 * LEAST_VOLUME_RATIO, 100 * MOST_VOLUME_RATIO),
    "port_diameter_mm": (5.0, 1000.0),
    "port_length_mm": (1.0, 5000.0),
}
"""What may be foretold, in the units of people: lowest and highest, for window and command line alike."""
VOLTAGE_LIMITS_V = (0.01, 100.0)
HEARD_FROM_HZ = 20.0
"""Below it the cone of a vented box moves ever more, and music hardly is."""
HEARD_AIR_M_S = 17.0
"""Above it the air in the port is heard (common practice, no source)."""
MOST_SHARED = 0.9
"""Of the air that moves in a port: some is always its own."""


@dataclass(frozen=True)
class Change:
    """What is to be changed; None stays as it is.

    Attributes
    ----------
    volume_ratio : float or None
        Effective volume over the present one.
    port_diameter_m, port_length_m : float or None
        Size of the port; the other one stays when only one is given.
    """

    volume_ratio: float | None = None
    port_diameter_m: float | None = None
    port_length_m: float | None = None

    @classmethod
    def of(
        cls,
        volume_percent: float | None = None,
        port_diameter_mm: float | None = None,
        port_length_mm: float | None = None,
    ) -> Change | None:
        """From the units of people; None if nothing is to be changed. The limits are those of `CHANGE_LIMITS`."""
        if volume_percent is None and port_diameter_mm is None and port_length_mm is None:
            return None
        return cls(
            volume_ratio=None if volume_percent is None else volume_percent / 100,
            port_diameter_m=None if port_diameter_mm is None else port_diameter_mm / 1000,
            port_length_m=None if port_length_mm is None else port_length_mm / 1000,
        )


def bass_system(fit: BoxFit) -> BassSystem:
    """The box as measured, small resonances folded into the air load."""
    return BassSystem(_lumped_model(fit), _lumped_parameters(fit, fit.parameters))


def _lumped_model(fit: BoxFit) -> BoxModel:
    nothing = np.zeros(0, dtype=complex)
    small = ConeResonances(fit.model.small.scale_ohm_rad_s, nothing, nothing)
    return replace(fit.model, small=small, of_driver=0)


def _lumped_parameters(fit: BoxFit, x: FloatArray) -> FloatArray:
    """Parameters without those of the small resonances; the mass that these add at the tuning goes to ``MU``."""
    model = fit.model
    omega = float(np.exp(x[model.first_box + LN_WB])) if model.vented else model.reference_rad_s
    plain = x[: model.changes.start].copy()
    load = model.small.load(np.array([1j * omega]), x[model.changes])[0] if model.small.size else 0j
    plain[model.first_box + MU] += load.imag / omega
    # What the small resonances lose near the tuning is loss of the cone there.
    loss = np.exp(plain[LN_WS] - plain[LN_QMS]) + load.real
    plain[LN_QMS] = plain[LN_WS] - np.log(max(loss, 1e-3 * np.exp(plain[LN_WS])))
    return plain


def response(system: BassSystem, s: ComplexArray, coil: bool = True) -> ComplexArray:
    """G at s, shape (n,); without ``coil`` the coil has its DC resistance only, as published alignments have it."""
    model, x = system.model, system.parameters
    cone = model.cone(s, x)[0]
    share = model.shares(s, system.parameters)[0]
    resistance = np.exp(x[LN_RE])
    motional = np.exp(x[LN_SCALE]) / cone
    inductance = model.coil.evaluate(s, x[FIRST_COIL : model.first_box])[0] if coil else 0.0
    return s * resistance * share / ((resistance + inductance + motional) * cone)


def bass_curves(
    system: BassSystem,
    voltage_v: float = 2.83,
    absolute: Absolute | None = None,
    port_area_m2: float | None = None,
    frequency_hz: FloatArray | None = None,
) -> BassCurves:
    """All curves of a system.

    Parameters
    ----------
    system : BassSystem
    voltage_v : float
        Rms voltage at the terminals, for excursion and air speed.
    absolute : Absolute, optional
        Bl and Sd of the driver.
    port_area_m2 : float, optional
    frequency_hz : ndarray, optional
        Default: 800 points from 5 Hz to 1 kHz.
    """
    grid_hz = np.geomspace(LOWEST_HZ, HIGHEST_HZ, POINTS) if frequency_hz is None else np.asarray(frequency_hz)
    s = 2j * np.pi * grid_hz
    model, x = system.model, system.parameters
    impedance, _ = model(s, x)
    motional = np.exp(x[LN_SCALE]) / model.cone(s, x)[0]
    excursion = speed = None
    if absolute is not None:
        velocity = np.sqrt(2) * voltage_v * motional / impedance / absolute.bl_tm.value
        excursion = np.abs(velocity / s)
        if model.vented and port_area_m2:
            share = model.shares(s, system.parameters)[1]
            speed = np.abs(velocity * share) * absolute.sd_m2.value / port_area_m2
    return BassCurves(
        frequency_hz=grid_hz,
        level_db=20 * np.log10(np.abs(response(system, s))),
        group_delay_s=group_delay_s(system, grid_hz),
        impedance_ohm=impedance,
        excursion_m=excursion,
        port_speed_m_s=speed,
    )


def group_delay_s(system: BassSystem, frequency_hz: FloatArray) -> FloatArray:
    """``-d phase / d omega`` of the response, by a difference of a thousandth of the frequency."""
    step = 1e-3 * frequency_hz
    above = response(system, 2j * np.pi * (frequency_hz + step))
    below = response(system, 2j * np.pi * (frequency_hz - step))
    return -np.angle(above / below) / (4 * np.pi * step)


def bass_figures(system: BassSystem, coil: bool = True) -> BassFigures:
    """f3, f10, peak and longest group delay.

    Raises
    ------
    StillboxError
        If the response does not reach -3 dB below 1 kHz.
    """
    grid_hz = np.geomspace(LOWEST_HZ, HIGHEST_HZ, POINTS)
    level = 20 * np.log10(np.abs(response(system, 2j * np.pi * grid_hz, coil)))
    peak_hz, peak_db = _highest(grid_hz, level)
    delay = group_delay_s(system, grid_hz)
    return BassFigures(
        _falls_to(grid_hz, level, -3.0103), _falls_to(grid_hz, level, -10.0), peak_db, peak_hz, float(delay.max())
    )


def _falls_to(grid_hz: FloatArray, level_db: FloatArray, wanted_db: float) -> float:
    """Lowest frequency from which on the response stays above a level up to its highest point."""
    top = int(np.argmax(level_db))
    below = np.flatnonzero(level_db[: top + 1] < wanted_db)
    if below.size == 0 or level_db[top] < wanted_db:
        raise StillboxError(
            f"the response does not cross {wanted_db:.0f} dB between {grid_hz[0]:.0f} and {grid_hz[-1]:.0f} Hz"
        )
    last = int(below[-1])
    part = (wanted_db - level_db[last]) / (level_db[last + 1] - level_db[last])
    return float(grid_hz[last] * (grid_hz[last + 1] / grid_hz[last]) ** part)


def _highest(grid_hz: FloatArray, level_db: FloatArray) -> tuple[float, float]:
    """Highest point below 1 kHz, by a parabola on the logarithmic axis."""
    top = int(np.argmax(level_db))
    if top in (0, level_db.size - 1):
        return float(grid_hz[top]), float(level_db[top])
    left, middle, right = level_db[top - 1 : top + 2]
    bend = left - 2 * middle + right
    offset = 0.5 * (left - right) / bend if bend else 0.0
    return float(grid_hz[top] * (grid_hz[1] / grid_hz[0]) ** offset), float(middle - 0.25 * (left - right) * offset)


def largest(frequency_hz: FloatArray, values: FloatArray, from_hz: float = 0.0) -> tuple[float, float]:
    """Where in Hz a curve is highest from a frequency on, and how high."""
    first = int(np.searchsorted(frequency_hz, from_hz))
    top = first + int(np.argmax(values[first:]))
    return float(frequency_hz[top]), float(values[top])


def changed(system: BassSystem, change: Change, volume_m3: float | None, port: Port | None, air: Air) -> BassSystem:
    """The same driver with another volume or port.

    A leak with its air and the losses of the port keep their resistance, the air that moves for cone and port alike
    its mass; the ends of the port keep what the measured tuning says about them.

    Parameters
    ----------
    volume_m3 : float, optional
        Present effective volume: needed for another port.
    port : Port, optional
        Present port: needed for another port.
    """
    x = system.parameters.copy()
    alpha, leak = system.box(LN_ALPHA), system.box(LEAK)
    ratio = 1.0 if change.volume_ratio is None else change.volume_ratio
    if not LEAST_VOLUME_RATIO <= ratio <= MOST_VOLUME_RATIO:
        raise StillboxError(
            f"the volume may change by a factor of {LEAST_VOLUME_RATIO:g} to {MOST_VOLUME_RATIO:g}, not {ratio:g}"
        )
    x[alpha] -= np.log(ratio)
    tuning = 1 / np.sqrt(ratio) if system.model.vented else 1.0
    mass = 1.0
    if change.port_diameter_m is not None or change.port_length_m is not None:
        mass = _port_mass_ratio(system, change, volume_m3, port, air)
        tuning /= np.sqrt(mass)
    # 1/QL = 1/(wB C R): a leak of the same resistance.
    x[leak] /= tuning * ratio
    x[system.box(LEAK_MASS)] *= tuning
    if system.model.vented:
        x[system.box(LN_WB)] += np.log(tuning)
        x[system.box(PORT_LOSS)] /= tuning * mass
        # kappa wB^2: the shared air over all that moves in the port.
        x[system.box(KAPPA)] = min(x[system.box(KAPPA)] / mass, MOST_SHARED)
    return BassSystem(system.model, x)


@dataclass(frozen=True)
class Port:
    """A tube: inner diameter and length, m."""

    diameter_m: float
    length_m: float

    @property
    def area_m2(self) -> float:
        return float(np.pi / 4 * self.diameter_m**2)

    def mass_kg_per_m4(self, density_kg_m3: float, ends_over_radius: float) -> float:
        """Acoustic mass with its ends."""
        return density_kg_m3 * (self.length_m + ends_over_radius * 0.5 * self.diameter_m) / self.area_m2


ENDS = FLANGED_END + FREE_END
"""End corrections over the radius of a port that is flush outside and free inside (see `analysis.cavity`)."""
LONGEST_ENDS = 6.0


def ends_over_radius(port: Port, tuning_hz: float, volume_m3: float, air: Air) -> float:
    """End corrections of a port over its radius, from the measured tuning and volume."""
    mass = air.stiffness_pa / (volume_m3 * (2 * np.pi * tuning_hz) ** 2)
    length = mass * port.area_m2 / air.density_kg_m3
    return float((length - port.length_m) / (0.5 * port.diameter_m))


def _port_mass_ratio(system: BassSystem, change: Change, volume_m3: float | None, port: Port | None, air: Air) -> float:
    if not system.model.vented or port is None or volume_m3 is None or system.tuning_hz is None:
        raise StillboxError(
            "another port can be foretold for a vented box whose port's diameter and length stand in build.toml and "
            "whose effective volume is known (a second take of the driver)"
        )
    ends = ends_over_radius(port, system.tuning_hz, volume_m3, air)
    if not 0 < ends < LONGEST_ENDS:
        ends = ENDS
    new = Port(
        port.diameter_m if change.port_diameter_m is None else change.port_diameter_m,
        port.length_m if change.port_length_m is None else change.port_length_m,
    )
    return new.mass_kg_per_m4(air.density_kg_m3, ends) / port.mass_kg_per_m4(air.density_kg_m3, ends)


@dataclass(frozen=True)
class LiningCost:
    """What one state costs in bass against another, with the uncertainty of each difference."""

    fb_shift_hz: Quantity | None
    f3_shift_hz: Quantity
    peak_shift_db: Quantity
    alpha_ratio: Quantity


def lining_cost(before: BoxFit, after: BoxFit) -> LiningCost:
    """Differences after minus before.

    Both fits must lean on the same fit of the driver: what is uncertain about it, and about the air that moves with
    cone and port, moves both alike and counts as far as it does not cancel.
    """
    if before.driver is not after.driver:
        raise ValueError("both boxes must be fitted with the same driver")

    logarithm = _difference(before, after, _logarithm_of_alpha(before), _logarithm_of_alpha(after), "")
    ratio = float(np.exp(logarithm.value))
    return LiningCost(
        fb_shift_hz=_difference(before, after, _tuning(before), _tuning(after), "Hz")
        if before.vented and after.vented
        else None,
        f3_shift_hz=_difference(before, after, _figure(before, "f3_hz"), _figure(after, "f3_hz"), "Hz"),
        peak_shift_db=_difference(before, after, _figure(before, "peak_db"), _figure(after, "peak_db"), "dB"),
        alpha_ratio=Quantity(ratio, ratio * logarithm.std),
    )


_Sloped = tuple[float, FloatArray]
"""A number and its derivatives by the parameters of a fit."""


def _difference(before: BoxFit, after: BoxFit, of_before: _Sloped, of_after: _Sloped, unit: str) -> Quantity:
    first, second = of_before[1], of_after[1]
    by_shared = (first @ before.shared_gain, second @ after.shared_gain)
    own = sum(
        max(0.0, float(slopes @ fit.covariance @ slopes - common @ fit.shared_covariance @ common))
        for fit, slopes, common in ((before, first, by_shared[0]), (after, second, by_shared[1]))
    )
    # Of the two priors the wider one is taken: it was widened because the driver had changed.
    spread = max(before.shared_covariance, after.shared_covariance, key=lambda c: float(np.trace(c)))
    apart = by_shared[1] - by_shared[0]
    return Quantity(of_after[0] - of_before[0], float(np.sqrt(own + apart @ spread @ apart)), unit)


def _logarithm_of_alpha(fit: BoxFit) -> _Sloped:
    slopes = np.zeros(fit.parameters.size)
    slopes[fit.box(LN_ALPHA)] = 1.0
    return float(fit.parameters[fit.box(LN_ALPHA)]), slopes


def _tuning(fit: BoxFit) -> _Sloped:
    tuning_hz = float(np.exp(fit.parameters[fit.box(LN_WB)]) / (2 * np.pi))
    slopes = np.zeros(fit.parameters.size)
    slopes[fit.box(LN_WB)] = tuning_hz
    return tuning_hz, slopes


def _figure(fit: BoxFit, name: Literal["f3_hz", "peak_db"]) -> _Sloped:
    """Where the level L stays f3 moves by -(dL/dx)/(dL/df); at its highest point L itself moves by dL/dx."""
    model, figures = _lumped_model(fit), bass_figures(bass_system(fit))

    def level_db(x: FloatArray, frequency_hz: float) -> float:
        system = BassSystem(model, _lumped_parameters(fit, x))
        return float(20 * np.log10(np.abs(response(system, np.array([2j * np.pi * frequency_hz]))[0])))

    if name == "peak_db":
        return figures.peak_db, _slopes(fit, lambda x: level_db(x, figures.peak_hz))
    step_hz = 1e-3 * figures.f3_hz
    above, below = (level_db(fit.parameters, figures.f3_hz + step) for step in (step_hz, -step_hz))
    slopes = _slopes(fit, lambda x: level_db(x, figures.f3_hz))
    return figures.f3_hz, -slopes * 2 * step_hz / (above - below)


def _slopes(fit: BoxFit, function: Callable[[FloatArray], float]) -> FloatArray:
    """Derivatives by the parameters that the fit moved."""
    slopes = np.zeros(fit.parameters.size)
    for index in np.flatnonzero(np.diag(fit.covariance) > 0):
        step = min(STEP, 0.5 * float(np.sqrt(fit.covariance[index, index])) + 1e-7)
        move = np.zeros(fit.parameters.size)
        move[index] = step
        slopes[index] = (function(fit.parameters + move) - function(fit.parameters - move)) / (2 * step)
    return slopes


def figure_quantity(fit: BoxFit, name: Literal["f3_hz", "peak_db"], unit: str) -> Quantity:
    """One of `BassFigures` of the box as measured, with its uncertainty."""
    value, slopes = _figure(fit, name)
    variance = float(slopes @ fit.covariance @ slopes)
    return Quantity(value, float(np.sqrt(max(variance, 0.0))), unit)
