"""From the command line to the window."""

from __future__ import annotations

import logging
import os
import sys
from pathlib import Path
from types import TracebackType

from stillbox.capture.errors import StillboxError
from stillbox.capture.stop_signals import answered_by
from stillbox.gui.screen_libraries import missing_libraries, require_libraries

ICON = Path(__file__).parent / "desktop" / "stillbox.svg"

SWITCH_S = 0.0015
"""How long Python lets one thread run while another waits: short, for the window waits so long at every turn."""


def open_window(build: Path | None = None) -> int:
    """Show the window until it is closed; returns the exit status."""
    try:
        from PyQt5.QtCore import Qt, QTimer
        from PyQt5.QtGui import QIcon
        from PyQt5.QtWidgets import QApplication
    except ModuleNotFoundError as error:
        raise StillboxError(
            f"the window needs PyQt5, which cannot be loaded ({error})", "install it with pip"
        ) from error
    except ImportError as error:  # it is there, but not all that it is linked to
        raise missing_libraries(error) from error
    from stillbox.capture.build.build_folder import BuildFolder
    from stillbox.gui.work.log_file import begin_log
    from stillbox.gui.work.settings import read_settings

    _require_screen()
    require_libraries()
    if build is not None:
        BuildFolder.open(build)
    QApplication.setAttribute(Qt.AA_EnableHighDpiScaling)
    QApplication.setAttribute(Qt.AA_UseHighDpiPixmaps)
    sys.setswitchinterval(SWITCH_S)
    begin_log()
    application = QApplication(["stillbox"])
    application.setApplicationName("stillbox")
    application.setDesktopFileName("stillbox")
    application.setWindowIcon(QIcon(str(ICON)))
    from stillbox.gui.main_window import MainWindow

    window = MainWindow(read_settings())
    sys.excepthook = _reporter(window)
    window.show()
    if build is not None:
        window.open_build(build)
    # Qt runs Python often enough (see stillbox.gui.work.garbage) for a signal to be noticed at once.
    with answered_by(lambda: QTimer.singleShot(0, window.close)):
        return int(application.exec_())


def _require_screen() -> None:
    """StillboxError where Qt would end the program for want of a screen."""
    needs_server = sys.platform.startswith("linux") and not os.environ.get("QT_QPA_PLATFORM")
    if needs_server and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        raise StillboxError(
            "there is no screen to open the window on",
            "start it from a desktop, or use the commands that 'stillbox --help' lists",
        )


def _reporter(window: object):  # type: ignore[no-untyped-def]
    from stillbox.gui.main_window import MainWindow

    assert isinstance(window, MainWindow)

    def report(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        if issubclass(kind, KeyboardInterrupt):
            window.close()
            return
        logging.getLogger("stillbox").error("unexpected", exc_info=(kind, error, trace))
        window.show_error(error)

    return report
