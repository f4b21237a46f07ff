"""What a resonance in the box could be: the driver's own resonances, standing waves, pipe modes, walls.

Each candidate predicts a frequency with the cone held (`analysis.impedance.held_cone`) and how strongly the cone feels
it. For a cone of mass M on a rigid box, K0/M = wc^2 - ws^2 (box spring over moving mass), and a mode of the box that
has the energy ratio a at the cone couples with ``a (fc^2 - fs^2) / (f^2 - fc^2)``. For a wall, and for the port as a
pipe, a is the ratio of its compliance to that of the air: for pipe modes ``2 fB^2 / f^2``, from the slope of ``Zc
tan(kL)``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from stillbox.analysis.impedance.detection import typical_limit
from stillbox.analysis.impedance.findings import Cause, ResonanceFit
from stillbox.analysis.impedance.held_cone import (
    HeldResonance,
    as_it_shows,
    cone_residue,
    held_motional_hz,
    held_resonances,
)
from stillbox.analysis.physics.air import speed_of_sound_m_s
from stillbox.analysis.physics.cavity import RoomMode, effective_port_length_m, pipe_modes_hz, room_modes
from stillbox.analysis.physics.plates import PanelRange, panel_material, panel_ranges
from stillbox.capture.build.build_description import BuildDescription

TEMPERATURE_DOUBT_C = 5.0
"""Half width: the temperature in the box is known no better."""

_SPRING_FLOOR = 0.05
"""Least fc^2 - fs^2 over fc^2 that is believed: the air load differs between baffle and box by some percent of the
moving mass (common practice, no source)."""
_SPRING_STD, _SPRING_STD_SMALL = 0.1, 0.7
"""Natural logarithm, of fc^2 - fs^2: of a plain one, and of one that is small against that floor."""
_SPRING_UNTOLD, _SPRING_UNTOLD_STD = 0.5, 0.5
"""fc^2 - fs^2 over fc^2 without a free-air take: a box of alpha 1, give or take (common practice, no source)."""

_TYPICAL_Q = 20.0
"""Of what was not found yet: a standing wave in a bare or thinly lined box (common practice, no source)."""
_DIMENSION_STD = 0.006
"""Relative: inside dimensions as measured with a rule; cone, magnet and braces take a little of them."""

_DRIVER_STD = 0.003
"""Relative change of a driver's own resonance between two mountings (common practice, no source)."""
_DRIVER_SEEN = 0.97
"""How often a driver's own resonance that is strong enough shows in the box too (common practice, no source)."""

_MODE_SEEN = {"axial": 0.8, "tangential": 0.15, "oblique": 0.05}
"""How often a mode that is strong enough is found: the cone drives axial modes best (common practice, no source)."""

NEAR_A_NODE = 0.02
"""Share of what a corner has that is always felt: near a node the exact place decides."""
_ROUNDED_STD = 0.7
"""Doubt about the mean of a mode over the cone, in units of its own logarithm: a stiff flat disc has all of it, a real
cone some (common practice, no source)."""
_FLAT = 1e-6
"""Argument below which the mean over the cone is that at its middle, to rounding."""

_PIPE_SEEN = 0.8
"""As that of an axial mode: a pipe mode moves along the tube (common practice, no source)."""
_PIPE_STD = 0.015
"""Relative: wall of the tube, rounded ends, grille (common practice, no source)."""
_END_DOUBT = 0.2
"""Part of both end corrections in doubt: flange and baffle near by (flanged and free differ by a quarter)."""
_PIPE_COUPLING_STD = 1.5
"""Natural logarithm: where port and cone lie in the standing waves decides (common practice, no source)."""
_TYPICAL_PORT_RADIUS_M = 0.03
"""Where no diameter is told (common practice, no source)."""

_PORT_PLACE_STD, _PORT_UNTOLD_STD = 0.3, 0.7
"""Relative, of the shift of a mode by the port's air: with its place told, and not told, where the mean over all places
stands for it: cos^2 of any phase is 0.5 with a standard deviation of 0.35, 0.7 of that."""

