"""Pictures, tables and paper out of a view."""

from __future__ import annotations

import os
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from PyQt5.QtCore import QRectF, Qt
from PyQt5.QtGui import QImage, QPainter
from PyQt5.QtPrintSupport import QPrinter
from PyQt5.QtWidgets import QFileDialog, QWidget

from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import MARK, PRINT, check_output, write_output
from stillbox.gui.parts.plain_text import said_yes
from stillbox.gui.results.view import Export, Results, View, Wish

if TYPE_CHECKING:
    from stillbox.analysis.drawing.panels import PictureDescription


def exports_of(view: View, results: Results, wish: Wish) -> list[Export]:
    """All that can be written of what is shown: the picture first."""
    picture = Export("Picture", (".svg", ".png", ".pdf"), lambda path: _save(view, results, wish, path))
    return [picture, *view.exports(results, wish)]


def _save(view: View, results: Results, wish: Wish, path: Path) -> None:
    from stillbox.analysis.drawing.layout import save_picture

    save_picture(_picture(view, results, wish), path)


def _picture(view: View, results: Results, wish: Wish) -> PictureDescription:
    picture = view.picture(results, wish)
    if picture is None:
        raise StillboxError("a take of this subject has no picture", "select a take of a speaker or a part")
    return picture


def ask_path(parent: QWidget, export: Export, folder: str, stem: str) -> Path | None:
    """Where to write it; the suffix is put on where it is missing.

    The dialog asks before it gives the name of a file that is there, but it does not know what the suffix makes of it.
    """
    kinds = " ".join(f"*{suffix}" for suffix in export.suffixes)
    path = Path(folder or Path.home()) / f"{stem}{export.suffixes[0]}"
    while True:
        name, _ = QFileDialog.getSaveFileName(parent, export.words, str(path), f"{export.words} ({kinds})")
        if not name:
            return None
        path = Path(name)
        if path.suffix.lower() in export.suffixes:
            return path
        path = path.with_name(path.name + export.suffixes[0])
        if not os.path.lexists(path) or _may_replace(parent, path):
            return path


def _may_replace(parent: QWidget, path: Path) -> bool:
    return said_yes(parent, "Replace the file?", f"{path.name} is already in {path.parent}. Replace it?")


_PORTS = (f"{kind}{number}" for kind in ("com", "lpt") for number in range(10))
DEVICES_OF_WINDOWS = {"con", "prn", "aux", "nul", *_PORTS}
"""Names that no file can have there."""


def file_stem(title: str) -> str:
    """A title as part of a file name."""
    kept = "".join(letter if letter.isalnum() or letter in "-_" else " " for letter in title)
    stem = "-".join(kept.split())[:80] or "stillbox"
    return f"stillbox-{stem}" if stem.casefold() in DEVICES_OF_WINDOWS else stem


def picture_for_paper(view: View, results: Results, wish: Wish) -> bytes:
    """The picture as PNG, for printing."""
    from stillbox.analysis.drawing.layout import picture_bytes

    return picture_bytes(_picture(view, results, wish), ".png")


def printed_file(printer: QPrinter) -> Path | None:
    """The file that a printer writes to, if it does; it may be written as `capture.files.output_file` says.

    Raises
    ------
    StillboxError
        If it may not be written, or nothing is chosen to print on.
    """
    name = printer.outputFileName()
    if not name and printer.outputFormat() == QPrinter.NativeFormat:
        return None
    if not name:
        raise StillboxError("there is neither a printer nor the name of a file to print to", "choose one of them")
    path = Path(name)
    check_output(path, PRINT)
    return path


def print_picture(printer: QPrinter, content: bytes, sentence: str) -> None:
    """The sentence and the picture on one page, on paper or in a file.

    Raises
    ------
    StillboxError
        If the printer does not begin, or the file may not be written.
    """
    path = printed_file(printer)
    if path is None:
        _paint(printer, content, sentence)
        return
    # Qt writes over whatever bears the name it is given.
    with TemporaryDirectory() as folder:
        private = Path(folder) / f"page{path.suffix}"
        printer.setOutputFileName(str(private))
        printer.setCreator(MARK)
        try:
            _paint(printer, content, sentence)
        finally:
            printer.setOutputFileName(str(path))
        write_output(path, PRINT, private.read_bytes())


def _paint(printer: QPrinter, content: bytes, sentence: str) -> None:
    image = QImage()
    image.loadFromData(content)
    painter = QPainter()
    if not painter.begin(printer):
        raise StillboxError("the printer does not begin", "see that it is there and switched on, or print to a file")
    page = QRectF(painter.viewport())
    words = painter.boundingRect(page, Qt.TextWordWrap, sentence)
    painter.drawText(words, Qt.TextWordWrap, sentence)
    room = page.adjusted(0, words.height() * 1.3, 0, 0)
    scale = min(room.width() / image.width(), room.height() / image.height())
    painter.drawImage(QRectF(room.left(), room.top(), image.width() * scale, image.height() * scale), image)
    painter.end()
