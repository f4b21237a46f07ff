"""Leaks of the practice rig, in one take or with the port closed by hand; takes with the port closed stand aside."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from stillbox.analysis.enclosure.box import BoxFit, fit_box
from stillbox.analysis.enclosure.box_verdicts import leak_verdict
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.lumped.driver import DriverFit, fit_driver
from stillbox.analysis.physics.shared_air import Mouth, shared_air_s2
from stillbox.capture.errors import StillboxError
from stillbox.capture.practice.practice_speakers import DRIVER_M, INSIDE_M, PORT_LENGTH_M, PORT_M, SPEAKERS
from stillbox.capture.recording.take import TakeInfo, check_circumstances, fitting_takes
from stillbox.capture.sound.audio_device import Clips
from stillbox.capture.sweep.excitation import Excitation

NOISE = 3e-5


def spectrum(speaker: str, clips: Clips, seed: int) -> ImpedanceSpectrum:
    """What a clean sweep of the rig gives: its closed form with noise."""
    frequency_hz = 0.2 * np.arange(50, 102_500)
    exact = SPEAKERS[speaker].impedance_ohm(clips, frequency_hz)
    variance = (NOISE * 10 * np.abs(1 + exact / 10) ** 2) ** 2 * frequency_hz / 50
    generator = np.random.default_rng(seed)
    drawn = generator.standard_normal(frequency_hz.size) + 1j * generator.standard_normal(frequency_hz.size)
    measured = exact + np.sqrt(variance / 2) * drawn
    return ImpedanceSpectrum(frequency_hz, measured, variance, np.zeros(frequency_hz.size), 0.0)


def fitted(speaker: str, state: str, driver: DriverFit, port_closed: bool = False) -> BoxFit:
    take = spectrum(speaker, Clips("in-box", state, port_closed=port_closed), 2 + port_closed)
    places = [Mouth(*(1000 * at for at in place)) for place in (DRIVER_M, (*PORT_M[:2], PORT_LENGTH_M))]
    inside = (1000 * INSIDE_M[0], 1000 * INSIDE_M[1], 1000 * INSIDE_M[2])
    air = None if port_closed else shared_air_s2(inside, *places, 343.7)
    return fit_box(take, fit_resonances(take, port=not port_closed), driver, not port_closed, air)


@pytest.fixture(scope="module")
def driver() -> DriverFit:
    take = spectrum("leaky", Clips("free-air"), 1)
    return fit_driver(take, fit_resonances(take, port=False))


@pytest.mark.parametrize(("state", "leaks"), [("stock", True), ("sealed", False)])
def test_the_leak_of_the_practice_rig_is_told_right(state: str, leaks: bool, driver: DriverFit) -> None:
    """A gap like a small port (its air weighs more than its resistance), and the same box tight."""
    one, closed = fitted("leaky", state, driver), fitted("leaky", state, driver, port_closed=True)
    wrong = "tight" if leaks else "leaks"
    assert leak_verdict(one).word != wrong
    assert leak_verdict(closed).word == ("leaks" if leaks else "tight")
    box = SPEAKERS["leaky"].box
    woofer = SPEAKERS["leaky"].driver
    assert box is not None
    true = 1.2 * 343.7**2 * woofer.area_m2**2 * woofer.compliance_m_per_n / box.volume_m3
    assert abs(one.alpha.value - true) < 3 * one.alpha.std
    # 25 times the noise were left here once.
    assert one.reduced_chi_square < 5
    take = spectrum("leaky", Clips("in-box", state), 2)
    both = fit_box(take, fit_resonances(take, port=True), driver, True, None, None, closed)
    assert both.alpha.value == pytest.approx(true, rel=0.05)


def info(number: int, port_closed: bool) -> TakeInfo:
    return TakeInfo(
        number=number,
        subject="in-box",
        state="lined",
        created=datetime(2026, 1, 1, tzinfo=UTC),
        excitation=Excitation(),
        sweep_starts=(0,),
        frames=1_000_000,
        origin="computed",
        audio_file="none.flac",
        samples_sha256="0" * 64,
        port_closed=port_closed,
    )


def test_a_take_with_the_port_closed_stands_for_no_other() -> None:
    takes = [info(1, False), info(2, True)]
    assert [take.number for take in fitting_takes(takes, "in-box", "lined")] == [1]
    assert [take.number for take in fitting_takes(takes, "in-box", "lined", port_closed=True)] == [2]
    assert [take.number for take in fitting_takes(takes, "in-box", "2")] == [2]
    with pytest.raises(StillboxError, match="port closed"):
        check_circumstances("free-air", None, False, True)
    assert replace(Clips("in-box"), port_closed=True).port_closed