_MOST_MODES = 1_500
"""Beyond so many a match says nothing: they lie closer than they are known."""
_HIGHEST_CANDIDATE_HZ = 6_000.0
"""Above it a cone is larger than a wavelength and feels no standing wave (common practice, no source)."""
_ABOVE_THE_LAST = 1.3
"""Modes are counted up to this over the last resonance found: none farther above could be meant."""

_COLDEST_C, _WARMEST_C = -30.0, 60.0
"""Range of the air's formulas (`analysis.physics.air`)."""
_NO_HEIGHT_OHM = 1e-12
"""Stands for a height of nothing where a logarithm is taken."""


@dataclass(frozen=True)
class Setting:
    """What the lumped part of the measurement and the description tell about cone and box.

    Attributes
    ----------
    box_spring_hz2 : float
        fc^2 - fs^2.
    box_spring_ln_std : float
        Its uncertainty as a natural logarithm: large without a free-air take.
    closed_box_hz : float
        fc: resonance of the driver in the box with any port closed.
    tuning_hz : float or None
        fB of a vented box.
    cone_residue : float
        Bl^2/(2 Mms), ohm rad/s.
    """

    box_spring_hz2: float
    box_spring_ln_std: float
    closed_box_hz: float
    tuning_hz: float | None
    cone_residue: float

    def energy_ratio(self, held: HeldResonance) -> float:
        """The ratio a that belongs to a coupling found at a frequency."""
        return held.coupling * max(held.frequency_hz**2 - self.closed_box_hz**2, 1.0) / self.box_spring_hz2

    def height_ohm(self, frequency_hz: float, energy_ratio: float, q: float) -> float:
        """Height of a resonance with that energy ratio: coupling times cone residue over |Re p|."""
        room = max(frequency_hz**2 - self.closed_box_hz**2, 1.0)
        coupling = energy_ratio * self.box_spring_hz2 / room
        return self.cone_residue * coupling * q / (math.pi * frequency_hz)


@dataclass(frozen=True)
class Candidate:
    """One possible origin.

    Attributes
    ----------
    cause, name
    frequency_hz : float
        With the cone held.
    shift, std : float
        Mean and standard deviation of the natural logarithm of found over predicted frequency.
    seen : float
        Probability that such an origin shows in this measurement, 0 to 1.
    energy_ratio, largest_energy_ratio : float or None
        At the cone, where known; and its largest value over the front, of a standing wave.
    energy_ratio_ln_std : float
        Doubt about both as a natural logarithm.
    free_air : HeldResonance or None
        For a candidate that is of a driver, what it is on that driver's own terminals.
    as_shown : bool
        Whether frequency and Q are those of the peak, with the cone moving: what a crossover lies before cannot be held
        in thought.
    mode : RoomMode or None
    """

    cause: Cause
    name: str
    frequency_hz: float
    shift: float
    std: float
    seen: float
    energy_ratio: float | None = None
    largest_energy_ratio: float | None = None
    energy_ratio_ln_std: float = 0.0
    free_air: HeldResonance | None = None
    as_shown: bool = False
    mode: RoomMode | None = None


def setting_of(in_box: ResonanceFit, free_air: ResonanceFit | None) -> Setting | None:
    """Lumped numbers from the motional peaks; None if the fit found no motional peak."""
    if not in_box.motional:
        return None
    peaks_hz = [peak.frequency_hz for peak in in_box.motional]
    tuning_hz = None
    closed_hz = peaks_hz[0]
    if len(peaks_hz) > 1:
        # fB^2 = fL^2 + fH^2 - fC^2 (Small, JAES 21, 1973 [M]); fB is the zero between the peaks.
        tuning_hz = held_motional_hz(in_box)
        closed_hz = math.sqrt(max(peaks_hz[0] ** 2 + peaks_hz[-1] ** 2 - tuning_hz**2, peaks_hz[0] ** 2))
    if free_air is not None and free_air.motional:
        spring = closed_hz**2 - free_air.motional[0].frequency_hz ** 2
        # The air load differs between baffle and box, so a small difference is not to be trusted.
        floor = _SPRING_FLOOR * closed_hz**2
        spring_hz2, doubt = max(spring, floor), _SPRING_STD if spring > 2 * floor else _SPRING_STD_SMALL
    else:
        spring_hz2, doubt = _SPRING_UNTOLD * closed_hz**2, _SPRING_UNTOLD_STD
    return Setting(spring_hz2, doubt, closed_hz, tuning_hz, cone_residue(in_box))


