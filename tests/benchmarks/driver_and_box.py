"""Driver and box: parameters, intervals, leaks and time of one fit, on random circuits through simulated recordings.

The circuits' closed form is that which `tests/test_reference_circuits.py` and `tests/test_box.py` compare with ngspice;
two of each kind are compared here again where ngspice is installed.
"""

from __future__ import annotations

import statistics
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from circuit_takes import shared_air
from recorded import spectrum_of
from reference.analytic import impedance_ohm
from reference.ngspice_run import logarithmic, ngspice_there, run_netlist, speaker_impedance
from reference.random_boxes import random_box, true_box
from reference.random_drivers import random_driver, true_driver, with_mass
from reference.recordings import Chain
from reference.speaker_circuit import Cavity, Driver, SpeakerCircuit
from table import Row, at_least, at_most

from stillbox.analysis.enclosure.box import BoxFit, fit_box
from stillbox.analysis.enclosure.box_quantities import closed_quantities, vented_quantities
from stillbox.analysis.enclosure.box_verdicts import leak_verdict
from stillbox.analysis.impedance.findings import ResonanceFit
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.lumped.driver import DriverFit, fit_driver
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.system.absolute import AddedMassTake, Air, Known, KnownBoxTake
from stillbox.analysis.system.box_sound import bass_system, response
from stillbox.analysis.system.second_take import second_take
from stillbox.analysis.system.spice import netlist
from stillbox.capture.sweep.excitation import Excitation

SPEAKERS = 48
MASS_PERCENT, VOLUME_PERCENT = 0.5, 1.0
AIR = Air(1.2, 343.7)
BARS_PERCENT = {
    "Re": 0.3, "fs": 1.0, "Qms": 1.0, "Qes": 1.0, "Qts": 1.0, "Bl": 2.0, "Mms": 2.0, "Cms": 2.0, "Vas": 2.0,
    "fB": 1.0, "alpha": 5.0, "QL": 20.0,
}  # fmt: skip
"""Largest deviation asked for."""


@dataclass
class Tally:
    """Deviations, what intervals cover, leak verdicts, times."""

    deviation: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    covered: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    leak_right: list[bool] = field(default_factory=list)
    seconds: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))

    def note(self, name: str, found: Quantity, true: float) -> None:
        low, high = found.interval_95
        self.deviation[name].append(100 * abs(found.value / true - 1))
        self.covered[name].append(low <= true <= high)

    def timed(self, what: str, work: Callable[[], object]) -> object:
        """Time of the processor on this thread: a fit runs on one, and other work on the machine does not count."""
        begin = time.thread_time()
        result = work()
        self.seconds[what].append(time.thread_time() - begin)
        return result


def rows(quick: bool = False) -> list[Row]:
    """One row a bar."""
    tally = Tally()
    worst_db = 0.0
    count = 24 if quick else SPEAKERS
    for seed in range(count):
        deviation_db = _speaker(tally, seed)
        worst_db = max(worst_db, deviation_db)
    result = [
        at_most(f"{name}, worst of {len(tally.deviation[name])}", max(tally.deviation[name]), bar, "{:.3f} %")
        for name, bar in BARS_PERCENT.items()
    ]
    result += _coverage_rows(tally)
    right = 100 * float(np.mean(tally.leak_right))
    result.append(at_least(f"leak present or absent, right of {len(tally.leak_right)}", right, 95.0, "{:.1f} %"))
    for what, seconds in tally.seconds.items():
        middle, most = 1e3 * statistics.median(seconds), 1e3 * max(seconds)
        fits = f"one fit of {what}, longest of {len(seconds)}"
        result.append(at_most(fits, most, 150.0, "{:.0f} ms", f"median {middle:.0f} ms"))
    if ngspice_there():
        result.append(at_most("bass response against ngspice of the netlist", worst_db, 0.05, "{:.2g} dB"))
        result.append(at_most("closed form of the circuits against ngspice", _closed_form(), 1e-4, "{:.1e}"))
    return result


def _coverage_rows(tally: Tally) -> list[Row]:
    """Coverage of the 95 % intervals: driver, absolute parameters, box; all together."""
    groups = {
        "driver": ("Re", "fs", "Qms", "Qes", "Qts"),
        "absolute": ("Bl", "Mms", "Cms", "Vas"),
        "box": ("fB", "alpha", "QL"),
    }
    found = []
    everything: list[bool] = []
    for name, members in groups.items():
        covered = [one for member in members for one in tally.covered[member]]
        everything += covered
        found.append(_covering(f"95 % intervals cover, {name} ({len(covered)})", covered))
    return [*found, _covering(f"95 % intervals cover, all ({len(everything)})", everything)]


def _covering(what: str, covered: list[bool]) -> Row:
    percent = 100 * float(np.mean(covered))
    return Row(what, "90 to 99 %", f"{percent:.1f} %", "", 90.0 <= percent <= 99.0)


