"""From a build to its bass: as measured, after a change, and against another state."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from stillbox.analysis.bass.bass import (
    BassCurves,
    BassFigures,
    Change,
    bass_curves,
    bass_figures,
    changed,
)
from stillbox.analysis.bass.bass_controls import USUAL_V
from stillbox.analysis.bass.bass_cost import LiningCost, figure_quantity, lining_cost
from stillbox.analysis.bass.bass_published import PublishedBox, published_closed, published_vented
from stillbox.analysis.bass.bass_warnings import excursion_warning, far_volume, hatched_warning
from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import BoxReport, box_of_take
from stillbox.analysis.driver.driver_report import driver_report
from stillbox.analysis.maths.quantity import Quantity
from stillbox.analysis.physics.port import Port
from stillbox.analysis.reference_take import reference_take
from stillbox.analysis.system.box_sound import BassSystem, bass_system
from stillbox.analysis.system.described_box import (
    air_of,
    described_port,
)
from stillbox.analysis.watched_build import told_apart
from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.errors import StillboxError


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


def bass_report(
    bench: Bench,
    state: str | None = None,
    unit: str | None = None,
    change: Change | None = None,
    against: str | None = None,
    voltage_v: float = USUAL_V,
) -> BassReport:
    """Bass response of the box as measured, of a changed box, and the difference from another state.

    ``against`` is the state before, or any other box (`reference_take`): differences are this one minus that one, as
    `Bench.comparison` has them. What they cost is told of boxes of one driver.

    Raises
    ------
    StillboxError
        If there is no such state, or both are one.
    """
    take = bench.in_box(state, unit)
    box = box_of_take(bench, take, driver_report(bench, take.unit, of=take.of))
    other = None
    if against is not None:
        found = reference_take(bench, against, take.unit)
        before, here = found.take, found.bench is bench
        if here and before.number == take.number:
            other = box
        else:
            same = here and before.unit == take.unit
            driver = box.driver if same else driver_report(found.bench, before.unit, of=before.of)
            names = told_apart(before, take) if here else (found.words, box.state)
            other = replace(box_of_take(found.bench, before, driver), state=names[0])
            box = replace(box, state=names[1])
    if change is None:
        return bass_as_measured(bench, box, other, voltage_v)
    return bass_of_box(box, bench.description, change, other, voltage_v)


def bass_as_measured(
    bench: Bench, box: BoxReport, before: BoxReport | None = None, voltage_v: float = USUAL_V
) -> BassReport:
    """`bass_of_box` with nothing changed; the bench keeps it where the boxes are as it gave them."""
    return bench.kept(
        "bass",
        voltage_v,
        lambda: bass_of_box(box, bench.description, None, before, voltage_v),
        box,
        *([] if before is None else [before]),
    )


def bass_of_box(
    box: BoxReport,
    description: BuildDescription,
    change: Change | None = None,
    before: BoxReport | None = None,
    voltage_v: float = USUAL_V,
) -> BassReport:
    """The same from boxes fitted already."""
    if before is not None and before.state == box.state:
        raise StillboxError(
            f"state {box.state or '-'} cannot be set against itself",
            f"name the state before, of the same unit {box.unit}",
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
        cost=None
        if before is None or other is None or before.fit.driver is not box.fit.driver
        else lining_cost(before.fit, box.fit, (other, system)),
        published=_published(box, system),
        voltage_v=voltage_v,
        warnings=tuple(dict.fromkeys(warnings)),
    )


def _published(box: BoxReport, system: BassSystem) -> tuple[PublishedBox, ...]:
    """Alignments for orientation: for a vented box those that this driver leads to, for a closed one its own Q."""
    if box.closed is not None:
        return published_closed(system, box.driver.fit, box.closed.qtc.value)
    return published_vented(system, box.driver.fit)
