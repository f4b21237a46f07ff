"""Driver and box on random speakers of physics that shares nothing with the project's (`reference.wild_boxes`).

Each speaker is measured through its own jig: free air, added mass, in the box; where the box says that a leak cannot be
told, a person closes the port by hand and sweeps once more. Small's formulas for peaks stand beside.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from reference.wild_boxes import KINDS, WildBox, wild_box
from reference.wild_drivers import DriverTruth, driver_truth
from table import Row, at_least, at_most

from stillbox.analysis.enclosure.box import BoxFit, fit_box
from stillbox.analysis.enclosure.box_quantities import vented_quantities
from stillbox.analysis.enclosure.box_verdicts import LeakVerdict, leak_verdict
from stillbox.analysis.impedance.findings import ResonanceFit
from stillbox.analysis.impedance.impedance import ImpedanceSpectrum
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.lumped.driver import DriverFit, MeterReading, fit_driver
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.system.absolute import AddedMassTake, Known
from stillbox.analysis.system.described_box import air_of, described_shared_air, described_softening
from stillbox.analysis.system.second_take import second_take
from stillbox.capture.build.build_description import BuildDescription

SEEDS, QUICK_SEEDS = 5, 1
"""Ten kinds of box each."""
NOISE = 3e-5
"""Relative to 10 ohm at 50 Hz, as `reference.random_drivers.measured` has it."""
SPACING_HZ, LOW_HZ, HIGH_HZ = 0.2, 10.0, 20_500.0


@dataclass
class Tally:
    """Deviations in percent by quantity, what intervals cover, verdicts on leaks, the textbook's deviations."""

    percent: dict[str, list[float]] = field(default_factory=dict)
    covered: list[bool] = field(default_factory=list)
    leaks: list[tuple[str, bool]] = field(default_factory=list)
    textbook: dict[str, list[float]] = field(default_factory=dict)
    failed: list[str] = field(default_factory=list)

    def note(self, name: str, found: Quantity, true: float) -> None:
        low, high = found.interval_95
        self.percent.setdefault(name, []).append(100 * abs(found.value / true - 1))
        self.covered.append(low <= true <= high)


def rows(quick: bool = False) -> list[Row]:
    """One row a bar."""
    tally = Tally()
    seeds = QUICK_SEEDS if quick else SEEDS
    for seed in range(seeds):
        try:
            free = _driver(seed, tally)
        except Exception as error:  # one speaker that cannot be fitted is a result, too
            tally.failed.append(f"driver {seed}: {error}")
            continue
        for kind in KINDS:
            try:
                _box(wild_box(seed, kind), free, tally)
            except Exception as error:
                tally.failed.append(f"{kind} {seed}: {error}")
    return _rows(tally, seeds * len(KINDS))


def _rows(tally: Tally, count: int) -> list[Row]:
    result = []
    for name, bar in (("fB", 1.0), ("alpha", 5.0)):
        deviations = tally.percent.get(name, [np.inf])
        book = tally.textbook.get(name)
        beside = "" if book is None else f"peaks by formula {np.percentile(book, 95):.1f} %"
        most = float(np.percentile(deviations, 95))
        result.append(at_most(f"wild: {name}, 95 % of {len(deviations)} within", most, bar, "{:.2f} %", beside))
    share = 100 * float(np.mean(tally.covered))
    result.append(
        Row(
            f"wild: 95 % intervals of driver and box cover ({len(tally.covered)})",
            "90 to 99 %",
            f"{share:.1f} %",
            "",
            90.0 <= share <= 99.0,
        )
    )
    wrong = sum((word == "leaks" and not leaks) or (word == "tight" and leaks) for word, leaks in tally.leaks)
    told = sum(word != "cannot be told" for word, _ in tally.leaks)
    right = 100 * (1 - wrong / max(told, 1))
    result.append(at_least(f"wild: leak or none, right of {told} told of {len(tally.leaks)}", right, 95.0, "{:.1f} %"))
    without = f"wild: speakers of {count} without a fit"
    return [*result, at_most(without, float(len(tally.failed)), 0.0, "{:.0f}", "; ".join(tally.failed))]


