"""What the report says of a crossover: circuit, parts, levels, lowest impedance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stillbox.analysis.bench import Bench
from stillbox.analysis.crossover.crossover import CrossoverReport, report_of_known
from stillbox.analysis.crossover.crossover_words import crossover_lines, heat_table, parts_table, planned_table
from stillbox.analysis.crossover.draft import draft_of
from stillbox.analysis.crossover.known_crossover import known_crossover, planned_network
from stillbox.analysis.crossover.picture_crossover import picture_of_crossover
from stillbox.analysis.crossover.suspect_told import opening_of, suspect_lines
from stillbox.analysis.drawing.layout import picture_bytes
from stillbox.analysis.drawing.schematic import schematic_of
from stillbox.analysis.drawing.schematic_picture import schematic_bytes
from stillbox.analysis.maths.table import Table
from stillbox.analysis.network.network import Network
from stillbox.analysis.section import ReportPart, ReportPicture, Section
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo
from stillbox.capture.shown_text import as_sentence


def network_sections(bench: Bench, takes: Sequence[TakeInfo]) -> list[Section]:
    """Of each netlist that is in force at these takes, by the last take of it; none where none is kept."""
    last = {netlist.name: take for take in takes if not take.of and (netlist := bench.network_of(take.number))}
    several = len(last) > 1
    return [_section(bench, take, f"Network, {take.state}" if several else "Network") for take in last.values()]


def _section(bench: Bench, take: TakeInfo, title: str) -> Section:
    try:
        netlist, network = planned_network(bench, take)
    except StillboxError as error:
        return Section(title, (ReportPart("", None, (f"The netlist cannot be read: {error}.",)),))
    try:
        report = report_of_known(bench, known_crossover(bench, take))
    except StillboxError as error:
        said = (f"Crossover {netlist}.", f"What it gives each driver is not known: {error}.")
        return Section(title, (_circuit(network, planned_table(network, {}), said),))
    return Section(title, tuple(_parts(report)), report.warnings)


def _parts(report: CrossoverReport) -> Iterator[ReportPart]:
    said = (f"Crossover {report.netlist}.", opening_of(report), *suspect_lines(report))
    yield _circuit(report.planned.network, parts_table(report), said)
    levels = ReportPicture("Impedance and levels at the drivers", picture_bytes(picture_of_crossover(report), "svg"))
    lines = tuple(map(as_sentence, crossover_lines(report)))
    yield ReportPart("What each driver gets", None, lines, levels)
    if report.built.power.watts:
        yield ReportPart("Heat in resistors and coils", heat_table(report))


def _circuit(network: Network, table: Table, said: tuple[str, ...]) -> ReportPart:
    schematic = schematic_of(draft_of(network, {}).drawn())
    assert schematic is not None  # a netlist without parts is none
    return ReportPart("", table, said, ReportPicture("Circuit, as planned", schematic_bytes(schematic, "svg")))
