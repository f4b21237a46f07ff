"""The driver: measured impedance with the fitted model over it, what the model leaves, the parameters beside."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from stillbox.analysis.curve.topic import CURVE, CurveReport
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.drawing.pictures import picture_of_curve
from stillbox.analysis.driver.driver_report import DriverReport, driver_of_take
from stillbox.analysis.driver.driver_words import driver_notes
from stillbox.analysis.driver.picture_fitted import DRIVER_HZ, picture_of_driver
from stillbox.analysis.driver.topic import DRIVER
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import TABLE
from stillbox.gui.results.exports import document_of, files_of
from stillbox.gui.results.lumped_words import driver_rows, sentence_of_driver, sentence_without_free_air
from stillbox.gui.results.view import Export, Results, View, Wish
from stillbox.gui.work.work import sentence_of_error

if TYPE_CHECKING:
    from stillbox.analysis.bench import Bench
    from stillbox.capture.recording.take import TakeInfo

SECOND_TAKES = {"added-mass": "with added mass", "test-box": "in the test box"}


@dataclass(frozen=True)
class Driver:
    """What is known of the driver: the impedance of the take, and the fit of that in free air if there is one."""

    measured: CurveReport
    report: DriverReport | None = None


class _Driver(View):
    key = "driver"
    title = "Driver"
    tip = "Parameters of the driver from a sweep in free air, with the fitted model over the measurement."
    needs = "a take of the driver in free air, with added mass or in a test box"
    listed = "D&river"
    list_tip = "Parameters with their standard uncertainty; select one for its 95 % interval and what it means."
    pick = "Select a parameter for its 95 % interval, what the three-point method reads, and what it means."
    decays = False

    def fits(self, takes: Sequence[TakeInfo]) -> bool:
        return len(takes) == 1 and takes[0].subject in ("free-air", *SECOND_TAKES)

    def likeliest(self, takes: Sequence[TakeInfo]) -> TakeInfo | None:
        """The newest in free air; the others only say more of that."""
        return super().likeliest([take for take in takes if take.subject == "free-air"] or takes)

    def compute(self, bench: Bench, takes: Sequence[TakeInfo]) -> Iterator[Results]:
        (take,) = takes
        title = f"{bench.name}, unit {take.unit}: driver"
        curve = bench.curve(take)
        measured = CurveReport(bench, take, curve)
        base = Results("", notes=curve.warnings, title=title, ends_hz=DRIVER_HZ, data=Driver(measured))
        free_air = take if take.subject == "free-air" else bench.free_air(take.unit, take.of)
        if free_air is None:
            yield replace(base, sentence=sentence_without_free_air(take.unit))
            return
        yield replace(base, sentence="Fitting the driver …", complete=False)
        try:
            report = driver_of_take(bench, free_air)
        except StillboxError as error:
            yield replace(base, sentence=sentence_of_error(error))
            return
        yield replace(
            base,
            sentence=sentence_of_driver(report),
            rows=tuple(driver_rows(report)),
            notes=tuple(dict.fromkeys((*report.warnings, *driver_notes(report), *curve.warnings))),
            data=Driver(measured, report),
        )

    def picture(self, results: Results, wish: Wish) -> PictureDescription:
        data: Driver = results.data
        if data.report is None:
            return picture_of_curve(results.title, data.measured.curve, ends_hz=results.ends_hz)
        take = data.measured.take
        second = None if take.subject == "free-air" else (SECOND_TAKES[take.subject], data.measured.curve)
        return picture_of_driver(results.title, data.report, second)

    def exports(self, results: Results, wish: Wish) -> list[Export]:
        data: Driver = results.data
        if data.report is None:
            return files_of(CURVE, data.measured, TABLE)
        return [document_of(DRIVER, data.report), *files_of(DRIVER, data.report)]


VIEW = _Driver()
