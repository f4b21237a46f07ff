"""What the help menu shows."""

from __future__ import annotations

import html
from collections.abc import Callable

from PyQt5.QtCore import QUrl
from PyQt5.QtGui import QDesktopServices
from PyQt5.QtWidgets import QApplication, QDialog, QDialogButtonBox, QPlainTextEdit, QTextBrowser, QVBoxLayout, QWidget

from stillbox.capture.recording.take import JigKind
from stillbox.gui.menus import keys_text
from stillbox.gui.parts.words import MEANING
from stillbox.gui.work.log_file import log_path

PAGE_PX = 760
EDGES_PX = 60
"""Around a page: frame, layout, and the title bar of the window."""


def _fitting_px(page: QTextBrowser, below_px: int) -> tuple[int, int]:
    """Width and height of a window that shows a page whole where the screen has room, and lets it scroll elsewhere."""
    screen = QApplication.primaryScreen()
    room = (1366, 768) if screen is None else (screen.availableSize().width(), screen.availableSize().height())
    width = min(PAGE_PX, room[0] - EDGES_PX)
    document = page.document()
    assert document is not None
    document.setTextWidth(width - EDGES_PX)
    return width, min(int(document.size().height()) + below_px + EDGES_PX, room[1] - EDGES_PX)


class HelpPages:
    """Texts in windows of their own; none of them holds up the work.

    ``jig`` gives the rated ohms of the speaker, if known, and the kind of jig that is chosen.
    """

    def __init__(
        self, window: QWidget, jig: Callable[[], tuple[float | None, JigKind]], trouble: Callable[[str], None]
    ) -> None:
        self._window, self._jig, self._trouble = window, jig, trouble

    def show_jig(self) -> None:
        """How to build the jig, as ``stillbox jig`` says it."""
        from stillbox.capture.jig.jig_guide import JigLevels
        from stillbox.capture.jig.jig_text import jig_text

        rated_ohm, kind = self._jig()
        levels = JigLevels(rated_ohm=rated_ohm or 8.0, jig=kind)
        self.jig_window = QPlainTextEdit(jig_text(levels))
        self.jig_window.setWindowTitle("How to build the jig")
        self.jig_window.setReadOnly(True)
        font = self.jig_window.font()
        font.setFamily("monospace")
        self.jig_window.setFont(font)
        self.jig_window.resize(860, 640)
        self.jig_window.show()

    def show_cautions(self) -> None:
        """All that can hurt, as ``stillbox cautions`` says it."""
        from stillbox.analysis.cautions import CAUTIONS

        told = "".join(f"<p><b>{topic.capitalize()}.</b> {html.escape(text)}</p>" for topic, text in CAUTIONS.items())
        self._tell("Cautions", told)

    def show_keys(self) -> None:
        meanings = "".join(f"<p>{text}</p>" for text in MEANING.values())
        self._tell("Keys and mouse", f"{keys_text()}<h4>What the quantities mean</h4>{meanings}")

    def show_about(self) -> None:
        self._tell(
            "About Stillbox",
            "<p><b>Stillbox</b>: instrument and notebook for people who build and rework passive loudspeakers at "
            "home. GPL-3.0-or-later.</p><p>Local electrical codes and licensed practice come first. Stillbox is no "
            "safety instrument.</p>",
        )

    def _tell(self, title: str, text: str) -> None:
        self.message = QDialog(self._window)
        self.message.setWindowTitle(title)
        self.page = QTextBrowser()
        self.page.setHtml(text)
        close = QDialogButtonBox(QDialogButtonBox.Close)
        close.rejected.connect(self.message.close)
        layout = QVBoxLayout(self.message)
        layout.addWidget(self.page)
        layout.addWidget(close)
        self.message.resize(*_fitting_px(self.page, close.sizeHint().height()))
        self.message.show()

    def open_log(self) -> None:
        """Open the log in whatever shows text."""
        path = log_path()
        if path.is_file():
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(path)))
        else:
            self._trouble(f"There is no log yet at {path}.")
