"""The crossover: told, drawn, written."""

from __future__ import annotations

from pathlib import Path

from stillbox.analysis.bench import Bench
from stillbox.analysis.cautions import PARTS_IN_BRIEF
from stillbox.analysis.controls import Asked
from stillbox.analysis.crossover.crossover import CrossoverReport, crossover_report
from stillbox.analysis.crossover.crossover_controls import USUAL_V, VOLTS
from stillbox.analysis.crossover.crossover_netlist import crossover_netlist
from stillbox.analysis.crossover.crossover_section import network_sections
from stillbox.analysis.crossover.crossover_words import (
    change_lines,
    crossover_document,
    crossover_lines,
    heat_table,
    parts_table,
)
from stillbox.analysis.crossover.picture_crossover import picture_of_crossover
from stillbox.analysis.crossover.suspect_told import mending_lines, opening_of, suspect_lines
from stillbox.analysis.levels.level_words import level_lines
from stillbox.analysis.part.part_controls import LOUDEST
from stillbox.analysis.topic import File, Said, Topic, TopicPicture
from stillbox.capture.files.output_file import NETLIST, write_output


def _crossover(bench: Bench, asked: Asked) -> CrossoverReport:
    """Of a ``state`` and ``unit``, with ``swaps`` to try and ``volts`` at the terminals."""
    volts = asked.get("volts")
    return crossover_report(
        bench,
        asked.get("state"),
        asked.get("unit"),
        asked.get("swaps") or (),
        USUAL_V if volts is None else volts,
        asked.get(LOUDEST.key),
    )


def _said(report: CrossoverReport, everything: bool) -> Said:
    yield opening_of(report)
    yield from suspect_lines(report)
    yield f"{report.build}, state {report.state or '-'}, unit {report.unit}: crossover {report.netlist}"
    yield parts_table(report)
    yield from crossover_lines(report)
    if report.built.power.watts:
        yield heat_table(report)
    yield from mending_lines(report)
    if report.levels is not None:
        if report.take.number != report.levels.series.loudest.take.number:
            yield f"what is told above is of take {report.take.number}, the quietest of these:"
        yield from level_lines(report.levels.series, report.levels.into, "speaker")
    yield from change_lines(report)
    if report.changed is not None or report.is_wrong:
        yield PARTS_IN_BRIEF


def _netlist(report: CrossoverReport, path: Path) -> None:
    tried = f" with {', '.join(report.swaps)}" if report.swaps else ""
    title = f"{report.build}, unit {report.unit}: crossover{tried}"
    write_output(path, NETLIST, crossover_netlist(report.bench, report.take, report.shown.network, title))


CROSSOVER = Topic(
    name="crossover",
    title="Crossover",
    needs="a take of in-box, the netlist of the crossover, and takes of its drivers on their own terminals",
    compute=_crossover,
    said=_said,
    warnings=lambda report: report.warnings,
    document=crossover_document,
    controls=(VOLTS, LOUDEST),
    files=(File("--spice", "Crossover and its fitted drivers as a netlist", NETLIST, _netlist),),
    sections=network_sections,
    pictures=(TopicPicture("--plot", "Picture of the crossover", picture_of_crossover),),
)
