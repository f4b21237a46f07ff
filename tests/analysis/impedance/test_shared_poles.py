"""Two takes compared from the union of their poles: what one take shows is looked for in the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.impedance.resonances import fit_resonances, fit_with_poles
from stillbox.analysis.maths.rational import pole_from, resonators_ohm
from stillbox.analysis.ringing.comparison import unshared_poles

FREQUENCY_HZ = np.arange(50, 12_000) * 0.4
NOISE_OHM = 0.01


def spectrum(small_ohm: float, seed: int) -> ImpedanceSpectrum:
    """Coil, fundamental, a resonance of 0.5 ohm at 400 Hz, and one of ``small_ohm`` at 700 Hz in white noise."""
    s = 2j * np.pi * FREQUENCY_HZ
    poles = np.array([pole_from(45.0, 4.0), pole_from(400.0, 15.0), pole_from(700.0, 12.0)])
    residues = np.array([30.0, 0.5, small_ohm]) * np.abs(poles.real) + 0j
    noise = np.random.default_rng(seed).standard_normal((2, FREQUENCY_HZ.size)) * NOISE_OHM / np.sqrt(2)
    value = 6.0 + 2e-4 * s + resonators_ohm(s, poles, residues) + noise[0] + 1j * noise[1]
    return ImpedanceSpectrum(
        FREQUENCY_HZ, value, np.full(FREQUENCY_HZ.size, NOISE_OHM**2), np.zeros(FREQUENCY_HZ.size), 0.0
    )


@pytest.mark.parametrize("seed", range(3))
def test_what_was_too_low_to_be_searched_for_is_found_where_the_other_take_has_it(seed: int) -> None:
    clear, faint = spectrum(0.05, seed), spectrum(0.0035, 10 + seed)
    first, second = fit_resonances(clear), fit_resonances(faint)
    assert [round(one.frequency_hz / 100) for one in first.resonances] == [4, 7]
    assert [round(one.frequency_hz / 100) for one in second.resonances] == [4]
    only_first, only_second = unshared_poles(first, second)
    assert len(only_first) == 1 and only_second == []
    again = fit_with_poles(faint, second, only_first)
    assert [round(one.frequency_hz / 100) for one in again.resonances] == [4, 7]
    assert again.resonances[1].height_ohm == pytest.approx(0.0035, abs=4 * again.resonances[1].height_std_ohm)


@pytest.mark.parametrize("seed", range(3))
def test_what_is_not_there_is_not_found(seed: int) -> None:
    first, empty = fit_resonances(spectrum(0.05, seed)), spectrum(0.0, 20 + seed)
    second = fit_resonances(empty)
    only_first, _ = unshared_poles(first, second)
    assert fit_with_poles(empty, second, only_first) is second
    assert fit_with_poles(replace(empty, warnings=("a word",)), second, []) is second
