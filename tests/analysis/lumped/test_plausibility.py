"""What cannot go together is said: an open test box, no box, parts in series, another driver, a wrong resistor."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from circuit_takes import fitted_box, fitted_driver, spectrum
from recorded import RecordedBuild
from reference.analytic import impedance_ohm
from reference.random_boxes import random_box
from reference.random_drivers import random_driver, true_driver
from reference.speaker_circuit import Cavity, Coil, Driver, SpeakerCircuit

from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import box_report
from stillbox.analysis.driver.driver_report import driver_report
from stillbox.analysis.enclosure.box import fit_box
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum, curve_of_spectrum
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.lumped.driver import MeterReading, fit_driver
from stillbox.analysis.lumped.driver_model import cone_of
from stillbox.analysis.lumped.lumped_fit import CellData, FitBrokeDown, fit_lumped
from stillbox.analysis.lumped.lumped_steps import JointPrior
from stillbox.analysis.lumped.parameters import Layout, Parameter
from stillbox.analysis.lumped.plausibility import (
    LARGEST_MISFIT,
    coil_warning,
    misfit_warning,
    no_box_warning,
    open_test_box,
    rated_warning,
)
from stillbox.analysis.maths.quantity import Quantity
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.excitation import Excitation


def drivers() -> Iterator[tuple[int, Driver]]:
    for seed in range(4):
        yield seed, random_driver(np.random.default_rng(900 + seed))


def in_series(take: ImpedanceSpectrum, part_ohm: np.ndarray) -> ImpedanceSpectrum:
    return replace(take, impedance_ohm=take.impedance_ohm + part_ohm)


def test_an_honest_driver_and_box_raise_no_doubt() -> None:
    for seed, driver in drivers():
        vented = seed % 2 == 0
        circuit = random_box(np.random.default_rng(seed), driver, vented, False, True)
        free, fit = spectrum(SpeakerCircuit(driver), seed), fitted_driver(driver, seed)
        curve = curve_of_spectrum(free)
        assert not misfit_warning(curve, fit.impedance_ohm(curve.frequency_hz), "a driver")
        box, taken = fitted_box(circuit, fit, vented, seed + 50), spectrum(circuit, seed + 50)
        curve = curve_of_spectrum(taken)
        assert not misfit_warning(curve, box.impedance_ohm(curve.frequency_hz), "driver and box")
        assert not no_box_warning(box.alpha)
        assert not coil_warning(float(np.exp(box.parameters[0])), float(np.exp(fit.parameters[0])))
        closed = SpeakerCircuit(driver, Cavity(0.6 * true_driver(driver).vas_m3))
        assert not open_test_box(fit_resonances(spectrum(closed, seed), port=False))


def test_noise_is_no_misfit() -> None:
    _, driver = next(drivers())
    frequency_hz = np.arange(20.0, 20e3, 0.5)
    exact = impedance_ohm(SpeakerCircuit(driver), frequency_hz)
    variance = (0.1 * np.abs(exact)) ** 2
    generator = np.random.default_rng(5)
    noise = generator.standard_normal(exact.size) + 1j * generator.standard_normal(exact.size)
    take = ImpedanceSpectrum(frequency_hz, exact + np.sqrt(variance / 2) * noise, variance, 0 * variance, 0.0)
    curve = curve_of_spectrum(take)
    again = impedance_ohm(SpeakerCircuit(driver), curve.frequency_hz)
    assert not misfit_warning(curve, again, "a driver")
    assert misfit_warning(curve, again * (1 + 3 * LARGEST_MISFIT), "a driver")


def test_a_part_in_series_is_noticed() -> None:
    for seed, driver in drivers():
        coil_and_capacitor = [(1.5e-3, 15e-6), (0.0, 60e-6)][seed % 2]
        circuit = random_box(np.random.default_rng(seed), driver, False, False, False)
        fit, taken = fitted_driver(driver, seed), spectrum(circuit, seed + 50)
        s = 2j * np.pi * taken.frequency_hz
        taken = in_series(taken, s * coil_and_capacitor[0] + 1 / (s * coil_and_capacitor[1]))
        found = fit_resonances(taken, port=False)
        if not found.motional:
            continue
        box = fit_box(taken, found, fit, False)
        curve = curve_of_spectrum(taken)
        (said,) = misfit_warning(curve, box.impedance_ohm(curve.frequency_hz), "driver and box")
        assert "crossover" in said
        # It is no other coil that stands in for the part.
        assert abs(box.numbers.cone.ln_re - cone_of(fit.parameters).ln_re) < 1


def test_a_free_air_take_made_in_the_box_is_noticed() -> None:
    for seed, driver in drivers():
        circuit = random_box(np.random.default_rng(seed), driver, False, False, False)
        taken = spectrum(circuit, seed)
        free = fit_driver(taken, fit_resonances(taken, port=False))
        again = spectrum(circuit, seed + 50)
        box = fit_box(again, fit_resonances(again, port=False), free, False)
        (said,) = no_box_warning(box.alpha)
        assert "free-air" in said


def test_another_driver_in_the_box_is_noticed() -> None:
    for seed, driver in drivers():
        other = replace(driver, coil=Coil(0.6 * driver.coil.resistance_ohm, driver.coil.inductance_h))
        circuit = random_box(np.random.default_rng(seed), other, False, False, False)
        fit, taken = fitted_driver(driver, seed), spectrum(circuit, seed + 50)
        box = fit_box(taken, fit_resonances(taken, port=False), fit, False)
        said = coil_warning(float(np.exp(box.parameters[0])), float(np.exp(fit.parameters[0])))
        assert said and "same" in said[0]


@pytest.mark.parametrize(
    ("re_ohm", "rated_ohm", "doubt"),
    # Rated and DC resistance of common drivers; then the reference resistor given ten times too large or too small.
    [
        (5.9, 8.0, False),
        (3.2, 4.0, False),
        (7.2, 8.0, False),
        (59.0, 8.0, True),
        (0.59, 8.0, True),
        (59.0, None, False),
    ],
)
def test_ohms_that_cannot_be_are_noticed(re_ohm: float, rated_ohm: float | None, doubt: bool) -> None:
    said = rated_warning(Quantity(re_ohm, 0.01, "ohm"), rated_ohm)
    assert bool(said) is doubt
    if said:
        assert "reference resistor" in said[0]


def test_an_open_test_box_is_not_used(tmp_path: Path) -> None:
    driver = random_driver(np.random.default_rng(77))
    vented = random_box(np.random.default_rng(3), driver, True, False, False)
    build = RecordedBuild.create(tmp_path / "build", Excitation(seconds=3.0, repeats=1, silence_after_s=1.0))
    build.add(SpeakerCircuit(driver), "free-air")
    build.add(vented, "test-box")
    file = tmp_path / "build" / "build.toml"
    text = (
        file.read_text().replace("# litres = 12.5", "litres = 12.5").replace("# diameter_mm = 165", "diameter_mm = 165")
    )
    file.write_text(text)
    report = driver_report(Bench(BuildFolder.open(tmp_path / "build")))
    assert report.second is None
    assert any("it is not used" in said for said in report.warnings)


def test_textbook_agrees_where_a_multimeter_mends_the_ohms(tmp_path: Path) -> None:
    """A reference resistor 4 % off, told by the multimeter: ohms of the sweep must not be mixed with true ones."""
    driver = random_driver(np.random.default_rng(77))
    build = RecordedBuild.create(tmp_path / "build", Excitation(seconds=3.0, repeats=1, silence_after_s=1.0))
    build.add(SpeakerCircuit(driver), "free-air")
    folder = BuildFolder.open(tmp_path / "build")
    folder.set_calibration(1.04 * Bench(folder).settings.reference_ohm, 5.0)
    true_ohm = driver.coil.resistance_ohm
    report = driver_report(Bench(BuildFolder.open(tmp_path / "build")), meter=MeterReading(true_ohm, 0.2))
    assert report.fit.re_ohm.value == pytest.approx(true_ohm, rel=2e-3)
    assert report.textbook is not None
    assert report.textbook.qes.value == pytest.approx(report.fit.qes.value, rel=0.015)
    assert not [said for said in report.warnings if "three-point" in said]


def test_nothing_is_told_of_a_leak_where_the_model_does_not_follow(tmp_path: Path) -> None:
    """A leaking box with the driver of the free-air take, and with a trap of a crossover before it."""
    driver = random_driver(np.random.default_rng(77))
    leaking = random_box(np.random.default_rng(3), driver, False, True, False)
    build = RecordedBuild.create(tmp_path / "build", Excitation(seconds=3.0, repeats=1, silence_after_s=1.0))
    build.add(SpeakerCircuit(driver), "free-air")
    build.add(leaking, "in-box", state="bare")
    build.add(lambda f: impedance_ohm(leaking, f) + parallel_ohm(f), "in-box", state="with a trap")
    bench = Bench(BuildFolder.open(tmp_path / "build"))
    bare, with_trap = (box_report(bench, state) for state in ("bare", "with a trap"))
    assert (bare.doubts, bare.leak.word) == ((), "leaks")
    assert with_trap.leak.word == "cannot be told" and "does not follow" in with_trap.leak.sentence
    assert with_trap.warnings[0] == with_trap.doubts[0]


@pytest.fixture
def of_one_driver(tmp_path: Path) -> BuildFolder:
    build = RecordedBuild.create(tmp_path / "build", Excitation(seconds=3.0, repeats=1, silence_after_s=1.0))
    build.add(SpeakerCircuit(random_driver(np.random.default_rng(77))), "free-air")
    return build.folder


def break_the_fit(monkeypatch: pytest.MonkeyPatch, error: Exception) -> None:
    def breaks(*_: object) -> None:
        raise error

    monkeypatch.setattr("stillbox.analysis.driver.driver_report.fit_driver", breaks)


@pytest.mark.parametrize("kind", [np.linalg.LinAlgError, FitBrokeDown])
def test_a_fit_that_breaks_down_says_of_which_take(
    of_one_driver: BuildFolder, monkeypatch: pytest.MonkeyPatch, kind: type[Exception]
) -> None:
    break_the_fit(monkeypatch, kind("Singular matrix"))
    with pytest.raises(StillboxError, match=r"fitted to take 1, free-air/-/A \(Singular matrix\); is it of what"):
        driver_report(Bench(of_one_driver))


@pytest.mark.parametrize("kind", [ValueError, TypeError, ZeroDivisionError, IndexError])
def test_a_fault_of_the_program_never_blames_the_take(
    of_one_driver: BuildFolder, monkeypatch: pytest.MonkeyPatch, kind: type[Exception]
) -> None:
    break_the_fit(monkeypatch, kind("shapes (3,) and (4,)"))
    with pytest.raises(kind, match="shapes"):
        driver_report(Bench(of_one_driver))


def test_a_fit_without_a_finite_misfit_has_broken_down() -> None:
    data = CellData(np.geomspace(10, 100, 5), np.array([1.0, 1.0, np.nan, 1.0, 1.0], dtype=complex), np.ones(5))

    class Resistor:
        layout = Layout.of(resistor=(Parameter("ln_r", "resistance", "ohm"),))

        def __call__(self, s: np.ndarray, parameters: np.ndarray) -> tuple[np.ndarray, Callable[[], np.ndarray]]:
            ohm = np.exp(parameters[0]) * np.ones(s.size, dtype=complex)
            return ohm, lambda: ohm[:, None]

    resistor = Resistor()
    with pytest.raises(FitBrokeDown, match="not finite"):
        fit_lumped(data, resistor, np.zeros(1))
    nobody_knows = JointPrior(("ln_r",), np.zeros(1), np.array([[np.nan]]))
    with pytest.raises(FitBrokeDown):
        fit_lumped(replace(data, impedance_ohm=np.ones(5, dtype=complex)), resistor, np.zeros(1), [nobody_knows])


def parallel_ohm(frequency_hz: np.ndarray) -> np.ndarray:
    """A trap of a crossover: 1 mH, 10 uF and 20 ohm side by side."""
    s = 2j * np.pi * np.maximum(frequency_hz, 0.1)
    return np.asarray(1 / (1 / (s * 1e-3) + s * 10e-6 + 1 / 20))
