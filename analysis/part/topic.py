"""Parts: what a capacitor, a coil or a resistor is, from a take of it alone."""

from __future__ import annotations

from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.levels.picture_levels import picture_of_levels
from stillbox.analysis.part.part_controls import AT_HZ, LOUDEST, TOLERANCE
from stillbox.analysis.part.part_report import PartReport, part_report
from stillbox.analysis.part.part_words import parts_document, said_of_parts
from stillbox.analysis.topic import Topic, TopicPicture
from stillbox.capture.errors import StillboxError


def _picture(report: PartReport) -> PictureDescription:
    if report.levels is None:
        raise StillboxError("only of one coil there is a picture over the level", "name a coil, as in 'part BUILD L1'")
    take = report.readings[0].take
    return picture_of_levels(report.levels, f"{report.build}, unit {take.unit}: {take.of or 'coil'} over the level")


PART: Topic[PartReport] = Topic(
    name="part",
    title="Parts",
    needs="a take of part by name; open, short and load for the best of it",
    compute=part_report,
    said=said_of_parts,
    warnings=lambda report: report.warnings,
    document=parts_document,
    pictures=(TopicPicture("--plot", "Picture of a coil over the level", _picture),),
    controls=(TOLERANCE, AT_HZ, LOUDEST),
)
