"""Recordings that come in from elsewhere; pictures, tables and paper that go out."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PyQt5.QtWidgets import QFileDialog, QMenu

from capture.errors import StillboxError
from gui.menus import fill_menu
from gui.view import Export
from gui.work import Failure

if TYPE_CHECKING:
    from PyQt5.QtPrintSupport import QPrinter

    from capture.take import TakeInfo
    from gui.main_window import MainWindow


class Transfers:
    """Asks for files and has them read or written beside the window."""

    def __init__(self, window: MainWindow) -> None:
        self._window = window

    def ask_import(self) -> None:
        """Ask for a recording."""
        window = self._window
        name, _ = QFileDialog.getOpenFileName(window, "A recording", "", "Recordings (*.wav *.flac *.aif *.aiff)")
        if name:
            self.import_file(Path(name))

    def import_file(self, path: Path) -> None:
        """Ask what a recording is of and take it in."""
        from capture.excitation import read_excitation
        from capture.take_import import import_take
        from gui.import_form import ImportForm

        window = self._window
        session = window.session
        if session is None:
            window.results.show_trouble("No build is open to take a recording into: open one, or make a new one.")
            return
        form = ImportForm(
            window,
            path,
            window.bench.state.currentText(),
            window.bench.unit.currentText(),
            str(window.bench.jig.currentData()),
        )
        if not form.exec_():
            return
        answers, excitation_path = form.answers(), Path(form.excitation.text())
        window.bench.said.setText(f"Taking in {path.name} …")

        def work() -> TakeInfo:
            info = import_take(session.build, path, read_excitation(excitation_path), **answers)  # type: ignore[arg-type]
            session.changed()
            return info

        def done(info: TakeInfo) -> None:
            window.bench.said.setText(
                " ".join([f"Kept as take {info.number}.", *(f"Note: {note}." for note in info.flags)])
            )
            window.taken(info)

        window.lanes["capture"].order(work, done, self._import_failed)

    def _import_failed(self, failure: Failure) -> None:
        window = self._window
        window.bench.said.setText("The recording was not taken in.")
        window.show_failure(failure)

    def fill_exports(self, menu: QMenu) -> None:
        """What can be written of what is shown."""
        from gui.exporting import exports_of

        window = self._window
        view, results = window.reading.view, window.reading.results
        entries: list[tuple[str, Callable[[], None]]] = []
        if view is not None and results is not None:
            for export in exports_of(view, results, window.results.wish()):
                words = f"{export.words} ({', '.join(suffix[1:].upper() for suffix in export.suffixes)}) …"
                entries.append((words, partial(self.export, export)))
        fill_menu(menu, entries)

    def export(self, export: Export, path: Path | None = None) -> None:
        """Write one of the exports to a file that the person names."""
        from gui.exporting import ask_path, file_stem

        window = self._window
        assert isinstance(export, Export)
        results = window.reading.results
        stem = file_stem(results.title if results is not None else "stillbox")
        path = path or ask_path(window, export, window.settings.export_folder, stem)
        if path is None:
            return
        window.settings.export_folder = str(path.parent)
        chosen = path
        window.bench.said.setText(f"Writing {chosen} …")

        def failed(failure: Failure) -> None:
            window.bench.said.setText(f"{chosen} was not written.")
            window.show_failure(failure)

        window.lanes["picture"].order(
            lambda: export.write(chosen), lambda _: window.bench.said.setText(f"Wrote {chosen}."), failed
        )

    def print_picture(self) -> None:
        """Print the sentence and the picture."""
        from PyQt5.QtPrintSupport import QPrintDialog, QPrinter

        window = self._window
        if window.reading.results is None:
            window.results.show_trouble("There is nothing to print yet: select a take first.")
            return
        printer = QPrinter(QPrinter.HighResolution)
        printer.setOrientation(QPrinter.Landscape)
        if QPrintDialog(printer, window).exec_():
            self.print_on(printer)

    def print_on(self, printer: QPrinter) -> None:
        """The same on a printer that is chosen already."""
        from gui.exporting import picture_for_paper, print_picture, printed_file

        window = self._window
        view, results, wish = window.reading.view, window.reading.results, window.results.wish()
        if view is None or results is None:
            return
        try:
            printed_file(printer)
        except StillboxError as error:
            window.show_error(error)
            return
        window.lanes["picture"].order(
            lambda: picture_for_paper(view, results, wish),
            lambda content: print_picture(printer, content, results.sentence),
            window.show_failure,
        )
