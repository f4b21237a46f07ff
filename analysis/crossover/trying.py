"""A crossover as somebody writes it, tried on the drivers of a speaker: at once without bands, then with them."""

from __future__ import annotations

from dataclasses import replace

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.crossover import CrossoverReport, computed
from stillbox.analysis.crossover.draft import Draft, draft_of, network_of_draft, tolerances_of_draft
from stillbox.analysis.crossover.known_crossover import KnownCrossover, drivers_ohm
from stillbox.analysis.network.cable import read_cable, with_cable
from stillbox.analysis.network.differences import Difference, network_differences
from stillbox.analysis.network.network import LOSS, Network
from stillbox.analysis.through_crossover import USUAL_LOSS_PERCENT, USUAL_TOLERANCE_PERCENT


def trial(
    bench: Bench,
    known: KnownCrossover,
    report: CrossoverReport,
    draft: Draft | None,
    cable: str,
    volts: float,
    with_bands: bool,
) -> CrossoverReport:
    """A report with what a draft and a cable change.

    Parameters
    ----------
    known : KnownCrossover
    report : CrossoverReport
        Of it, without any change.
    draft : Draft or None
        None: as planned.
    cable : str
        As `analysis.network.cable.read_cable` has it; empty: none.
    volts : float
        At the terminals.
    with_bands : bool
        Whether draws within the tolerances are computed, too, which takes a moment.

    Raises
    ------
    StillboxError
        If the draft is no network, or the impedance of a driver is not known.
    """
    measured = None if report.as_measured is None else report.as_measured.driven_by(volts)
    report = replace(
        report, planned=report.planned.driven_by(volts), built=report.built.driven_by(volts), as_measured=measured
    )
    planned = known.planned
    network = planned if draft is None else network_of_draft(draft, planned)
    differences = network_differences(planned, network)
    words = [one.words for one in differences]
    percents = _percents(known, network, differences, {} if draft is None else tolerances_of_draft(draft, {}))
    network = _with_measured(known, network, differences)
    if cable:
        told = read_cable(cable)
        network = with_cable(network, told)
        words.append(f"cable {told.words}")
    changed_spread = draft is not None and tolerances_of_draft(draft, {}) != tolerances_of_draft(
        draft_of(planned, known.tolerance_percent), {}
    )
    if not words and not changed_spread:
        return report
    if not {place.name for place in network.drivers} <= set(known.drivers_ohm):
        known = replace(known, drivers_ohm=drivers_ohm(bench, known.take, network, known.frequency_hz))
    changed = computed(known, network, volts, percents if with_bands else None)
    return replace(report, changed=changed, swaps=tuple(words or ["other tolerances"]))


def _with_measured(known: KnownCrossover, network: Network, differences: tuple[Difference, ...]) -> Network:
    """What is still as planned has the values that were measured on the part alone."""
    different = {one.name for one in differences if one.what in ("value", "loss", "added")}
    parts = []
    for part in network.parts:
        if part.name in known.parts.measured and part.name not in different:
            own = known.parts.network.part(part.name)
            part = replace(
                part,
                value=own.value,
                loss_ohm=own.loss_ohm,
                loss_name=part.loss_name or own.loss_name,
                loss_node=part.loss_node or own.loss_node,
            )
        parts.append(part)
    return replace(network, parts=tuple(parts))


def _percents(
    known: KnownCrossover, network: Network, differences: tuple[Difference, ...], written: dict[str, float]
) -> dict[str, float]:
    """Tolerance of everything in the network, percent: as written, as measured where that still holds, else usual."""
    different = {one.name for one in differences if one.what in ("value", "loss", "added")}
    found: dict[str, float] = {}
    for part in network.parts:
        held = known.parts.tolerance_percent if part.name not in different else known.tolerance_percent
        usual = held.get(part.name, USUAL_TOLERANCE_PERCENT[part.kind])
        is_measured = part.name in known.parts.measured and part.name not in different
        found[part.name] = usual if is_measured else written.get(part.name, usual)
        if part.loss_ohm:
            found[part.name + LOSS] = held.get(part.name + LOSS, USUAL_LOSS_PERCENT)
    return found
