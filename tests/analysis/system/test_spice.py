"""The netlists of fitted models, run by ngspice: impedance and bass response come back."""

from __future__ import annotations

import numpy as np
import pytest
from circuit_takes import fitted_box, fitted_driver, random_speaker
from reference.analytic import impedance_ohm
from reference.ngspice_run import logarithmic, ngspice_there, run_netlist
from reference.random_drivers import random_driver
from reference.speaker_circuit import SpeakerCircuit

from stillbox.analysis.enclosure.box_model import BoxModel
from stillbox.analysis.enclosure.box_numbers import InsideNumbers, LoadNumbers, PortNumbers
from stillbox.analysis.lumped.coil_models import CHAIN, COIL_MODELS, CoilModel
from stillbox.analysis.lumped.cone_resonances import ConeResonances
from stillbox.analysis.system.box_sound import BassSystem, bass_system, response
from stillbox.analysis.system.spice import box_netlist, driver_netlist, netlist

pytestmark = pytest.mark.skipif(not ngspice_there(), reason="ngspice is not installed")

GRID = logarithmic(40, 10, 20_000)


def run(text: str, nodes: tuple[str, ...]) -> tuple[np.ndarray, ...]:
    """Frequency and node voltages for 1 V at ``in``; the first element of the coil senses the current."""
    first, *rest = text.split("\n.end\n")
    assert rest == [""]
    found = run_netlist(f"{first}\nvdrive in 0 ac 1", GRID, nodes)
    return (found[0].real, *found[1:])


def impedance_back(text: str) -> tuple[np.ndarray, np.ndarray]:
    """Impedance between ``in`` and ground from the voltage over the DC resistance."""
    frequency_hz, behind = run(text, ("c0",))
    line = next(line for line in text.splitlines() if line.startswith("rdc "))
    return frequency_hz, float(line.split()[3]) / (1 - behind)


@pytest.mark.parametrize("kind", ["section", "two sections", "semi"])
def test_driver_gives_the_measured_impedance_back(kind: str) -> None:
    driver = random_driver(np.random.default_rng(55), kind)
    fit = fitted_driver(driver, 1)
    frequency_hz, found = impedance_back(driver_netlist(fit, "a driver"))
    assert found == pytest.approx(fit.impedance_ohm(frequency_hz), rel=3e-4 if kind == "semi" else 1e-7)
    assert found == pytest.approx(impedance_ohm(SpeakerCircuit(driver), frequency_hz), rel=1e-3)


@pytest.mark.parametrize(("vented", "leak", "waves"), [(True, True, True), (False, True, False), (False, False, True)])
def test_box_gives_the_measured_impedance_back(vented: bool, leak: bool, waves: bool) -> None:
    driver, circuit = random_speaker(950, vented, leak, waves)
    fit = fitted_box(circuit, fitted_driver(driver, 1), vented, 2)
    frequency_hz, found = impedance_back(box_netlist(fit, "a box"))
    assert found == pytest.approx(fit.impedance_ohm(frequency_hz), rel=3e-4)
    assert found == pytest.approx(impedance_ohm(circuit, frequency_hz), rel=2e-3)


@pytest.mark.parametrize(("vented", "leak"), [(True, True), (True, False), (False, True), (False, False)])
def test_response_agrees_with_ngspice(vented: bool, leak: bool) -> None:
    driver, circuit = random_speaker(951, vented, leak, True)
    system = bass_system(fitted_box(circuit, fitted_driver(driver, 1), vented, 2))
    frequency_hz, pressure = run(netlist(system, "bass"), ("pressure",))
    found = response(system, 2j * np.pi * frequency_hz)
    assert np.max(np.abs(20 * np.log10(np.abs(pressure / found)))) < 0.05


@pytest.mark.parametrize("coil", [*COIL_MODELS, CHAIN], ids=lambda model: model.name)
@pytest.mark.parametrize(("creep", "vented"), [(0.0, True), (0.12, True), (0.12, False)])
def test_every_coil_model_and_creep_and_a_filled_box(coil: CoilModel, creep: float, vented: bool) -> None:
    s = 2j * np.pi * np.geomspace(100, 20_000, 30)
    small = ConeResonances(3_000.0, np.array([-100 + 2_000j, -300 + 6_000j]), np.array([2e4 + 1e3j, 5e5 - 3e4j]))
    model = BoxModel(coil, small, vented, 250.0, of_driver=1)
    driver = [*np.log([6.0, 250.0, 5.0, 3_000.0]), creep, *coil.start(s, 6 + 0.02 * s**0.65)]
    load = LoadNumbers(mu=0.05, front=0.04, ln_front_s=np.log(1e-4), ln_alpha=np.log(1.3))
    inside = InsideNumbers(
        leak=0.1,
        leak_mass=0.3,
        leak_place=0.7,
        soft=0.2,
        ln_soft_w=np.log(500.0),
        absorption=0.05,
        behind=0.4,
        ln_behind_w=np.log(700.0),
        ln_behind_loss=np.log(900.0),
        ln_behind_turn=np.log(70.0),
    )
    port = PortNumbers(
        ln_wb=np.log(220.0),
        port_loss=0.04,
        kappa=-0.03,
        cone_loss=-0.02,
        way=0.1,
        ln_way=np.log(0.6),
        way_shared=0.35,
        way_port=1.3,
    )
    x = np.array([*driver, *load, *inside, *(port if vented else ()), 0.1, -0.1, 0.05, 0.2, -0.1, 0.05, 0.1, 0.0])
    frequency_hz, found = impedance_back(netlist(BassSystem(model, x), "every coil"))
    expected, _ = model(2j * np.pi * frequency_hz, x)
    assert found == pytest.approx(expected, rel=1e-3)


def test_titles_cannot_break_the_netlist() -> None:
    fit = fitted_driver(random_driver(np.random.default_rng(1)), 1)
    lines = driver_netlist(fit, "two\nlines .end\n.control").splitlines()
    assert lines[0] == "* two lines .end .control"
    assert [line for line in lines if line.startswith(".")] == [".end"]
