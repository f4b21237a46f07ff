"""Bass of the box as measured, and of the same driver in a changed box: curves, figures, what a change makes of them.

The sound itself, and where it cannot be told, is in `analysis.system.box_sound`; uncertainties and differences are
in `analysis.bass.bass_cost`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.bass.bass_controls import USUAL_V, VOLUME
from stillbox.analysis.enclosure.box_quantities import closed_figures
from stillbox.analysis.physics.port import ENDS, LONGEST_ENDS, Port
from stillbox.analysis.system.absolute import Absolute, Air
from stillbox.analysis.system.box_sound import Bands, BassSystem, hatched_hz, level_db, response
from stillbox.capture.arrays import ComplexArray, FloatArray
from stillbox.capture.errors import StillboxError

LOWEST_HZ, HIGHEST_HZ = 5.0, 1_000.0
POINTS = 800
PEAK_UP_TO_HZ = 300.0
"""Above it standing waves and coil make the level, not driver, box and port."""


@dataclass(frozen=True)
class BassCurves:
    """Curves over frequency.

    Attributes
    ----------
    frequency_hz, level_db, group_delay_s : ndarray, shape (n,)
        Level over Small's reference level of this driver.
    impedance_ohm : complex ndarray
    excursion_m : ndarray or None
        Peak excursion of the cone, one way, for the voltage given; None without absolute parameters.
    port_speed_m_s : ndarray or None
        Peak air speed in the port.
    hatched_hz : tuple of (low, high)
        Bands where the level is not known: sound of small resonances that the terminals do not show.
    """

    frequency_hz: FloatArray
    level_db: FloatArray
    group_delay_s: FloatArray
    impedance_ohm: ComplexArray
    excursion_m: FloatArray | None
    port_speed_m_s: FloatArray | None
    hatched_hz: Bands = ()


@dataclass(frozen=True)
class BassFigures:
    """Numbers of a response: 3 dB and 10 dB points, slope at the former, highest level up to `PEAK_UP_TO_HZ` and where.

    The group delay is the longest up to there; slope in dB an octave.
    """

    f3_hz: float
    f10_hz: float
    peak_db: float
    peak_hz: float
    group_delay_s: float
    f3_slope_db: float = 0.0


LEAST_VOLUME_RATIO, MOST_VOLUME_RATIO = VOLUME.low / 100, VOLUME.high / 100
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
        """From the units of people; None if nothing is to be changed. The limits are those of `bass_controls`."""
        if volume_percent is None and port_diameter_mm is None and port_length_mm is None:
            return None
        return cls(
            volume_ratio=None if volume_percent is None else volume_percent / 100,
            port_diameter_m=None if port_diameter_mm is None else port_diameter_mm / 1000,
            port_length_m=None if port_length_mm is None else port_length_mm / 1000,
        )


def bass_curves(
    system: BassSystem,
    voltage_v: float = USUAL_V,
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
    motional = np.exp(system.numbers.cone.ln_scale) / model.cone(s, x)[0]
    excursion = speed = None
    if absolute is not None:
        velocity = np.sqrt(2) * voltage_v * motional / impedance / absolute.bl_tm.value
        excursion = np.abs(velocity / s)
        if model.vented and port_area_m2:
            share = model.shares(s, system.parameters)[1]
            speed = np.abs(velocity * share) * absolute.sd_m2.value / port_area_m2
    return BassCurves(
        frequency_hz=grid_hz,
        level_db=level_db(system, grid_hz),
        group_delay_s=group_delay_s(system, grid_hz),
        impedance_ohm=impedance,
        excursion_m=excursion,
        port_speed_m_s=speed,
        hatched_hz=hatched_hz(system),
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
    level = level_db(system, grid_hz, coil)
    low = grid_hz <= PEAK_UP_TO_HZ
    peak_hz, peak_db = _highest(grid_hz[low], level[low])
    f3_hz = _rises_to(grid_hz, level, -3.0103)
    octave = 2.0**0.01
    slope_db = float(np.diff(level_db(system, np.array([f3_hz / octave, f3_hz * octave]), coil))[0]) / 0.02
    delay = group_delay_s(system, grid_hz[low])
    return BassFigures(f3_hz, _rises_to(grid_hz, level, -10.0), peak_db, peak_hz, float(delay.max()), slope_db)


def _rises_to(grid_hz: FloatArray, level: FloatArray, wanted_db: float) -> float:
    """Going up, the first frequency at which a level is reached."""
    above = np.flatnonzero(level >= wanted_db)
    if above.size == 0 or above[0] == 0:
        raise StillboxError(
            f"the response does not cross {wanted_db:.0f} dB between {grid_hz[0]:.0f} and {grid_hz[-1]:.0f} Hz", ""
        )
    last = int(above[0]) - 1
    part = (wanted_db - level[last]) / (level[last + 1] - level[last])
    return float(grid_hz[last] * (grid_hz[last + 1] / grid_hz[last]) ** part)


def _highest(grid_hz: FloatArray, level_db: FloatArray) -> tuple[float, float]:
    """Highest point, by a parabola on the logarithmic axis."""
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
    now, inside, port_now = system.numbers.load, system.numbers.inside, system.numbers.port
    ratio = 1.0 if change.volume_ratio is None else change.volume_ratio
    if not LEAST_VOLUME_RATIO <= ratio <= MOST_VOLUME_RATIO:
        raise StillboxError(
            f"the volume may change by a factor of {LEAST_VOLUME_RATIO:g} to {MOST_VOLUME_RATIO:g}, not {ratio:g}", ""
        )
    tuning = 1 / np.sqrt(ratio) if system.model.vented else 1.0
    mass = 1.0
    if change.port_diameter_m is not None or change.port_length_m is not None:
        mass = _port_mass_ratio(system, change, volume_m3, port, air)
        tuning /= np.sqrt(mass)
    # 1/QL = 1/(wB C R): a leak of the same resistance.
    other = {
        "ln_alpha": now.ln_alpha - np.log(ratio),
        "leak": inside.leak / (tuning * ratio),
        "leak_mass": inside.leak_mass * tuning,
    }
    if port_now is not None:
        other |= {
            "ln_wb": port_now.ln_wb + np.log(tuning),
            "port_loss": port_now.port_loss / (tuning * mass),
            "way": port_now.way / (tuning * mass),
            "ln_way": port_now.ln_way - np.log(tuning),
            # kappa wB^2: the shared air over all that moves in the port.
            "kappa": min(port_now.kappa / mass, MOST_SHARED),
        }
    x = system.model.layout.changed(system.parameters, **other)
    return replace(system, parameters=x, moved_air=change.volume_ratio is not None and ratio != 1.0)


def ends_over_radius(port: Port, tuning_hz: float, volume_m3: float, air: Air) -> float:
    """End corrections of a port over its radius, from the measured tuning and volume."""
    mass = air.stiffness_pa / (volume_m3 * (2 * np.pi * tuning_hz) ** 2)
    length = mass * port.area_m2 / air.density_kg_m3
    return float((length - port.length_m) / (0.5 * port.diameter_m))


def _port_mass_ratio(system: BassSystem, change: Change, volume_m3: float | None, port: Port | None, air: Air) -> float:
    if not system.model.vented or port is None or volume_m3 is None or system.tuning_hz is None:
        raise StillboxError(
            "another port can be foretold for a vented box whose port's diameter and length stand in build.toml and "
            "whose effective volume is known (a second take of the driver)",
            "",
        )
    ends = ends_over_radius(port, system.tuning_hz, volume_m3, air)
    if not 0 < ends < LONGEST_ENDS:
        ends = ENDS
    new = Port(
        port.diameter_m if change.port_diameter_m is None else change.port_diameter_m,
        port.length_m if change.port_length_m is None else change.port_length_m,
    )
    return new.mass_kg_per_m4(air.density_kg_m3, ends) / port.mass_kg_per_m4(air.density_kg_m3, ends)


def changed_closed(system: BassSystem) -> tuple[float, float] | None:
    """fc in Hz and Qtc of a changed closed box; None for a vented one, and where there is no such resonance."""
    if system.model.vented:
        return None
    try:
        fc_hz, _, _, qtc = closed_figures(system.model, system.parameters)
    except StillboxError:
        return None
    return float(fc_hz), float(qtc)
