"""Air, room modes, pipe modes and panels against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from reference.published import AIR, LEISSA

from stillbox.analysis.physics.air import density_kg_m3, speed_of_sound_m_s
from stillbox.analysis.physics.cavity import effective_port_length_m, pipe_modes_hz, room_modes
from stillbox.analysis.physics.plates import clamped_lambda2, panel_material, panel_ranges, plate_hz, supported_lambda2
from stillbox.capture.errors import StillboxError


@pytest.mark.parametrize(("temperature", "humidity", "speed", "density"), AIR)
def test_air(temperature: float, humidity: float, speed: float, density: float) -> None:
    assert speed_of_sound_m_s(temperature, humidity) == pytest.approx(speed, abs=0.006)
    assert density_kg_m3(temperature, humidity) == pytest.approx(density, abs=6e-5)


def test_dry_air_near_21_degrees() -> None:
    """Published: 344 m/s (chemeurope.com, Sound speed)."""
    assert round(speed_of_sound_m_s(21, 0.0)) == 344


def test_dropping_a8_would_be_noticed() -> None:
    """The trap of a public transcription: without a8 the speed at 30 degrees is off by more than the tolerance."""
    assert abs(-2.93e-10 * 30**2 * 101_325) > 2 * 0.006


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((80.0, 0.5, 101_325.0), "temperature 80 is outside -30 to 60 degrees C"),
        ((20.0, 50.0, 101_325.0), "relative humidity 50 is outside 0 to 1"),
        ((20.0, 0.5, 1013.0), "air pressure 1013 is outside 60000 to 110000 Pa"),
    ],
)
def test_air_out_of_range(arguments: tuple[float, float, float], words: str) -> None:
    for function in (speed_of_sound_m_s, density_kg_m3):
        with pytest.raises(StillboxError, match=words):
            function(*arguments)


def test_room_modes_published_with_speed_1() -> None:
    """4 x 3 x 2.6 at c = 1: featool.com/doc/classic_pde_03_resonance1."""
    modes = room_modes((4000.0, 3000.0, 2600.0), 1.0, 0.285)
    published = [0.125, 0.1667, 0.1923, 0.2083, 0.2294, 0.25, 0.2545, 0.2835]
    assert [mode.frequency_hz for mode in modes] == pytest.approx(published, abs=6e-5)
    orders = [(1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, 0, 1), (2, 0, 0), (0, 1, 1), (1, 1, 1)]
    assert [mode.orders for mode in modes] == orders


def test_room_modes_of_a_box() -> None:
    """0.60 x 0.35 x 0.28 m at 343 m/s (computed independently)."""
    modes = room_modes((600.0, 350.0, 280.0), 343.0, 836.0)
    expected = [285.8, 490.0, 567.3, 571.7, 612.5, 675.9, 752.9, 784.4, 834.8]
    assert [mode.frequency_hz for mode in modes] == pytest.approx(expected, abs=0.06)
    assert modes[0].name == "first mode between top and bottom (height 600 mm)"
    assert modes[1].name == "first mode between the side walls (width 350 mm)"
    assert modes[3].name == "second mode between top and bottom (height 600 mm)"
    assert modes[2].name == "tangential mode, half waves: 1 along the height and 1 along the width"
    assert [mode.kind for mode in modes].count("oblique") == 1


def test_energy_ratio_averages_to_one() -> None:
    (mode,) = (m for m in room_modes((600.0, 350.0, 280.0), 343.0, 900.0) if m.orders == (1, 1, 0))
    at = (np.arange(400) + 0.5) / 400
    values = [mode.energy_ratio((600 * x, 350 * y, None)) for x in at[::8] for y in at[::8]]
    assert np.mean(np.array(values, dtype=float)) == pytest.approx(1.0, abs=1e-9)
    assert mode.energy_ratio((0.0, 350.0, None)) == pytest.approx(4.0)
    assert mode.energy_ratio((300.0, 0.0, None)) == pytest.approx(0.0, abs=1e-12)
    assert mode.energy_ratio((None, 0.0, 0.0)) is None


def test_room_modes_refuse_nonsense() -> None:
    with pytest.raises(StillboxError, match="above 0"):
        room_modes((600.0, 0.0, 280.0), 343.0, 900.0)
    with pytest.raises(StillboxError, match="too many modes"):
        room_modes((600e3, 350e3, 280e3), 343.0, 900.0)


def test_port_length_gives_the_published_helmholtz_frequency() -> None:
    """V 50 L, a 50 mm, L 150 mm, c 343: 45.946 Hz with end corrections of 1.4349 a (Dalmont et al. 2001)."""
    length_m = effective_port_length_m(0.150, 0.050)
    assert length_m == pytest.approx(0.150 + 1.4349 * 0.050, rel=1e-9)
    tuning = 343 / (2 * math.pi) * math.sqrt(math.pi * 0.05**2 / (0.05 * length_m))
    assert tuning == pytest.approx(45.946, abs=6e-4)


def test_pipe_modes() -> None:
    modes = pipe_modes_hz(0.150, 0.050, 343.0, 3000.0)
    first_hz = 343.0 / 2 / 0.221745  # c / (2 L) with the length of the test above
    assert modes == pytest.approx([first_hz, 2 * first_hz, 3 * first_hz], rel=1e-9)


@pytest.mark.parametrize(("ratio", "supported", "clamped"), LEISSA)
def test_plate_numbers_of_leissa(ratio: float, supported: list[float], clamped: list[float]) -> None:
    """Leissa, JSV 31(3) 257-293, 1973: SSSS exact; CCCC converged by Ritz (independently), beam functions 1 %."""
    for function, expected, tolerance in (
        (supported_lambda2, supported, 5e-5),
        (clamped_lambda2, clamped, 0.01),
    ):
        found = sorted(function(ratio, m, n) for m in range(1, 5) for n in range(1, 5))[:3]
        assert found == pytest.approx(expected, rel=tolerance)


def test_plate_published_finite_element_benchmark() -> None:
    """Supported plate 2.0 x 1.5 m: code_aster V2.03.106 (material inferred from all five values)."""
    published = {(1, 1): 17.13, (2, 1): 35.63, (1, 2): 50.01, (3, 1): 66.46, (2, 2): 68.51}
    for (m, n), expected in published.items():
        found = plate_hz(2.0, 0.010, 2.1e11, 7800.0, supported_lambda2(2.0 / 1.5, m, n))
        assert found == pytest.approx(expected, abs=0.006)


def test_plate_of_mdf() -> None:
    """E 3 GPa, rho 750, 19 mm, 0.4 x 0.5 m: 185.1 Hz supported, 341.9 Hz clamped (a public article has 58 Hz)."""
    arguments = (0.4, 0.019, 3e9, 750.0)
    assert plate_hz(*arguments, supported_lambda2(0.8, 1, 1)) == pytest.approx(185.1, abs=0.06)
    assert plate_hz(*arguments, clamped_lambda2(0.8, 1, 1)) == pytest.approx(341.9, rel=0.01)


def test_panel_ranges_hold_the_plate_of_mdf() -> None:
    ranges = panel_ranges((500.0, 400.0, 300.0), 19.0, panel_material("19 mm mdf, painted"))
    assert ranges[0].name == "front and back"
    assert ranges[0].lowest_hz < 185.1 < 341.9 < ranges[0].highest_hz
    assert ranges[-1].name == "top and bottom"


def test_unknown_material_is_wider_than_any_known_one() -> None:
    unknown = panel_ranges((500.0, 400.0, 300.0), 19.0, panel_material(None))[0]
    for text in ("MDF", "birch plywood", "OSB", "chipboard"):
        known = panel_ranges((500.0, 400.0, 300.0), 19.0, panel_material(text))[0]
        assert unknown.lowest_hz <= known.lowest_hz
        assert unknown.highest_hz >= known.highest_hz
    assert panel_material("birch plywood").name == "birch plywood"