def driver_candidates(
    in_box: ResonanceFit, free_air: ResonanceFit | None, as_shown: bool = False
) -> list[Candidate]:
    """One for each resonance of the driver in free air (the fundamental is not among them)."""
    if free_air is None:
        return []
    candidates = []
    compared = map(as_it_shows, free_air.resonances) if as_shown else held_resonances(free_air)
    for resonance, held in zip(free_air.resonances, compared, strict=True):
        limit = typical_limit(in_box.detection_limit, resonance.frequency_hz, resonance.q)
        candidates.append(
            Candidate(
                cause="driver",
                name=f"resonance of the driver at {resonance.frequency_hz:.5g} Hz in free air",
                frequency_hz=held.frequency_hz,
                shift=0.0,
                std=math.hypot(held.frequency_std_hz / held.frequency_hz, _DRIVER_STD),
                seen=_DRIVER_SEEN * _visible(resonance.height_ohm, limit),
                free_air=held,
                as_shown=as_shown,
            )
        )
    return candidates


def mode_candidates(in_box: ResonanceFit, description: BuildDescription, setting: Setting) -> list[Candidate]:
    """Standing waves of the inside dimensions that this measurement could have seen."""
    inside = description.inside_mm
    if inside is None or not in_box.resonances:
        return []
    speed = speed_of_sound_m_s(description.temperature_c)
    speed_std = _speed_std(description.temperature_c)
    highest_hz = min(_HIGHEST_CANDIDATE_HZ, _ABOVE_THE_LAST * in_box.resonances[-1].frequency_hz)
    # Weyl: about 4 pi V f^3 / (3 c^3) modes lie below f; beyond so many a match says nothing.
    volume_m3 = math.prod(inside) * 1e-9
    highest_hz = min(highest_hz, speed * (3 * _MOST_MODES / (4 * math.pi * volume_m3)) ** (1 / 3))
    driver, port = description.driver, description.port
    candidates = []
    for mode in room_modes((inside.height, inside.width, inside.depth), speed, highest_hz):
        largest = 2.0**mode.dimensions
        ratio = mode.energy_ratio((driver.from_top_mm, driver.from_left_mm, 0.0))
        # A stiff flat disc feels the mean over its area; a real cone something between that and its middle.
        rounded = math.sqrt(_cone_average(mode, driver.diameter_mm))
        likely = 0.5 * largest if ratio is None else max(ratio, NEAR_A_NODE * largest)
        height = setting.height_ohm(mode.frequency_hz, likely * rounded, _TYPICAL_Q)
        limit = typical_limit(in_box.detection_limit, mode.frequency_hz, _TYPICAL_Q)
        shift, shift_std = _port_shift(mode, setting, (port.from_top_mm, port.from_left_mm, 0.0))
        candidates.append(
            Candidate(
                cause="standing wave",
                name=mode.name,
                frequency_hz=mode.frequency_hz,
                shift=shift,
                std=math.hypot(speed_std, _DIMENSION_STD, shift_std),
                seen=_MODE_SEEN[mode.kind] * _visible(height, limit),
                energy_ratio=None if ratio is None else ratio * rounded,
                largest_energy_ratio=largest * rounded,
                energy_ratio_ln_std=-_ROUNDED_STD * math.log(rounded),
                mode=mode,
            )
        )
    return candidates


