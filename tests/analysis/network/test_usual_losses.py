"""Losses that a netlist does not tell: what is usual, and bands that hold it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from stillbox.analysis.crossover.crossover import computed, loss_warnings
from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.usual_losses import most_usual_loss_ohm, untold_losses_ohm
from stillbox.analysis.physics.coils import brooks_bobbin_m, wound_to

HZ = np.geomspace(20, 20_000, 40)
UNTOLD = "* t\nC1 in a 15u\nL2 a 0 0.5m\nXtweeter a 0 T\nL1 in b 1.2m\nRL1 b c 0.4\nXwoofer c 0 W\n"


@pytest.mark.parametrize("henry", [0.1e-3, 0.47e-3, 1.5e-3, 6.8e-3])
def test_a_coil_has_at_most_the_resistance_of_one_of_thin_wire(henry: float) -> None:
    network = network_from_text(f"* t\nL1 in a {henry:g}\nXwoofer a 0 W\n")
    thin, thick = (
        wound_to(henry, *brooks_bobbin_m(pitch, inductance_h=henry), diameter, pitch).resistance_ohm()
        for diameter, pitch in ((0.7e-3, 0.77e-3), (1.4e-3, 1.5e-3))
    )
    usual = most_usual_loss_ohm(network.part("L1"))
    assert usual == pytest.approx(thin, rel=0.12) and usual > 2 * thick


def test_bands_hold_what_losses_that_are_not_told_do() -> None:
    """An electrolytic capacitor and a coil of usual losses: levels in the band, where tolerances alone do not reach."""
    drivers = {"woofer": 6 + 2j * np.pi * HZ * 0.4e-3, "tweeter": 5 + 2j * np.pi * HZ * 0.03e-3}
    known = SimpleNamespace(frequency_hz=HZ, drivers_ohm=drivers)
    network = network_from_text(UNTOLD)
    true = network_from_text(UNTOLD.replace("C1 in a", "RC1 in x 0.7\nC1 x a").replace("L2 a", "RL2 a y 0.3\nL2 y"))
    tight = {part.name: 0.1 for part in network.parts}
    band = computed(known, network, 2.83, tight).drivers["tweeter"]  # type: ignore[arg-type]
    level_db = computed(known, true, 2.83, None).drivers["tweeter"].level_db  # type: ignore[arg-type]
    assert np.all((band.low_db <= level_db) & (level_db <= band.high_db))
    told = computed(known, true, 2.83, tight).drivers["tweeter"]  # type: ignore[arg-type]
    widest = np.argmax(band.high_db - band.low_db)
    assert (told.high_db - told.low_db)[widest] < 0.1 * (band.high_db - band.low_db)[widest]
    assert np.max(np.abs(level_db - band.level_db)) > 0.5


def test_parts_without_a_told_loss_are_named_in_one_short_line() -> None:
    network = network_from_text(UNTOLD)
    assert set(untold_losses_ohm(network)) == {"C1.loss", "L2.loss"}
    (line,) = loss_warnings(network)
    assert "no loss is told of C1, L2" in line and "up to 1.1 ohm in C1" in line and len(line) < 160
    assert loss_warnings(network_from_text("* t\nR1 in a 1\nXwoofer a 0 W\n")) == ()
    film, large = (network_from_text(f"* t\nC1 in a {value}\nXw a 0 W\n").part("C1") for value in ("4.7u", "47u"))
    assert most_usual_loss_ohm(film) < 0.1 < 0.3 < most_usual_loss_ohm(large)
