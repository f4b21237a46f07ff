"""From a build to driver, box and bass: which takes and which lines of ``build.toml`` go into which fit.

The pure functions of ``driver``, ``second_take``, ``box``, ``volume`` and ``bass`` know nothing of builds; here is the
one place that does, for window and command line alike.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import wraps
from typing import Concatenate, ParamSpec, TypeVar

import numpy as np

from stillbox.analysis.bass.bass import (
    BassCurves,
    BassFigures,
    Change,
    bass_curves,
    bass_figures,
    changed,
)
from stillbox.analysis.bass.bass_cost import LiningCost, figure_quantity, lining_cost
from stillbox.analysis.bass.bass_published import PublishedBox, published_closed, published_vented
from stillbox.analysis.bass.bass_sound import BassSystem, Origin, bass_system
from stillbox.analysis.bass.bass_warnings import excursion_warning, far_volume, hatched_warning
from stillbox.analysis.bench import Bench, told_apart
from stillbox.analysis.driver_and_box.plausibility import (
    coil_warning,
    misfit_warning,
    no_box_warning,
    noise_warning,
    open_test_box,
    rated_warning,
)
from stillbox.analysis.enclosure.box import BoxFit, fit_box
from stillbox.analysis.enclosure.box_quantities import (
    ClosedQuantities,
    VentedQuantities,
    closed_quantities,
    vented_quantities,
)
from stillbox.analysis.enclosure.box_verdicts import Hump, LeakVerdict, leak_verdict, tuning_hump, undecided
from stillbox.analysis.enclosure.described_box import (
    air_of,
    described_budget,
    described_modes_hz,
    described_port,
    described_shared_air,
    described_softening,
    described_stuffing,
    pressure_question,
)
from stillbox.analysis.enclosure.second_take import (
    Absolute,
    AddedMassTake,
    Known,
    KnownBoxTake,
    SecondTake,
    second_take,
)
from stillbox.analysis.impedance.held_cone import held_resonances
from stillbox.analysis.impedance.repeatability import as_it_repeats
from stillbox.analysis.lumped.driver import DriverFit, MeterReading, fit_driver
from stillbox.analysis.lumped.driver_model import LN_RE, LN_SCALE
from stillbox.analysis.lumped.three_point import ThreePoint, disagreements, three_point_of_curve
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.physics.port import Port
from stillbox.analysis.physics.volume import VolumeBudget, VolumeComparison, compare_volumes, effective_volume_m3
from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

LEVEL_STEP_DB = 3.0
"""Takes whose levels differ by at least this are compared for a resonance that moves with the level."""
LEVEL_SHIFT = 0.01
"""Relative shift of fs with the level that is worth a warning."""
CLOSE_THE_PORT = (
    "close the port airtight by hand and sweep once more with --port-closed, in the same state: without the port a "
    "leak and the losses of filling look different"
)


@dataclass(frozen=True)
class DriverReport:
    """A driver: the fit, the textbook's reading (None with a reason in ``warnings``), the second take if any.

    ``lacking`` is what build.toml does not say of a second take that is there; it is among the warnings, too.
    """

    build: str
    unit: str
    fit: DriverFit
    textbook: ThreePoint | None
    second: SecondTake | None
    warnings: tuple[str, ...]
    lacking: tuple[str, ...] = ()

    @property
    def absolute(self) -> Absolute | None:
        return None if self.second is None else self.second.combined


@dataclass(frozen=True)
class BoxReport:
    """A box in one state: quantities (one of closed and vented), leak, hump, volume.

    ``doubts`` say that the model does not follow the take, so that no number is to be trusted; they are warnings too.
    ``origins`` are the causes of the small resonances, for the sound.
    """

    build: str
    state: str
    unit: str
    driver: DriverReport
    fit: BoxFit
    closed: ClosedQuantities | None
    vented: VentedQuantities | None
    leak: LeakVerdict
    hump: Hump | None
    budget: VolumeBudget | None
    effective_m3: Quantity | None
    volumes: VolumeComparison | None
    doubts: tuple[str, ...]
    warnings: tuple[str, ...]
    origins: tuple[Origin, ...] = ()


@dataclass(frozen=True)
class BassReport:
    """Bass as measured and, where something is to be changed, after the change.

    ``against`` is another state of the same unit, the one before: ``cost`` is this state minus that one.
    ``published`` are alignments for this driver.
    """

    box: BoxReport
    f3_hz: Quantity
    peak_db: Quantity
    figures: BassFigures
    curves: BassCurves
    changed_figures: BassFigures | None
    changed_curves: BassCurves | None
    changed_system: BassSystem | None
    against: str | None
    against_figures: BassFigures | None
    against_curves: BassCurves | None
    cost: LiningCost | None
    published: tuple[PublishedBox, ...]
    voltage_v: float
    warnings: tuple[str, ...] = field(default=())


_More = ParamSpec("_More")
_Report = TypeVar("_Report")
_OfTake = Callable[Concatenate[Bench, TakeInfo, _More], _Report]


def _blaming_the_take(make: _OfTake[_More, _Report]) -> _OfTake[_More, _Report]:
    """A fit that breaks down says of which take (failed decompositions are ValueErrors)."""

    @wraps(make)
    def made(bench: Bench, take: TakeInfo, *more: _More.args, **named: _More.kwargs) -> _Report:
        try:
            return make(bench, take, *more, **named)
        except (ValueError, ArithmeticError) as error:
            raise StillboxError(
                f"no driver or box can be fitted to take {take.number}, {take.address} ({error}); is it of what its "
                "subject says? Sweep it again, at a higher level"
            ) from error

    return made


def driver_report(bench: Bench, unit: str | None = None, meter: MeterReading | None = None) -> DriverReport:
    """Driver parameters of the newest free-air take of a unit.

    ``meter`` overrides the multimeter's value of ``build.toml``.

    Raises
    ------
    StillboxError
        If there is no free-air take.
    """
    take = bench.newest("free-air", unit=unit)
    if take is None:
        raise StillboxError(
            f"{bench.build.path} has no free-air take{f' of unit {unit}' if unit else ''}; "
            "record one with the driver hanging free: --subject free-air"
        )
    return driver_of_take(bench, take, meter)


@_blaming_the_take
def driver_of_take(bench: Bench, take: TakeInfo, meter: MeterReading | None = None) -> DriverReport:
    """Driver parameters of one free-air take, with the newest second takes of its unit."""
    description = bench.description_at(take)
    given = description.driver
    if meter is None and given.re_ohm is not None:
        meter = MeterReading(given.re_ohm, given.re_tolerance_percent)
    fit = fit_driver(bench.spectrum(take), bench.fit(take), meter)
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
        inductance = fit.coil_ohm(curve.frequency_hz) - np.exp(fit.parameters[LN_RE])
        # The curve is in the ohms of the sweep, which a multimeter may have mended.
        mended = float(np.exp(fit.reported[LN_SCALE] - fit.parameters[LN_SCALE]))
        re_ohm = replace(fit.re_ohm, value=fit.re_ohm.value / mended)
        textbook = three_point_of_curve(curve, re_ohm, fit.fs_hz.value, inductance)
        named = {"fs": fit.fs_hz, "qms": fit.qms, "qes": fit.qes, "qts": fit.qts}
        warnings += disagreements(named, textbook, fit.creep)
    except StillboxError as error:
        warnings.append(f"three-point method: {error}")
    lacking: list[str] = []
    second = _second_take(bench, take, fit, description, lacking)
    warnings += lacking if second is None else [*lacking, *second.warnings, *pressure_question(description)]
    return DriverReport(bench.name, take.unit, fit, textbook, second, tuple(dict.fromkeys(warnings)), tuple(lacking))


def _level_warnings(bench: Bench, take: TakeInfo, fit: DriverFit) -> list[str]:
    """A free-air take at another level whose resonance lies elsewhere."""
    level = take.excitation.level_dbfs
    others = [
        other
        for other in bench.takes
        if other.subject == "free-air"
        and other.unit == take.unit
        and abs(other.excitation.level_dbfs - level) >= LEVEL_STEP_DB
    ]
    if not others:
        return []
    other = others[-1]
    fs = fit_driver(bench.spectrum(other), bench.fit(other)).fs_hz
    shift = fs.value / fit.fs_hz.value - 1
    if abs(shift) < max(LEVEL_SHIFT, 3 * float(np.hypot(fs.std, fit.fs_hz.std)) / fs.value):
        return []
    return [
        f"fs is {fit.fs_hz.value:.2f} Hz at {level:g} dBFS but {fs.value:.2f} Hz at "
        f"{other.excitation.level_dbfs:g} dBFS: it moves with the level; small-signal parameters need the lower level"
    ]


def _second_take(
    bench: Bench, free_air: TakeInfo, driver: DriverFit, description: BuildDescription, lacking: list[str]
) -> SecondTake | None:
    """Absolute parameters where a second take and the numbers that belong to it are there; else what is ``lacking``."""
    mass_take = bench.newest("added-mass", unit=free_air.unit)
    box_take = bench.newest("test-box", unit=free_air.unit)
    mass, volume, cone = description.added_mass, description.test_box, description.driver
    added = test = None
    if mass_take is not None and mass.grams is None:
        lacking.append("there is a take of added-mass, but build.toml does not say how many grams: [added_mass] grams")
    elif mass_take is not None and mass.grams is not None:
        fit = fit_driver(bench.spectrum(mass_take), bench.fit(mass_take))
        added = AddedMassTake(fit, Known(mass.grams / 1000, mass.tolerance_percent))
    if box_take is not None and volume.litres is None:
        lacking.append("there is a take of test-box, but build.toml does not say how many litres: [test_box] litres")
    elif box_take is not None and volume.litres is not None:
        opened = open_test_box(bench.fit(box_take))
        lacking += opened
        if not opened:
            box = fit_box(bench.spectrum(box_take), bench.fit(box_take), driver, vented=False)
            leak = leak_verdict(box)
            test = KnownBoxTake(box, Known(volume.litres / 1000, volume.tolerance_percent), leak.probability)
    if added is None and test is None:
        return None
    if cone.diameter_mm is None:
        lacking.append("the diameter of the cone is not known: [driver] diameter_mm in build.toml; no Vas, no level")
        return None
    return second_take(
        driver,
        Known(cone.diameter_mm / 1000, cone.diameter_tolerance_percent),
        air_of(description),
        added,
        test,
    )


def box_report(
    bench: Bench, state: str | None = None, unit: str | None = None, driver: DriverReport | None = None
) -> BoxReport:
    """Box of the newest in-box take of a state and unit; needs a free-air take of the same unit."""
    take = bench.in_box(state, unit)
    return box_of_take(bench, take, driver_report(bench, take.unit) if driver is None else driver)


@_blaming_the_take
def box_of_take(bench: Bench, take: TakeInfo, driver: DriverReport) -> BoxReport:
    """Box of one in-box take, with its driver."""
    description = bench.build.description
    vented = True if description.port.diameter_mm is not None and not take.port_closed else None
    softening = described_softening(description, take.state)
    hand = None if vented is False or take.port_closed else bench.with_port_closed(take)
    closed_port = None
    if hand is not None:
        closed_port = fit_box(bench.spectrum(hand), bench.fit(hand), driver.fit, False, None, softening)
    fit = fit_box(
        bench.spectrum(take),
        bench.fit(take),
        driver.fit,
        vented,
        described_shared_air(description),
        softening,
        closed_port,
    )
    curve = bench.curve(take)
    doubts = misfit_warning(curve, fit.impedance_ohm(curve.frequency_hz), "driver and box")
    warnings = [
        *doubts,
        *([] if doubts else noise_warning(fit.reduced_chi_square, "driver and box")),
        *bench.unlike(take),
        *fit.warnings,
        *no_box_warning(fit.alpha),
        *coil_warning(float(np.exp(fit.parameters[LN_RE])), float(np.exp(driver.fit.parameters[LN_RE]))),
        *driver.warnings,
    ]
    closed = vented_box = None
    if fit.vented:
        try:
            vented_box = vented_quantities(fit)
        except StillboxError as error:
            if doubts:  # why there are no peaks to be found in the model
                raise StillboxError(doubts[0]) from error
            raise
    else:
        closed = closed_quantities(fit)
        if closed.fc_hz.value <= driver.fit.fs_hz.value:
            warnings.append(
                f"the closed box resonates at {closed.fc_hz.value:.1f} Hz, not above the driver's "
                f"{driver.fit.fs_hz.value:.1f} Hz: was the free-air take really made in free air?"
            )
    if fit.driver_changed:
        warnings.append(
            "the driver in the box is not quite the driver in free air (suspension or temperature have changed); its "
            "parameters were given more freedom: make both takes one after the other"
        )
    budget = described_budget(description, take.state, warnings)
    effective = None
    if driver.absolute is not None:
        effective = effective_volume_m3(driver.absolute.vas_m3, fit.alpha)
    compared = None
    if budget is not None and effective is not None:
        compared = compare_volumes(budget.effective_m3, as_it_repeats("effective_litres", effective))
    if compared is not None and not compared.agrees:
        warnings.append(compared.sentence)
    return BoxReport(
        build=bench.name,
        state=take.state,
        unit=take.unit,
        driver=driver,
        fit=fit,
        closed=closed,
        vented=vented_box,
        leak=undecided(leak_verdict(fit), doubts[0]) if doubts else _leak(fit, closed_port),
        hump=tuning_hump(fit, described_modes_hz(description), bool(described_stuffing(description, take.state))),
        budget=budget,
        effective_m3=effective,
        volumes=compared,
        doubts=tuple(doubts),
        warnings=tuple(dict.fromkeys(warnings)),
        origins=_origins(bench, take),
    )


def _origins(bench: Bench, take: TakeInfo) -> tuple[Origin, ...]:
    """Where each resonance of a take lies with the cone held, with its cause."""
    report = bench.findings_of(take)
    return tuple(
        Origin(held.frequency_hz, finding.cause, finding.confidence)
        for held, finding in zip(held_resonances(report.fit), report.findings, strict=True)
    )


def _leak(fit: BoxFit, port_closed: BoxFit | None) -> LeakVerdict:
    """By the take with the port closed where there is one; where one is needed, ask for it."""
    if port_closed is not None and fit.vented:
        verdict = leak_verdict(port_closed)
        return replace(verdict, sentence=f"with the port closed, {verdict.sentence}")
    verdict = leak_verdict(fit)
    if not fit.vented or verdict.word != "cannot be told":
        return verdict
    return replace(verdict, sentence=f"{verdict.sentence}; {CLOSE_THE_PORT}")


def bass_report(
    bench: Bench,
    state: str | None = None,
    unit: str | None = None,
    change: Change | None = None,
    against: str | None = None,
    voltage_v: float = 2.83,
) -> BassReport:
    """Bass response of the box as measured, of a changed box, and the difference from another state.

    ``against`` is the state before: differences are this state minus that one, as `Bench.comparison` has them.

    Raises
    ------
    StillboxError
        If there is no such state, or both are one.
    """
    take = bench.in_box(state, unit)
    box = box_of_take(bench, take, driver_report(bench, take.unit))
    other = None
    if against is not None:
        before = bench.in_box(against, take.unit)
        other = box if before.number == take.number else box_of_take(bench, before, box.driver)
        if other is not box:
            names = told_apart(before, take)
            other, box = replace(other, state=names[0]), replace(box, state=names[1])
    return bass_of_box(box, bench.build.description, change, other, voltage_v)


def bass_of_box(
    box: BoxReport,
    description: BuildDescription,
    change: Change | None = None,
    before: BoxReport | None = None,
    voltage_v: float = 2.83,
) -> BassReport:
    """The same from boxes fitted already; ``before`` leans on the same driver."""
    if before is not None and before.state == box.state:
        raise StillboxError(
            f"state {box.state or '-'} cannot be set against itself; name the state before, of the same unit {box.unit}"
        )
    system = bass_system(box.fit, box.origins)
    port = described_port(description)
    absolute = box.driver.absolute
    area = None if port is None else port.area_m2
    warnings = list(box.warnings)
    if absolute is None:
        warnings.append("excursion and air speed need a second take of the driver (added-mass or test-box)")
    curves = bass_curves(system, voltage_v, absolute, area)
    warnings += excursion_warning(curves, description, voltage_v)
    warnings += hatched_warning(curves)
    changed_system = changed_curves = other = None
    new_area = area
    if change is not None:
        volume = None if box.effective_m3 is None else box.effective_m3.value
        changed_system = changed(system, change, volume, port, air_of(description))
        if port is not None and change.port_diameter_m is not None:
            new_area = Port(change.port_diameter_m, port.length_m).area_m2
        changed_curves = bass_curves(changed_system, voltage_v, absolute, new_area)
        warnings += excursion_warning(changed_curves, description, voltage_v, "in the changed box ")
        warnings += far_volume(bool(box.fit.model.small.size), change)
    if before is not None:
        other = bass_system(before.fit, before.origins)
    return BassReport(
        box=box,
        f3_hz=figure_quantity(box.fit, "f3_hz", "Hz", system),
        peak_db=figure_quantity(box.fit, "peak_db", "dB", system),
        figures=bass_figures(system),
        curves=curves,
        changed_figures=None if changed_system is None else bass_figures(changed_system),
        changed_curves=changed_curves,
        changed_system=changed_system,
        against=None if before is None else before.state,
        against_figures=None if other is None else bass_figures(other),
        against_curves=None if other is None else bass_curves(other, voltage_v, absolute, area),
        cost=None if before is None or other is None else lining_cost(before.fit, box.fit, (other, system)),
        published=_published(box, system),
        voltage_v=voltage_v,
        warnings=tuple(dict.fromkeys(warnings)),
    )


def _published(box: BoxReport, system: BassSystem) -> tuple[PublishedBox, ...]:
    """Alignments for orientation: for a vented box those that this driver leads to, for a closed one its own Q."""
    if box.closed is not None:
        return published_closed(system, box.driver.fit, box.closed.qtc.value)
    return published_vented(system, box.driver.fit)
