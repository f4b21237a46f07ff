"""A take of one driver seen through its network: what is not known of noise and parts is carried, and where it ends."""

from __future__ import annotations

import numpy as np
import pytest

from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.see_through import see_through
from stillbox.analysis.network.spectrum_through import LEAST_SHARE, spectrum_through
from stillbox.capture.errors import StillboxError

NETLIST = """* two ways
L1 in a 1.2m
RL1 a w 0.35
C1 w z 10u
R1 z 0 6.8
Xwoofer w 0 any
C2 in t 6.8u
RC2 t u 0.05
L2 u 0 0.33m
RL2 u 0 0.2
R2 u v 2.2
Xtweeter 0 v any
"""
NETWORK = network_from_text(NETLIST.replace("RL2 u 0 0.2\n", ""))
HZ = np.geomspace(12, 20_000, 3000)


def peak(hz: np.ndarray, f0: float, q: float, ohm: float) -> np.ndarray:
    s = 1j * hz / f0
    return ohm * (s / q) / (s**2 + s / q + 1)


def woofer(hz: np.ndarray) -> np.ndarray:
    return 5.6 + 0.02 * (2j * np.pi * hz) ** 0.65 + peak(hz, 62, 5, 28) + peak(hz, 430, 22, 0.4)


def tweeter(hz: np.ndarray) -> np.ndarray:
    return 4.8 + 2j * np.pi * hz * 4e-5 + peak(hz, 920, 1.8, 5)


def terminals(hz: np.ndarray, own: np.ndarray, high: np.ndarray, **changed: float) -> np.ndarray:
    """By hand, ladder after ladder: no code of the project."""
    v = {"L1": 1.2e-3, "RL1": 0.35, "C1": 10e-6, "R1": 6.8, "C2": 6.8e-6, "RC2": 0.05, "L2": 0.33e-3, "R2": 2.2}
    v.update(changed)
    s = 2j * np.pi * hz

    def beside(*branches: np.ndarray) -> np.ndarray:
        return 1 / sum(1 / branch for branch in branches)

    low = s * v["L1"] + v["RL1"] + beside(own, 1 / (s * v["C1"]) + v["R1"])
    up = 1 / (s * v["C2"]) + v["RC2"] + beside(s * v["L2"], v["R2"] + high)
    return beside(low, up)


def spectrum(hz: np.ndarray, impedance_ohm: np.ndarray, noise: float = 1e-4) -> ImpedanceSpectrum:
    rng = np.random.default_rng(3)
    std = noise * np.abs(impedance_ohm)
    shaken = impedance_ohm + std / np.sqrt(2) * (rng.standard_normal(hz.size) + 1j * rng.standard_normal(hz.size))
    return ImpedanceSpectrum(hz, shaken, std**2, np.zeros(hz.size), 1e-3)


def test_noise_and_tolerances_are_carried() -> None:
    """Over draws of the parts the error lies within what is stated, and over bins the noise does."""
    hz = np.arange(12.0, 8000.0, 1.0)
    tolerance = {"L1": 5e-3, "C1": 1e-2, "C2": 5e-3, "L2": 5e-3, "R1": 5e-3, "R2": 5e-3}
    nominal = {"L1": 1.2e-3, "C1": 10e-6, "C2": 6.8e-6, "L2": 0.33e-3, "R1": 6.8, "R2": 2.2}
    std = {name: part * nominal[name] / np.sqrt(3) for name, part in tolerance.items()}
    rng = np.random.default_rng(1)
    scores = []
    for _ in range(60):
        built = {name: nominal[name] * (1 + part * rng.uniform(-1, 1)) for name, part in tolerance.items()}
        take = spectrum(hz, terminals(hz, woofer(hz), tweeter(hz), **built), 1e-7)
        seen = spectrum_through(take, NETWORK, "woofer", {"tweeter": (tweeter(hz), np.zeros(hz.size))}, std)
        total = np.sqrt(sum(np.abs(common) ** 2 for common in seen.common_ohm))
        scores.append((np.abs(seen.impedance_ohm - woofer(seen.frequency_hz)) / total)[:1500])
    rms = np.sqrt(np.mean(np.square(scores), axis=0))
    assert 0.7 < np.median(rms) < 1.3 and rms.max() < 2
    noisy = spectrum(hz, terminals(hz, woofer(hz), tweeter(hz)))
    seen = spectrum_through(noisy, NETWORK, "woofer", {"tweeter": (tweeter(hz), np.zeros(hz.size))}, {})
    chi = np.abs(seen.impedance_ohm - woofer(seen.frequency_hz)) ** 2 / seen.noise_variance_ohm2
    assert 0.95 < chi.mean() < 1.05


def test_it_ends_where_hardly_any_current_goes_through_the_driver() -> None:
    hz = np.arange(12.0, 20_000.0, 1.0)
    shown = terminals(hz, woofer(hz), tweeter(hz))
    seen = spectrum_through(spectrum(hz, shown), NETWORK, "woofer", {"tweeter": (tweeter(hz), np.zeros(hz.size))}, {})
    last_hz = seen.frequency_hz[-1:]
    last_ohm = shown[seen.frequency_hz.size - 1 :][:1]
    through = see_through(NETWORK, last_hz, last_ohm, "woofer", {"tweeter": tweeter(last_hz)})
    assert seen.frequency_hz[0] == 12.0 and 1000 < seen.frequency_hz[-1] < 20_000
    assert through.share[0] == pytest.approx(LEAST_SHARE, rel=0.01)


def test_where_nothing_is_seen_that_is_told() -> None:
    with pytest.raises(StillboxError, match="impedance of the driver 'tweeter' is not known"):
        spectrum_through(spectrum(HZ, tweeter(HZ)), NETWORK, "woofer", {}, {})
    far = network_from_text("* no way\nC1 in a 1p\nXwoofer a 0 any\nXtweeter in 0 any\n")
    with pytest.raises(StillboxError, match="hardly any current"):
        spectrum_through(spectrum(HZ, tweeter(HZ)), far, "woofer", {"tweeter": (1.1 * tweeter(HZ), 0 * HZ)}, {})


def test_a_peak_is_no_end_of_what_is_seen() -> None:
    """A resistor across the terminals takes most of the current there; what is seen is as exact as ever."""
    network = network_from_text(NETLIST.replace("RL2 u 0 0.2\n", "").replace("Xwoofer", "R9 in 0 12\nXwoofer"))
    hz = np.arange(14.0, 4000.0, 0.5)
    shown = 1 / (1 / terminals(hz, woofer(hz), tweeter(hz)) + 1 / 12)
    nothing = np.zeros(hz.size)
    seen = spectrum_through(spectrum(hz, shown, 1e-7), network, "woofer", {"tweeter": (tweeter(hz), nothing)}, {})
    at_peak = np.argmin(np.abs(seen.frequency_hz - 62))
    assert seen.frequency_hz[0] == 14.0 and 12 / abs(seen.impedance_ohm[at_peak]) < 1 / 2
    assert np.allclose(seen.impedance_ohm, woofer(seen.frequency_hz), rtol=1e-4)
