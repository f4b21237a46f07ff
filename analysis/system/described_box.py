"""What ``build.toml`` says of the box, in the terms of the fits: air, standing waves, filling, volume, port."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.physics.air import (
    BAROMETER_PERCENT,
    STANDARD_PRESSURE_PA,
    UNKNOWN_PRESSURE_PERCENT,
    WEATHER_PERCENT,
    density_kg_m3,
    pressure_at_pa,
    speed_of_sound_m_s,
)
from stillbox.analysis.physics.cavity import room_modes
from stillbox.analysis.physics.port import Port
from stillbox.analysis.physics.shared_air import Mouth, shared_air_s2
from stillbox.analysis.physics.volume import (
    GAMMA,
    Softening,
    VolumeBudget,
    VolumeItem,
    isothermal_factor,
    port_volume_m3,
    volume_budget,
)
from stillbox.analysis.system.absolute import Air
from stillbox.analysis.system.filling import described_filling
from stillbox.capture.build.build_description import BuildDescription, InsideSize
from stillbox.capture.build.notebook import Entry

MODES_UP_TO_HZ = 400.0
FILLED, FILLED_STD = 0.6, 0.3
"""Part of the most softening that there can be, of which loose fibre has the part of the air that it is in."""
LINED, LINED_STD = 0.8, 0.2
"""The same of a lining, whose volume is told."""
LOOSE_TURN, LINING_TURN, LN_TURN_STD = 90.0, 700.0, 0.8
"""Below which angular frequency air and fibre keep one temperature, rad/s: 8 mu/(rho Pr l^2), the thermal length l
being d rhof/(2 m) (Champoux and Allard 1991 [M]): loose fibre of 5 to 15 kg/m^3, felt of 20 to 60 kg/m^3, and foam."""


def air_of(description: BuildDescription) -> Air:
    """Air at the build's temperature, and at its pressure or height as far as told."""
    pressure_pa, percent = STANDARD_PRESSURE_PA, UNKNOWN_PRESSURE_PERCENT
    if description.pressure_hpa is not None:
        pressure_pa, percent = 100 * description.pressure_hpa, BAROMETER_PERCENT
    elif description.metres_above_sea is not None:
        pressure_pa, percent = pressure_at_pa(description.metres_above_sea), WEATHER_PERCENT
    density = density_kg_m3(description.temperature_c, pressure_pa=pressure_pa)
    return Air(density, speed_of_sound_m_s(description.temperature_c, pressure_pa=pressure_pa), percent)


def pressure_question(description: BuildDescription) -> list[str]:
    """Ask for the height where neither it nor the pressure is told."""
    if description.pressure_hpa is not None or description.metres_above_sea is not None:
        return []
    return [
        "how high above the sea you are is not told: sea level is assumed, and up to 500 m counted as uncertainty "
        "(6 % of Vas); write metres_above_sea in build.toml, or pressure_hpa as a barometer on the spot shows it"
    ]


def described_shared_air(description: BuildDescription) -> Quantity | None:
    """Air that moves for cone and port alike, where the inside is known; both on the front, the port's tube inward.

    Places and sizes that are not told are the usual ones with their spread.
    """
    if description.inside_mm is None:
        return None
    cone, port = description.driver, description.port
    return shared_air_s2(
        _inside(description.inside_mm),
        Mouth(cone.from_top_mm, cone.from_left_mm, 0.0, cone.diameter_mm),
        Mouth(port.from_top_mm, port.from_left_mm, port.length_mm, port.diameter_mm),
        air_of(description).speed_m_s,
    )


def _inside(size: InsideSize) -> tuple[float, float, float]:
    return size.height, size.width, size.depth


def described_modes_hz(description: BuildDescription) -> np.ndarray | None:
    """Standing waves up to `MODES_UP_TO_HZ`; None where the inside is not known."""
    if description.inside_mm is None:
        return None
    modes = room_modes(_inside(description.inside_mm), air_of(description).speed_m_s, MODES_UP_TO_HZ)
    return np.array([mode.frequency_hz for mode in modes])


def described_softening(
    description: BuildDescription, state: str, logged: Sequence[Entry] = ()
) -> Softening | None:
    """How much softer what is told of filling makes the air at low frequency; None where no filling is told of.

    Loose fibre at most by its heat, a porous lining by the part of the volume that it is in; how much of it is reached
    is not known. ``logged`` is of the notebook, see `described_filling`.
    """
    if description.inside_mm is None:
        return None
    volume_m3 = float(np.prod(_inside(description.inside_mm))) / 1e9
    filling = described_filling(description, state, logged)
    loose = isothermal_factor(filling.stuffing, volume_m3, air_of(description).density_kg_m3) - 1
    lined = sum((GAMMA - 1) * lining.volume_m3 * lining.porosity / volume_m3 for lining in filling.lining)
    if loose + lined <= 0:
        return None
    scale = min(1.0, (GAMMA - 1) / (loose + lined))
    part = Quantity(scale * (FILLED * loose + LINED * lined), scale * (FILLED_STD * loose + LINED_STD * lined))
    turn = (loose * np.log(LOOSE_TURN) + lined * np.log(LINING_TURN)) / (loose + lined)
    return Softening(part, float(turn), LN_TURN_STD)


def budget_question(description: BuildDescription) -> list[str]:
    """What the volume budget lacks; empty where it lacks nothing, or there is none."""
    if description.inside_mm is None or description.volumes.driver_litres is not None:
        return []
    return ["the volume budget lacks the driver: [volumes] driver_litres in build.toml"]


def described_budget(
    description: BuildDescription, state: str, logged: Sequence[Entry] = ()
) -> VolumeBudget | None:
    """What is in the box in a state, by ``build.toml`` and ``logged``; None where the inside is not known."""
    if description.inside_mm is None:
        return None
    volumes, port = description.volumes, description.port
    items = [
        VolumeItem(name, litres / 1000)
        for name, litres in (
            ("driver", volumes.driver_litres),
            ("braces", volumes.braces_litres),
            ("crossover", volumes.crossover_litres),
        )
        if litres
    ]
    if port.diameter_mm is not None and port.length_mm is not None:
        wall_m = (port.wall_mm or 0.0) / 1000
        items.append(VolumeItem("port", port_volume_m3(port.diameter_mm / 1000, port.length_mm / 1000, wall_m)))
    filling = described_filling(description, state, logged)
    items += filling.lining
    height, width, depth = _inside(description.inside_mm)
    return volume_budget(
        (height / 1000, width / 1000, depth / 1000),
        items,
        filling.stuffing,
        air_of(description).density_kg_m3,
    )


def described_port(description: BuildDescription) -> Port | None:
    """The port; None where its size is not known."""
    if description.port.diameter_mm is None or description.port.length_mm is None:
        return None
    return Port(description.port.diameter_mm / 1000, description.port.length_mm / 1000)
