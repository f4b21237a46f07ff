"""From a build to its box: the newest take in the box, its driver, and what ``build.toml`` says of the inside."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from stillbox.analysis.bench import Bench
from stillbox.analysis.driver.driver_report import DriverReport, driver_report
from stillbox.analysis.driver.fit_faults import blaming_the_take
from stillbox.analysis.enclosure.box import BoxFit, fit_box
from stillbox.analysis.enclosure.box_quantities import (
    ClosedQuantities,
    VentedQuantities,
    closed_quantities,
    vented_quantities,
)
from stillbox.analysis.enclosure.box_verdicts import Hump, LeakVerdict, leak_verdict, tuning_hump, undecided
from stillbox.analysis.impedance.held_cone import held_resonances
from stillbox.analysis.impedance.repeatability import as_it_repeats
from stillbox.analysis.lumped.driver import DriverFit
from stillbox.analysis.lumped.driver_model import cone_of
from stillbox.analysis.lumped.plausibility import (
    coil_warning,
    misfit_warning,
    no_box_warning,
    noise_warning,
)
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.physics.volume import (
    Softening,
    VolumeBudget,
    VolumeComparison,
    compare_volumes,
    effective_volume_m3,
)
from stillbox.analysis.system.box_sound import Origin
from stillbox.analysis.system.described_box import (
    budget_question,
    described_budget,
    described_modes_hz,
    described_shared_air,
    described_softening,
)
from stillbox.analysis.system.filling import Filling, described_filling
from stillbox.analysis.watched_build import nameless
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

CLOSE_THE_PORT = (
    "close the port airtight by hand and sweep once more with --port-closed, in the same state: without the port a "
    "leak and the losses of filling look different"
)


@dataclass(frozen=True)
class BoxReport:
    """A box in one state: quantities (one of closed and vented), leak, hump, volume.

    ``doubts`` say that the model does not follow the take, so that no number is to be trusted; they are warnings too.
    ``origins`` are the causes of the small resonances, for the sound. ``port_closed``: a take with the port
    closed has told of leak and volume. ``filling``: what lines and fills it.
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
    port_closed: bool = False
    of: str = ""
    filling: Filling = field(default_factory=Filling)


def box_report(
    bench: Bench, state: str | None = None, unit: str | None = None, driver: DriverReport | None = None
) -> BoxReport:
    """Box of the newest in-box take of a state and unit; needs a free-air take of the same unit."""
    take = bench.in_box(state, unit)
    return box_of_take(bench, take, driver_report(bench, take.unit, of=take.of) if driver is None else driver)


def box_of_take(bench: Bench, take: TakeInfo, driver: DriverReport) -> BoxReport:
    """Box of one in-box take, with its driver; the bench keeps it."""
    return bench.kept("box", take, lambda: _box_of_take(bench, take, driver), driver)


def box_is_known(bench: Bench, take: TakeInfo, driver: DriverReport) -> bool:
    """Whether `box_of_take` has its answer already."""
    return bench.knows("box", take, driver)


def _fitted_box(
    bench: Bench,
    take: TakeInfo,
    driver: DriverFit,
    vented: bool | None,
    shared_air: Quantity | None,
    softening: Softening | None,
    closed_port: BoxFit | None = None,
) -> BoxFit:
    """The fit alone: made anew only where what is told of the box changes one of the numbers that enter it."""
    return bench.kept(
        "box fit",
        (nameless(take), vented, shared_air, softening),
        lambda: fit_box(
            bench.spectrum(take), bench.fit(take), driver, vented, shared_air, softening, closed_port
        ),
        driver,
        *([] if closed_port is None else [closed_port]),
    )


@blaming_the_take
def _box_of_take(bench: Bench, take: TakeInfo, driver: DriverReport) -> BoxReport:
    description = bench.description
    vented = True if description.port.diameter_mm is not None and not take.port_closed else None
    logged, unread = bench.logged_materials(take.number)
    filling = described_filling(description, take.state, logged)
    softening = described_softening(description, take.state, logged)
    hand = None if vented is False or take.port_closed else bench.with_port_closed(take)
    closed_port = None
    if hand is not None:
        closed_port = _fitted_box(bench, hand, driver.fit, False, None, softening)
    fit = _fitted_box(bench, take, driver.fit, vented, described_shared_air(description), softening, closed_port)
    curve = bench.curve(take)
    doubts = misfit_warning(curve, fit.impedance_ohm(curve.frequency_hz), "driver and box")
    warnings = [
        *doubts,
        *([] if doubts else noise_warning(fit.reduced_chi_square, "driver and box")),
        *bench.unlike(take),
        *fit.warnings,
        *no_box_warning(fit.alpha),
        *coil_warning(float(np.exp(fit.numbers.cone.ln_re)), float(np.exp(cone_of(driver.fit.parameters).ln_re))),
        *driver.warnings,
    ]
    closed = vented_box = None
    if fit.vented:
        try:
            vented_box = vented_quantities(fit)
        except StillboxError as error:
            if doubts:  # why there are no peaks to be found in the model
                raise StillboxError(doubts[0], "") from error
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
    budget = described_budget(description, take.state, logged)
    warnings += [*budget_question(description), *unread, *filling.notes]
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
        hump=tuning_hump(fit, described_modes_hz(description), bool(filling.stuffing)),
        budget=budget,
        effective_m3=effective,
        volumes=compared,
        doubts=tuple(doubts),
        warnings=tuple(dict.fromkeys(warnings)),
        origins=_origins(bench, take),
        port_closed=closed_port is not None,
        of=take.of,
        filling=filling,
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