def _take(wild: WildBox, take: str, port: bool) -> tuple[ImpedanceSpectrum, ResonanceFit]:
    frequency_hz = SPACING_HZ * np.arange(round(LOW_HZ / SPACING_HZ), round(HIGH_HZ / SPACING_HZ))
    exact = wild.dense_impedance(take, frequency_hz)
    variance = (NOISE * 10 * np.abs(1 + exact / 10) ** 2) ** 2 * frequency_hz / 50
    generator = np.random.default_rng([wild.seed, len(take), KINDS.index(wild.kind)])
    drawn = generator.standard_normal(frequency_hz.size) + 1j * generator.standard_normal(frequency_hz.size)
    measured = exact + np.sqrt(variance / 2) * drawn
    spectrum = ImpedanceSpectrum(frequency_hz, measured, variance, np.zeros(frequency_hz.size), 0.0)
    return spectrum, fit_resonances(spectrum, port=port)


def _description(wild: WildBox) -> BuildDescription:
    return wild.described.model_copy(update={"metres_above_sea": wild.described_height_m})


def _as_it_was(wild: WildBox) -> DriverTruth:
    """The driver with the play and warmth of its take; what hangs on the cone counts as it moves at the resonance."""
    driver = wild.driver_in("free-air")
    true = driver_truth(driver, wild.enclosure.air)
    omega = 2 * np.pi * np.array([true.fs_hz])
    soft = driver.compliance * (1 - driver.creep * np.log10(1j * omega / (2 * np.pi * driver.creep_at_hz)))
    mass = (driver.in_free_air(omega, wild.enclosure.air) - 1 / (1j * omega * soft)).imag / omega
    heavier = float(mass[0]) / true.mms_kg
    qms, qes = heavier * true.qms, heavier * true.qes
    return replace(true, mms_kg=heavier * true.mms_kg, qms=qms, qes=qes, qts=qms * qes / (qms + qes))


def _driver(seed: int, tally: Tally) -> DriverFit:
    """The driver of a seed, with a mass on it."""
    wild = wild_box(seed, KINDS[0])
    told = _description(wild)
    cone, mass, true = told.driver, told.added_mass, wild.driver_truth
    meter = MeterReading(float(cone.re_ohm or 0.0), cone.re_tolerance_percent)
    free = fit_driver(*_take(wild, "free-air", False), meter)
    as_it_was = _as_it_was(wild)
    for name, found, expected in (
        ("Re", free.re_ohm, as_it_was.re_ohm),
        ("Qes", free.qes, as_it_was.qes),
        ("Qts", free.qts, as_it_was.qts),
    ):
        tally.note(name, found, expected)
    loaded = fit_driver(*_take(wild, "added-mass", False))
    absolute = second_take(
        free,
        Known(float(cone.diameter_mm or 0.0) / 1000, cone.diameter_tolerance_percent),
        air_of(told),
        AddedMassTake(loaded, Known(float(mass.grams or 0.0) / 1000, mass.tolerance_percent)),
    ).combined
    for name, found, expected in (
        ("Mms", absolute.mms_kg, true.mms_kg),
        ("Bl", absolute.bl_tm, true.bl),
        ("Vas", absolute.vas_m3, true.vas_m3),
    ):
        tally.note(name, found, expected)
    return free


def _box(wild: WildBox, free: DriverFit, tally: Tally) -> None:
    """One box; with a second take where the first cannot tell whether it leaks."""
    vented, told, true = wild.kind.startswith("vented"), _description(wild), wild.truth
    air, soft = described_shared_air(told) if vented else None, described_softening(told, "stock")
    in_box = _take(wild, "in-box", vented)
    fit = fit_box(*in_box, free, vented, air, soft)
    verdict: LeakVerdict = leak_verdict(fit)
    if vented and verdict.word == "cannot be told":
        closed: BoxFit = fit_box(*_take(wild, "in-box-closed", False), free, False, None, soft)
        fit, verdict = fit_box(*in_box, free, vented, air, soft, closed), leak_verdict(closed)
    tally.note("alpha", fit.alpha, true.alpha)
    tally.leaks.append((verdict.word, true.leaks))
    if fit.fb_hz is None or true.fb_hz is None:
        return
    tally.note("fB", fit.fb_hz, true.fb_hz)
    book = vented_quantities(fit).textbook
    tally.textbook.setdefault("fB", []).append(100 * abs(book.fb_hz / true.fb_hz - 1))
    tally.textbook.setdefault("alpha", []).append(100 * abs(book.alpha / true.alpha - 1))
