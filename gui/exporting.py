"""Pictures, tables and paper out of a view."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PyQt5.QtCore import QBuffer, QByteArray, QRectF, Qt
from PyQt5.QtGui import QImage, QPainter
from PyQt5.QtWidgets import QFileDialog, QWidget

from gui.view import Export, Results, View, Wish

if TYPE_CHECKING:
    from PyQt5.QtPrintSupport import QPrinter


def exports_of(view: View, results: Results, wish: Wish) -> list[Export]:
    """All that can be written of what is shown: the picture first."""
    picture = Export("Picture", (".svg", ".png", ".pdf"), lambda path: _save(view, results, wish, path))
    return [picture, *view.exports(results, wish)]


def _save(view: View, results: Results, wish: Wish, path: Path) -> None:
    from analysis.picture_style import save_picture

    save_picture(view.paper(results, wish), path)


def ask_path(parent: QWidget, export: Export, folder: str, stem: str) -> Path | None:
    """Where to write it; the suffix is put on where it is missing."""
    kinds = " ".join(f"*{suffix}" for suffix in export.suffixes)
    begin = str(Path(folder or Path.home()) / f"{stem}{export.suffixes[0]}")
    name, _ = QFileDialog.getSaveFileName(parent, export.words, begin, f"{export.words} ({kinds})")
    if not name:
        return None
    path = Path(name)
    return path if path.suffix.lower() in export.suffixes else path.with_name(path.name + export.suffixes[0])


def file_stem(title: str) -> str:
    """A title as part of a file name."""
    kept = "".join(letter if letter.isalnum() or letter in "-_" else " " for letter in title)
    return "-".join(kept.split())[:80] or "stillbox"


def picture_for_paper(view: View, results: Results, wish: Wish) -> bytes:
    """The picture as PNG, for printing."""
    from analysis.picture_style import picture_bytes

    return picture_bytes(view.paper(results, wish), ".png")


def print_picture(printer: QPrinter, content: bytes, sentence: str) -> None:
    """The sentence and the picture on one page."""
    image = QImage()
    buffer = QBuffer()
    buffer.setData(QByteArray(content))
    image.loadFromData(buffer.data())
    painter = QPainter(printer)
    page = QRectF(painter.viewport())
    words = painter.boundingRect(page, Qt.TextWordWrap, sentence)
    painter.drawText(words, Qt.TextWordWrap, sentence)
    room = page.adjusted(0, words.height() * 1.3, 0, 0)
    scale = min(room.width() / image.width(), room.height() / image.height())
    painter.drawImage(QRectF(room.left(), room.top(), image.width() * scale, image.height() * scale), image)
    painter.end()
