"""Parts: what a capacitor, a coil or a resistor is, from a take of it alone."""

from __future__ import annotations

from stillbox.analysis.part.part_controls import TOLERANCE
from stillbox.analysis.part.part_report import PartReport, part_report
from stillbox.analysis.part.part_words import parts_document, said_of_parts
from stillbox.analysis.topic import Topic

PART: Topic[PartReport] = Topic(
    name="part",
    title="Parts",
    needs="a take of part by name; open, short and load for the best of it",
    compute=part_report,
    said=said_of_parts,
    warnings=lambda report: report.warnings,
    document=parts_document,
    controls=(TOLERANCE,),
)
