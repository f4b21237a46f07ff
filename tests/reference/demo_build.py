"""The invented build of the demonstration: a stand-mount pair, of which unit A was recorded.

A 16 cm woofer in a bare vented box sounds hollow. Stock: a strong standing wave along the height, a weaker one along
the depth, a side wall that gives way, and a resonance of the driver's surround. Lined: filling where the air moves, a
brace and a damping layer on the walls; the driver is as it was. Its coil is one of Thorborg and Futtrup's (2011), its
absolute parameters come from a take with a known mass on the cone.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import replace

from reference.jig_circuit import Jig
from reference.recordings import Chain
from reference.speaker_circuit import (
    Cavity,
    Coil,
    Driver,
    HungMass,
    Leak,
    Line,
    Port,
    SpeakerCircuit,
    Wall,
    lossy_semi_inductance,
)
from stillbox.capture.sweep.excitation import make_excitation

INSIDE_MM = (465.0, 205.0, 245.0)
"""Height, width, depth."""
DRIVER_MM = (104.0, 102.5)
"""Centre from the top and from the left wall."""
CONE_DIAMETER_MM = 132.0
PORT_MM = (390.0, 102.5)
PORT_DIAMETER_MM = 58.0
PORT_LENGTH_MM = 150.0
PORT_WALL_MM = 2.5
DRIVER_LITRES = 0.8
BRACE = ("brace and damping sheets", 0.045, 10.0)
"""Name, m^2, mm; solid."""
FIBRE_GRAMS = 280.0
FIBRE_UM = 30.0
"""Diameter."""
FIBRE_KG_M3 = 1380.0
RATED_OHM = 8.0
CONE_TOLERANCE_PERCENT = 0.5
ADDED_GRAMS = 9.0
ADDED_TOLERANCE_PERCENT = 1.0

_DRIVER = Driver(
    coil=Coil(5.62, 0.1e-3, lossy_semi_inductance(1.4e-3, 0.075, 60.0)),
    force_factor_tm=6.3,
    moving_mass_kg=0.0112,
    compliance_m_per_n=1.15e-3,
    resistance_ns_per_m=0.95,
    area_m2=0.01368,
    hung=(HungMass(mass_kg=0.5e-3, frequency_hz=905.0, q=9.0),),
)
_PORT_AREA_M2 = 3.14159265 / 4 * (PORT_DIAMETER_MM / 1000) ** 2


def _box(volume_m3: float, speed_m_s: float, height_damping: float, depth_damping: float) -> Cavity:
    return Cavity(
        volume_m3,
        (
            Line("height", INSIDE_MM[0] / 1000, DRIVER_MM[0] / 1000, height_damping),
            Line("depth", INSIDE_MM[2] / 1000, 0.0, depth_damping),
        ),
        speed_m_s=speed_m_s,
        # Cone and port side by side in a wide front: rho / (2 pi d).
        outside_kg_per_m4=1.2 / (2 * math.pi * (PORT_MM[0] - DRIVER_MM[0]) / 1000),
    )


def _port(resistance_pa_s_per_m3: float) -> Port:
    return Port(
        area_m2=_PORT_AREA_M2,
        length_m=PORT_LENGTH_MM / 1000,
        end_correction_m=0.042,
        resistance_pa_s_per_m3=resistance_pa_s_per_m3,
        # It breathes at its inner mouth, its own length behind the front.
        along_m=(PORT_MM[0] / 1000, PORT_LENGTH_MM / 1000),
    )


_SIDE_WALL_AT_M = (0.27, 0.11)
_PORT_M3 = 3.14159265 / 4 * (PORT_DIAMETER_MM + 2 * PORT_WALL_MM) ** 2 * PORT_LENGTH_MM * 1e-9
_VOLUME_M3 = INSIDE_MM[0] * INSIDE_MM[1] * INSIDE_MM[2] * 1e-9 - 1e-3 * DRIVER_LITRES - _PORT_M3
_LINED_VOLUME_M3 = _VOLUME_M3 - 1e-3 * BRACE[1] * BRACE[2] - 1e-3 * FIBRE_GRAMS / FIBRE_KG_M3



def _fibre_flow_resistivity(kg_m3: float, diameter_um: float) -> float:
    """Pa s/m2 of polyester fibre of 18 to 48 um, 12 to 60 kg/m3 (Cox & D'Antonio, Table 5.1, as quoted)."""
    return 25.909e-9 * kg_m3**1.404 / (1e-6 * diameter_um) ** 2


def _softening(kg_m3: float, diameter_um: float, frequency_hz: float) -> float:
    """How much softer the air between fibres is than air alone, as its heat goes into them.

    Champoux and Allard (1991) with the thermal length of fibres, ``d porosity / (2 (1 - porosity))``.
    """
    filled = kg_m3 / FIBRE_KG_M3
    thermal_m = 0.5e-6 * diameter_um * (1 - filled) / filled
    # w rho cp / kappa of air at 20 degrees
    rate = 2 * math.pi * frequency_hz * 1.204 * 1005 / 0.0257
    exchange = 8 / (1j * thermal_m**2 * rate) * cmath.sqrt(1 + 1j * thermal_m**2 * rate / 16)
    return (1.4 - 0.4 / (1 + exchange)).real


_FIBRE_DENSITY = 1e-3 * FIBRE_GRAMS / _LINED_VOLUME_M3
_FIBRE_DAMPING = _fibre_flow_resistivity(_FIBRE_DENSITY, FIBRE_UM) / 1.2
"""Flow resistance over the mass of the air, 1/s: what the filling takes from all motion of the air."""
_FIBRE_SPEED_M_S = 343.7 / math.sqrt(_softening(_FIBRE_DENSITY, FIBRE_UM, 60.0))
"""At the tuning, roughly; the standing waves are a few percent faster than that."""

_FREE_DRIVER = replace(_DRIVER, moving_mass_kg=0.98 * _DRIVER.moving_mass_kg)
FREE_AIR = SpeakerCircuit(_FREE_DRIVER)
# The mass on the cone is a little more than its mark says.
WITH_MASS = SpeakerCircuit(
    replace(_FREE_DRIVER, moving_mass_kg=_FREE_DRIVER.moving_mass_kg + 1.004e-3 * ADDED_GRAMS)
)
STOCK = SpeakerCircuit(
    _DRIVER,
    _box(_VOLUME_M3, 343.7, height_damping=80.0, depth_damping=160.0),
    (_port(420.0), Leak(3.2e5), Wall(207.0, 18.0, 1.3e-8, _SIDE_WALL_AT_M)),
)
LINED = SpeakerCircuit(
    _DRIVER,
    # Air in filling: slower sound, hence a little more compliance; less volume by brace and fibre.
    _box(
        _LINED_VOLUME_M3, _FIBRE_SPEED_M_S, height_damping=80 + _FIBRE_DAMPING, depth_damping=160 + _FIBRE_DAMPING
    ),
    (_port(520.0), Leak(3.2e5), Wall(226.0, 12.0, 0.39e-8, _SIDE_WALL_AT_M)),
)

SPEAKER_EXCITATION = make_excitation(seconds=5.0, silence_before_s=1.0, silence_after_s=1.0, repeats=1)
CALIBRATION_EXCITATION = make_excitation(seconds=2.0, silence_before_s=0.5, silence_after_s=0.5, repeats=1)

REFERENCE_OHM = 10.0
REFERENCE_TOLERANCE_PERCENT = 1.0
LOAD_OHM = 8.2
LOAD_TOLERANCE_PERCENT = 0.5
CHECK_OHM = 22.0
CHECK_TOLERANCE_PERCENT = 1.0
# What the resistors really are; nobody but the circuit knows.
TRUE_REFERENCE_OHM = 10.043
TRUE_LOAD_OHM = 8.2123
TRUE_CHECK_OHM = 21.935

CHAIN = Chain(
    jig=Jig("high-side", TRUE_REFERENCE_OHM, source_ohm=0.4, lead_ohm=0.12, input_ohm=10e3),
    output_gain=0.9,
    gain=(0.997, 1.016),
    delay_frames=(0.0, 0.37),
    coupling_hz=(1.2, 1.35),
    noise_dbfs=(-97.0, -98.0),
    hum_hz=50.02,
    hum_dbfs=(-84.0, -78.0),
)