def pipe_candidates(in_box: ResonanceFit, description: BuildDescription, setting: Setting) -> list[Candidate]:
    """Resonances of the port as a pipe that this measurement could have seen, if its length is known."""
    port = description.port
    if port.length_mm is None:
        return []
    speed = speed_of_sound_m_s(description.temperature_c)
    radius_m = _TYPICAL_PORT_RADIUS_M if port.diameter_mm is None else 0.5 * port.diameter_mm * 1e-3
    length_m = port.length_mm * 1e-3
    effective_m = effective_port_length_m(length_m, radius_m)
    # Without a diameter all of the correction is in doubt.
    doubt = (1.0 if port.diameter_mm is None else _END_DOUBT) * (effective_m - length_m) / effective_m
    tuning_hz = setting.tuning_hz or setting.closed_box_hz / 2
    highest_hz = min(_HIGHEST_CANDIDATE_HZ, in_box.band_hz[1])
    candidates = []
    for order, frequency in enumerate(pipe_modes_hz(length_m, radius_m, speed, highest_hz), start=1):
        ratio = 2 * (tuning_hz / frequency) ** 2
        height = setting.height_ohm(frequency, ratio, _TYPICAL_Q)
        candidates.append(
            Candidate(
                cause="port",
                name=f"pipe mode {order} of the port ({port.length_mm:.0f} mm, "
                f"{1e3 * effective_m:.0f} mm with its ends)",
                frequency_hz=frequency,
                shift=0.0,
                std=math.hypot(_speed_std(description.temperature_c), _PIPE_STD, doubt),
                seen=_PIPE_SEEN * _visible(height, typical_limit(in_box.detection_limit, frequency, _TYPICAL_Q)),
                energy_ratio=ratio,
                energy_ratio_ln_std=_PIPE_COUPLING_STD,
            )
        )
    return candidates


def wall_panels(description: BuildDescription) -> tuple[PanelRange, ...]:
    """Ranges of the panels' first modes; empty if dimensions or thickness are not known."""
    inside, wall = description.inside_mm, description.wall
    if inside is None or wall.thickness_mm is None:
        return ()
    return panel_ranges((inside.height, inside.width, inside.depth), wall.thickness_mm, panel_material(wall.material))


def _visible(height_ohm: float, limit_ohm: float) -> float:
    """Probability that a height known to a factor of about e lies above the limit."""
    return float(special.ndtr(math.log(max(height_ohm, _NO_HEIGHT_OHM) / limit_ohm)))


def _speed_std(temperature_c: float) -> float:
    """Relative standard uncertainty of c from the temperature, rectangular (JCGM 100, 4.3.7)."""
    spread = speed_of_sound_m_s(min(temperature_c + TEMPERATURE_DOUBT_C, _WARMEST_C)) - speed_of_sound_m_s(
        max(temperature_c - TEMPERATURE_DOUBT_C, _COLDEST_C)
    )
    return spread / speed_of_sound_m_s(temperature_c) / 2 / math.sqrt(3)


def _cone_average(mode: RoomMode, diameter_mm: float | None) -> float:
    """Square of a mode's mean over the cone to its value at the centre: ``(2 J1(kr) / (kr))^2``."""
    if diameter_mm is None:
        return 1.0
    across = math.hypot(*(order / length for order, length in zip(mode.orders[:2], mode.inside_mm[:2], strict=True)))
    x = math.pi * across * diameter_mm / 2
    return max(float((2 * special.j1(x) / x) ** 2), NEAR_A_NODE) if x > _FLAT else 1.0


def _port_shift(
    mode: RoomMode, setting: Setting, place_mm: tuple[float | None, float | None, float | None]
) -> tuple[float, float]:
    """The air in the port is a mass on the box's wall as the cone is: it raises modes by a fB^2 / (2 f^2)."""
    if setting.tuning_hz is None:
        return 0.0, 0.0
    ratio = mode.energy_ratio(place_mm)
    per_unit = 0.5 * setting.tuning_hz**2 / max(mode.frequency_hz**2 - setting.tuning_hz**2, setting.tuning_hz**2)
    if ratio is None:
        return float(per_unit), float(_PORT_UNTOLD_STD * per_unit * np.sqrt(2.0 ** (mode.dimensions - 1)))
    return ratio * per_unit, _PORT_PLACE_STD * ratio * per_unit
