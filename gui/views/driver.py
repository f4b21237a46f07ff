"""The driver: measured impedance with the fitted model over it, what the model leaves, the parameters beside."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from matplotlib.figure import Figure

from stillbox.analysis.drawing.picture_marks import Mark
from stillbox.analysis.drawing.picture_style import ALONE
from stillbox.analysis.drawing.pictures import picture_of_curve
from stillbox.analysis.driver.driver_report import DriverReport, driver_of_take
from stillbox.analysis.driver.driver_words import driver_notes
from stillbox.analysis.driver.picture_fitted import Fitted, picture_of_driver
from stillbox.analysis.driver.topic import DRIVER
from stillbox.analysis.impedance.impedance import ImpedanceCurve
from stillbox.capture.errors import StillboxError
from stillbox.gui.results.lumped_panels import (
    document_of,
    files_of,
    fitted_panel,
    impedance_table,
    misfit_panel,
    place,
    text_export,
    write_impedance,
)
from stillbox.gui.results.lumped_words import (
    driver_rows,
    sentence_of_driver,
    sentence_without_free_air,
)
from stillbox.gui.results.panel_drawing import impedance_panel
from stillbox.gui.results.view import Export, PanelRequest, Results, View, Wish
from stillbox.gui.work.work import sentence_of_error

if TYPE_CHECKING:
    from stillbox.analysis.bench import Bench
    from stillbox.capture.recording.take import TakeInfo

ENDS_HZ = (10.0, 20_000.0)
SECOND_TAKES = {"added-mass": "with added mass", "test-box": "in the test box"}


@dataclass(frozen=True)
class Driver:
    """What is known of the driver.

    ``fitted`` holds free air with its model, and the second take where one is selected; empty without free air.
    """

    curve: ImpedanceCurve
    report: DriverReport | None = None
    fitted: tuple[Fitted, ...] = ()


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
        base = Results("", notes=curve.warnings, title=title, ends_hz=ENDS_HZ, data=Driver(curve))
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
        bare = curve if free_air is take else bench.curve(free_air)
        model_ohm = report.fit.impedance_ohm(bare.frequency_hz)
        fitted = [Fitted("", bare, bare.frequency_hz, model_ohm)]
        if free_air is not take:
            fitted = [replace(fitted[0], name="free air"), Fitted(SECOND_TAKES[take.subject], curve)]
        yield replace(
            base,
            sentence=sentence_of_driver(report),
            rows=tuple(driver_rows(report)),
            notes=tuple(dict.fromkeys((*report.warnings, *driver_notes(report), *curve.warnings))),
            data=Driver(curve, report, tuple(fitted)),
        )

    def marks(self, results: Results) -> Sequence[Mark]:
        report = results.data.report
        return () if report is None else (place("fs", report.fit.fs_hz.value),)

    def panels(self, results: Results, wish: Wish) -> list[PanelRequest]:
        data: Driver = results.data
        if not data.fitted:
            return [impedance_panel([("", data.curve, ALONE)])]
        return [fitted_panel(data.fitted, 3.0), misfit_panel(data.fitted[0], len(data.fitted))]

    def paper(self, results: Results, wish: Wish) -> Figure:
        data: Driver = results.data
        if not data.fitted:
            return picture_of_curve(results.title, data.curve)
        return picture_of_driver(results.title, data.fitted, self.marks(results))

    def exports(self, results: Results, wish: Wish) -> list[Export]:
        data: Driver = results.data
        report = data.report
        if report is None:
            return [write_impedance(data.curve)]
        return [
            document_of(DRIVER, report),
            *files_of(DRIVER, report),
            text_export("Impedance, measured and fitted, as a table", ".csv", lambda: impedance_table(data.fitted[0])),
        ]


VIEW = _Driver()
