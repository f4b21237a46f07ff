"""Recordings that come in from elsewhere; pictures, tables and paper that go out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PyQt5.QtCore import QObject, pyqtSignal
from PyQt5.QtWidgets import QFileDialog, QMenu, QWidget

from stillbox.capture.errors import StillboxError
from stillbox.gui.menus import fill_menu
from stillbox.gui.results.view import Export
from stillbox.gui.work.work import Failure, Lane

if TYPE_CHECKING:
    from PyQt5.QtPrintSupport import QPrinter

    from stillbox.capture.recording.take import TakeInfo
    from stillbox.gui.bench.bench_panel import BenchPanel
    from stillbox.gui.reading_control import ReadingControl
    from stillbox.gui.results.results_panel import ResultsPanel
    from stillbox.gui.work.session import Session
    from stillbox.gui.work.settings import Settings


class Transfers(QObject):
    """Asks for files and has them read or written beside the window.

    ``session`` gives the build that is open, ``lanes`` where a thing is done that takes its time.
    """

    taken = pyqtSignal(object)
    failed = pyqtSignal(object)
    wrong = pyqtSignal(object)

    def __init__(
        self,
        window: QWidget,
        session: Callable[[], Session | None],
        bench: BenchPanel,
        reading: ReadingControl,
        results: ResultsPanel,
        lanes: Mapping[str, Lane],
        settings: Settings,
    ) -> None:
        super().__init__(window)
        self._window, self._session, self._lanes, self._settings = window, session, lanes, settings
        self._bench, self._reading, self._results = bench, reading, results

    def ask_import(self) -> None:
        """Ask for a recording."""
        name, _ = QFileDialog.getOpenFileName(self._window, "A recording", "", "Recordings (*.wav *.flac *.aif *.aiff)")
        if name:
            self.import_file(Path(name))

    def import_file(self, path: Path) -> None:
        """Ask what a recording is of and take it in."""
        from stillbox.capture.build.take_import import import_take
        from stillbox.capture.sweep.excitation import read_excitation
        from stillbox.gui.bench.import_form import ImportForm

        bench, session = self._bench, self._session()
        if session is None:
            self._results.show_trouble("No build is open to take a recording into: open one, or make a new one.")
            return
        form = ImportForm(
            self._window,
            path,
            bench.state.currentText(),
            bench.unit.currentText(),
            str(bench.jig.currentData()),
        )
        if not form.exec_():
            return
        answers, excitation_path = form.answers(), Path(form.excitation.text())
        bench.said.setText(f"Taking in {path.name} …")

        def work() -> TakeInfo:
            info = import_take(session.build, path, read_excitation(excitation_path), **answers)  # type: ignore[arg-type]
            session.changed()
            return info

        def done(info: TakeInfo) -> None:
            bench.said.setText(" ".join([f"Kept as take {info.number}.", *(f"Note: {note}." for note in info.flags)]))
            self.taken.emit(info)

        self._lanes["capture"].order(work, done, self._import_failed)

    def _import_failed(self, failure: Failure) -> None:
        self._bench.said.setText("The recording was not taken in.")
        self.failed.emit(failure)

    def fill_exports(self, menu: QMenu) -> None:
        """What can be written of what is shown."""
        from stillbox.gui.results.exporting import exports_of

        view, results = self._reading.view, self._reading.results
        entries: list[tuple[str, Callable[[], None]]] = []
        if view is not None and results is not None:
            for export in exports_of(view, results, self._results.wish()):
                words = f"{export.words} ({', '.join(suffix[1:].upper() for suffix in export.suffixes)}) …"
                entries.append((words, partial(self.export, export)))
        fill_menu(menu, entries)

    def export(self, export: Export, path: Path | None = None) -> None:
        """Write one of the exports to a file that the person names."""
        from stillbox.gui.results.exporting import ask_path, file_stem

        assert isinstance(export, Export)
        results, said = self._reading.results, self._bench.said
        stem = file_stem(results.title if results is not None else "stillbox")
        path = path or ask_path(self._window, export, self._settings.export_folder, stem)
        if path is None:
            return
        self._settings.export_folder = str(path.parent)
        chosen = path
        said.setText(f"Writing {chosen} …")

        def failed(failure: Failure) -> None:
            said.setText(f"{chosen} was not written.")
            self.failed.emit(failure)

        self._lanes["picture"].order(
            lambda: export.write(chosen), lambda _: said.setText(f"Wrote {chosen}."), failed
        )

    def print_picture(self) -> None:
        """Print the sentence and the picture."""
        from PyQt5.QtPrintSupport import QPrintDialog, QPrinter

        if self._reading.results is None:
            self._results.show_trouble("There is nothing to print yet: select a take first.")
            return
        printer = QPrinter(QPrinter.HighResolution)
        printer.setOrientation(QPrinter.Landscape)
        if QPrintDialog(printer, self._window).exec_():
            self.print_on(printer)

    def print_on(self, printer: QPrinter) -> None:
        """The same on a printer that is chosen already."""
        from stillbox.gui.results.exporting import picture_for_paper, print_picture, printed_file

        view, results, wish = self._reading.view, self._reading.results, self._results.wish()
        if view is None or results is None:
            return
        try:
            printed_file(printer)
        except StillboxError as error:
            self.wrong.emit(error)
            return
        self._lanes["picture"].order(
            lambda: picture_for_paper(view, results, wish),
            lambda content: print_picture(printer, content, results.sentence),
            self.failed.emit,
        )
