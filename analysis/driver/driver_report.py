"""From a build to its driver: which takes and which lines of ``build.toml`` go into which fit.

The pure functions of `analysis.lumped` know nothing of builds; here is the one place that does, for all who ask.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.driver.fit_faults import blaming_the_take
from stillbox.analysis.enclosure.box import fit_box
from stillbox.analysis.enclosure.box_verdicts import leak_verdict
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.analysis.lumped.driver import DriverFit, MeterReading, fit_driver
from stillbox.analysis.lumped.driver_model import cone_of
from stillbox.analysis.lumped.plausibility import (
    misfit_warning,
    noise_warning,
    open_test_box,
    rated_warning,
)
from stillbox.analysis.lumped.three_point import ThreePoint, disagreements, three_point_of_curve
from stillbox.analysis.system.absolute import Absolute, AddedMassTake, Known, KnownBoxTake
from stillbox.analysis.system.described_box import (
    air_of,
    pressure_question,
)
from stillbox.analysis.system.second_take import SecondTake, second_take
from stillbox.analysis.watched_build import nameless
from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

LEVEL_STEP_DB = 3.0
"""Takes whose levels differ by at least this are compared for a resonance that moves with the level."""

LEVEL_SHIFT = 0.01
"""Relative shift of fs with the level that is worth a warning."""


@dataclass(frozen=True)
class DriverReport:
    """A driver: its impedance in free air, the fit of that, the textbook's reading, the second take if any.

    ``textbook`` is None with a reason in ``warnings``.
    ``lacking`` is what build.toml does not say of a second take that is there; it is among the warnings, too.
    """

    build: str
    unit: str
    curve: ImpedanceCurve
    fit: DriverFit
    textbook: ThreePoint | None
    second: SecondTake | None
    warnings: tuple[str, ...]
    lacking: tuple[str, ...] = ()
    of: str = ""
    """Name of the driver, where the speaker has several."""

    @property
    def absolute(self) -> Absolute | None:
        return None if self.second is None else self.second.combined


def driver_report(
    bench: Bench, unit: str | None = None, meter: MeterReading | None = None, of: str = ""
) -> DriverReport:
    """Driver parameters of the newest free-air take of a unit, of the driver ``of`` or of that looked at.

    ``meter`` overrides the multimeter's value of ``build.toml``.

    Raises
    ------
    StillboxError
        If there is no free-air take.
    """
    take = bench.free_air(unit, of)
    if take is None:
        raise _no_free_air(bench, unit)
    if not take.of:  # a take without a name stands for a driver that is known, not for any word
        bench.require_known_driver()
    return driver_of_take(bench, take, meter)


def _no_free_air(bench: Bench, unit: str | None) -> StillboxError:
    """That a unit was never swept in free air, and whose numbers there are instead."""
    of_unit = "" if unit is None else f" of unit {unit}"
    swept = [take for take in bench.takes if take.subject == "free-air"]
    names = dict.fromkeys(take.of or "one without a name" for take in swept if unit in (None, take.unit))
    if names:
        whose = "the driver in the box" if bench.driver is None else f"a driver '{bench.driver}'"
        return StillboxError(
            f"{bench.build.path} has no free-air take{of_unit} of {whose}, but of {', '.join(names)}",
            f"record one with --subject free-air --driver {bench.driver or 'NAME'}, or name another driver",
        )
    others = dict.fromkeys(take.unit for take in swept)
    record = f"record one with the driver hanging free: --subject free-air{'' if unit is None else f' --unit {unit}'}"
    if not others:
        return StillboxError(f"{bench.build.path} has no free-air take{of_unit}", record)
    there, meant = " and ".join(others), " or ".join(f"--unit {other}" for other in others)
    return StillboxError(
        f"{bench.build.path} has no free-air take{of_unit}, but one of unit {there}",
        f"for {'that' if len(others) == 1 else 'those'} give {meant}, or {record}",
    )


def driver_of_take(bench: Bench, take: TakeInfo, meter: MeterReading | None = None) -> DriverReport:
    """Driver parameters of one free-air take, with the newest second takes of its unit; the bench keeps them."""
    return bench.kept("driver", (take, meter), lambda: _driver_of_take(bench, take, meter))


def fitted_driver(bench: Bench, take: TakeInfo, meter: MeterReading | None = None) -> DriverFit:
    """The fit alone, of any take without a box; the bench keeps it."""
    return bench.kept(
        "driver fit",
        (nameless(take), meter),
        lambda: fit_driver(bench.spectrum(take), bench.fit(take), meter),
    )


@blaming_the_take
def _driver_of_take(bench: Bench, take: TakeInfo, meter: MeterReading | None) -> DriverReport:
    description = bench.description_at(take)
    given = bench.place_of(take)
    if meter is None and given.re_ohm is not None:
        meter = MeterReading(given.re_ohm, given.re_tolerance_percent)
    fit = fitted_driver(bench, take, meter)
    curve = bench.curve(take)
    warnings = [
        *fit.warnings,
        *_level_warnings(bench, take, fit),
        *misfit_warning(curve, fit.impedance_ohm(curve.frequency_hz), "a driver"),
        *noise_warning(fit.reduced_chi_square, "a driver"),
        *rated_warning(fit.re_ohm, description.rated_ohm),
    ]
    textbook = None
    try:
        inductance = fit.coil_ohm(curve.frequency_hz) - np.exp(cone_of(fit.parameters).ln_re)
        # The curve is in the ohms of the sweep, which a multimeter may have mended.
        mended = float(np.exp(cone_of(fit.reported).ln_scale - cone_of(fit.parameters).ln_scale))
        re_ohm = replace(fit.re_ohm, value=fit.re_ohm.value / mended)
        textbook = three_point_of_curve(curve, re_ohm, fit.fs_hz.value, inductance)
        named = {"fs": fit.fs_hz, "qms": fit.qms, "qes": fit.qes, "qts": fit.qts}
        warnings += disagreements(named, textbook, fit.creep)
    except StillboxError as error:
        warnings.append(f"three-point method: {error}")
    second, lacking = _second_take(bench, take, fit, description)
    warnings += lacking if second is None else [*lacking, *second.warnings, *pressure_question(description)]
    every = tuple(dict.fromkeys(warnings))
    return DriverReport(bench.name, take.unit, curve, fit, textbook, second, every, lacking, take.of)


def _level_warnings(bench: Bench, take: TakeInfo, fit: DriverFit) -> list[str]:
    """A free-air take at another level whose resonance lies elsewhere."""
    level = take.excitation.level_dbfs
    others = [
        other
        for other in bench.takes_of("free-air", take.unit)
        if other.of == take.of
        and abs(other.excitation.level_dbfs - level) >= LEVEL_STEP_DB
    ]
    if not others:
        return []
    other = others[-1]
    fs = fitted_driver(bench, other).fs_hz
    shift = fs.value / fit.fs_hz.value - 1
    if abs(shift) < max(LEVEL_SHIFT, 3 * float(np.hypot(fs.std, fit.fs_hz.std)) / fs.value):
        return []
    return [
        f"fs is {fit.fs_hz.value:.2f} Hz at {level:g} dBFS but {fs.value:.2f} Hz at "
        f"{other.excitation.level_dbfs:g} dBFS: it moves with the level; small-signal parameters need the lower level"
    ]


def _second_take(
    bench: Bench, free_air: TakeInfo, driver: DriverFit, description: BuildDescription
) -> tuple[SecondTake | None, tuple[str, ...]]:
    """Absolute parameters where a second take and the numbers that belong to it are there; and what is lacking."""
    added, no_mass = _added_mass(bench, free_air, description)
    test, no_box = _test_box(bench, free_air, driver, description)
    lacking, cone = (*no_mass, *no_box), bench.place_of(free_air)
    if added is None and test is None:
        return None, lacking
    if cone.diameter_mm is None:
        unknown = "the diameter of the cone is not known: [driver] diameter_mm in build.toml; no Vas, no level"
        return None, (*lacking, unknown)
    diameter = Known(cone.diameter_mm / 1000, cone.diameter_tolerance_percent)
    return second_take(driver, diameter, air_of(description), added, test), lacking


def _added_mass(
    bench: Bench, free_air: TakeInfo, description: BuildDescription
) -> tuple[AddedMassTake | None, tuple[str, ...]]:
    """The driver with a mass on its cone; and what is lacking for that."""
    take, mass = bench.newest("added-mass", unit=free_air.unit, of=free_air.of or "-"), description.added_mass
    if take is None:
        return None, ()
    if mass.grams is None:
        return None, ("there is a take of added-mass, but build.toml does not say how many grams: [added_mass] grams",)
    return AddedMassTake(fitted_driver(bench, take), Known(mass.grams / 1000, mass.tolerance_percent)), ()


def _test_box(
    bench: Bench, free_air: TakeInfo, driver: DriverFit, description: BuildDescription
) -> tuple[KnownBoxTake | None, tuple[str, ...]]:
    """The driver in a box of known volume; and what is lacking for that."""
    take, volume = bench.newest("test-box", unit=free_air.unit, of=free_air.of or "-"), description.test_box
    if take is None:
        return None, ()
    if volume.litres is None:
        return None, ("there is a take of test-box, but build.toml does not say how many litres: [test_box] litres",)
    opened = open_test_box(bench.fit(take))
    if opened:
        return None, tuple(opened)
    box = bench.kept(
        "box fit",
        nameless(take),
        lambda: fit_box(bench.spectrum(take), bench.fit(take), driver, vented=False),
        driver,
    )
    probability = leak_verdict(box).probability
    return KnownBoxTake(box, Known(volume.litres / 1000, volume.tolerance_percent), probability), ()
