"""How each resonance of a take dies out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from stillbox.analysis.bench import Bench
from stillbox.analysis.controls import Asked
from stillbox.analysis.curve.topic import title_of
from stillbox.analysis.decay.decay_files import write_decay_csv
from stillbox.analysis.decay.decay_of_take import TABLE_SLICES, decay_of_take, ridges_of
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.drawing.pictures import picture_of_decay
from stillbox.analysis.impedance.findings import Finding
from stillbox.analysis.impedance.repeatability import bare_driver_findings
from stillbox.analysis.maths.quantity import value_text
from stillbox.analysis.maths.table import Table
from stillbox.analysis.ringing.result_words import NONE
from stillbox.analysis.ringing.ringing import listed
from stillbox.analysis.topic import File, Said, Topic, TopicPicture
from stillbox.analysis.waterfall.decay_response import decay_of_response
from stillbox.analysis.waterfall.ridges import Ridge
from stillbox.capture.files.output_file import TABLE
from stillbox.capture.recording.take import TakeInfo


@dataclass(frozen=True)
class DecayReport:
    """A take that has a decay; ``cycles``: time is drawn and written in cycles of each frequency."""

    bench: Bench
    take: TakeInfo
    cycles: bool

    @property
    def findings(self) -> Sequence[Finding]:
        if self.take.subject == "in-box":
            return self.bench.findings_of(self.take).findings
        return bare_driver_findings(self.bench.fit(self.take))


def _decay(bench: Bench, asked: Asked) -> DecayReport:
    """Of the ``take`` that is asked for, in ``cycles`` or not."""
    take = bench.build.find_take(asked["take"])
    bench.decay(take)  # a take that has none says so here
    return DecayReport(bench, take, bool(asked.get("cycles")))


def _said(report: DecayReport, everything: bool) -> Said:
    """The ridge of each finding; notes say where the band ends and why."""
    ridges, notes = ridges_of(report.bench, report.take)
    if ridges:
        # Causes are told in the box only.
        yield ridges_table(report.findings, ridges, with_causes=report.take.subject == "in-box")
    else:
        yield "no resonance to follow"
    for note in notes:
        yield f"note: {note}"


def ridges_table(findings: Sequence[Finding], ridges: Sequence[Ridge], with_causes: bool = True) -> Table:
    """One row a resonance with its ridge; its frequency and cause are those of the findings."""
    rows = []
    for finding, ridge in zip(findings, ridges, strict=True):
        rows.append(
            (
                value_text(finding.resonance.frequency_hz, finding.frequency_std_hz),
                *((finding.cause,) if with_causes else ()),
                value_text(1e3 * ridge.decay_time_s, 1e3 * ridge.decay_time_std_s)
                if ridge.decay_time_s is not None and ridge.decay_time_std_s is not None
                else NONE,
                value_text(ridge.slope_db_per_s, ridge.slope_std_db_per_s)
                if ridge.slope_db_per_s is not None and ridge.slope_std_db_per_s is not None
                else NONE,
                ridge.reason,
            )
        )
    cause_head = ("cause",) if with_causes else ()
    return Table(("frequency, Hz", *cause_head, "60 dB down after, ms", "dB per second", "why not"), tuple(rows))


def _picture(report: DecayReport) -> PictureDescription:
    """As layered ridges and as a heat map."""
    found = listed(report.bench.findings_of(report.take)) if report.take.subject == "in-box" else ()
    decay = decay_of_take(report.bench, report.take, report.cycles)
    return picture_of_decay(title_of(report.bench, report.take), decay, found)


def _table(report: DecayReport, path: Path) -> None:
    """Levels over time and frequency: over the frequencies of the FFT, or in cycles on the logarithmic grid."""
    if report.cycles:
        write_decay_csv(path, decay_of_take(report.bench, report.take, cycles=True))
    else:
        write_decay_csv(path, decay_of_response(report.bench.decay(report.take), slices=TABLE_SLICES))


DECAY = Topic(
    name="decay",
    title="Decay",
    needs="a take of a driver or of a speaker",
    compute=_decay,
    said=_said,
    warnings=lambda report: (),
    files=(File("--csv", "Decay as a table", TABLE, _table),),
    pictures=(TopicPicture("--plot", "Picture of the decay", _picture),),
)