def _speaker(tally: Tally, seed: int) -> float:
    """One driver with both second takes, and one box; returns the deviation of the response from ngspice."""
    generator = np.random.default_rng(4_000 + seed)
    driver = random_driver(generator)
    free, _ = _driver(tally, driver, seed, generator)
    true = true_driver(driver)
    for name, found, expected in (
        ("Re", free.re_ohm, true.re_ohm),
        ("fs", free.fs_hz, true.fs_hz),
        ("Qms", free.qms, true.qms),
        ("Qes", free.qes, true.qes),
        ("Qts", free.qts, true.qts),
    ):
        tally.note(name, found, expected)
    _absolute(tally, driver, free, seed, generator)
    vented, leak, waves = seed % 2 == 0, seed % 4 < 2, seed % 3 > 0
    circuit = random_box(generator, driver, vented, leak, waves)
    fit = _box(tally, circuit, free, vented, seed, generator)
    box = true_box(circuit)
    tally.note("alpha", fit.alpha, box.alpha)
    if box.fb_hz is not None and fit.fb_hz is not None:
        tally.note("fB", fit.fb_hz, box.fb_hz)
    verdict = leak_verdict(fit)
    tally.leak_right.append(verdict.leaks is leak)
    losses = (vented_quantities if vented else closed_quantities)(fit).leakage
    if box.ql is not None and losses.q is not None:
        # The interval of Q is that of 1/Q turned over.
        tally.deviation["QL"].append(100 * abs(losses.q.value / box.ql - 1))
        tally.covered["QL"].append(losses.at_least <= box.ql <= (losses.at_most or np.inf))
    return _response_deviation_db(fit) if ngspice_there() else 0.0


def _take(circuit: SpeakerCircuit, seed: int, generator: np.random.Generator) -> ImpedanceSpectrum:
    """Through a simulated recording whose noise lies between -100 and -85 dBFS."""
    level = float(generator.uniform(-100, -85))
    return spectrum_of(circuit, Excitation(), Chain(noise_dbfs=(level, level)), seed)


def _driver(
    tally: Tally, driver: Driver, seed: int, generator: np.random.Generator
) -> tuple[DriverFit, ResonanceFit]:
    take = _take(SpeakerCircuit(driver), seed, generator)
    resonances = fit_resonances(take, port=False)
    fit = tally.timed("a driver", lambda: fit_driver(take, resonances))
    assert isinstance(fit, DriverFit)
    return fit, resonances


def _box(
    tally: Tally, circuit: SpeakerCircuit, free: DriverFit, vented: bool, seed: int, generator: np.random.Generator
) -> BoxFit:
    take = _take(circuit, seed + 500, generator)
    resonances = fit_resonances(take, port=vented)
    fit = tally.timed("a box", lambda: fit_box(take, resonances, free, vented, shared_air(circuit)))
    assert isinstance(fit, BoxFit)
    return fit


def _absolute(tally: Tally, driver: Driver, free: DriverFit, seed: int, generator: np.random.Generator) -> None:
    """Added mass and test box, each told within its tolerance; they count by turns, and combined."""
    true = true_driver(driver)
    mass = float(true.mms_kg * generator.uniform(0.4, 1.0))
    volume = float(true.vas_m3 * generator.uniform(0.4, 1.2))
    told_mass = mass * (1 + MASS_PERCENT / 100 * generator.uniform(-1, 1))
    told_volume = volume * (1 + VOLUME_PERCENT / 100 * generator.uniform(-1, 1))
    loaded, _ = _driver(tally, with_mass(driver, mass), seed + 1_000, generator)
    box = _box(tally, SpeakerCircuit(driver, Cavity(volume)), free, False, seed + 1_500, generator)
    diameter = Known(float(2 * np.sqrt(driver.area_m2 / np.pi)), 1e-4)
    found = second_take(
        free,
        diameter,
        AIR,
        AddedMassTake(loaded, Known(told_mass, MASS_PERCENT)),
        KnownBoxTake(box, Known(told_volume, VOLUME_PERCENT)),
    )
    way = (found.by_mass, found.by_box, found.combined)[seed % 3]
    assert way is not None
    for name, quantity, expected in (
        ("Bl", way.bl_tm, true.bl_tm),
        ("Mms", way.mms_kg, true.mms_kg),
        ("Cms", way.cms_m_per_n, true.cms_m_per_n),
        ("Vas", way.vas_m3, true.vas_m3),
    ):
        tally.note(name, quantity, expected)


def _response_deviation_db(fit: BoxFit) -> float:
    """Largest difference of the predicted response from ngspice's, 10 Hz to 1 kHz."""
    system = bass_system(fit)
    text = netlist(system, "bass").replace(".end\n", "vdrive in 0 ac 1")
    frequency, pressure = run_netlist(text, logarithmic(30, 10, 1_000), ("pressure",))
    predicted = response(system, 2j * np.pi * frequency.real)
    return float(np.max(np.abs(20 * np.log10(np.abs(pressure / predicted)))))


def _closed_form() -> float:
    """Largest relative difference of the circuits' closed form from ngspice."""
    worst = 0.0
    for seed, (vented, leak, waves) in enumerate(((True, True, True), (False, True, False))):
        generator = np.random.default_rng(seed)
        circuit = random_box(generator, random_driver(generator), vented, leak, waves)
        frequency_hz, computed = speaker_impedance(circuit, logarithmic(30, 10, 5_000))
        worst = max(worst, float(np.max(np.abs(computed / impedance_ohm(circuit, frequency_hz) - 1))))
    return worst
