"""Whether Qt finds the libraries of the system that its window needs; where not, Qt itself would end the program."""

from __future__ import annotations

import ctypes
import os
import sys
from pathlib import Path

from stillbox.capture.errors import StillboxError

PACKAGES = (
    "libgl1 libegl1 libglib2.0-0 libdbus-1-3 libfontconfig1 libxkbcommon-x11-0 libx11-xcb1 libxcb-icccm4 "
    "libxcb-image0 libxcb-keysyms1 libxcb-randr0 libxcb-render-util0 libxcb-render0 libxcb-shape0 libxcb-shm0 "
    "libxcb-sync1 libxcb-xfixes0 libxcb-xinerama0 libxcb-xkb1"
)
"""Of Debian and what derives from it."""
INSTALL = f"sudo apt-get install {PACKAGES}"


def missing_libraries(error: object) -> StillboxError:
    """The fault for a person, with the one line that mends it."""
    if not sys.platform.startswith("linux"):
        return StillboxError(
            f"the window cannot open, for a part of Qt is not there or cannot be read ({error})",
            "install it anew: pip install --force-reinstall PyQt5",
        )
    return StillboxError(
        f"the window cannot open, for a library that Qt needs is not there or cannot be read ({error})",
        f"on Debian or Ubuntu this line installs all of them: {INSTALL}",
    )


def require_libraries() -> None:
    """StillboxError where the part of Qt that talks to the screen cannot be loaded.

    Only for X, which is what Qt takes on Linux where nothing else is asked for.
    """
    asked = os.environ.get("QT_QPA_PLATFORM", "").partition(":")[0]
    if not sys.platform.startswith("linux") or asked not in ("", "xcb"):
        return
    if not asked and os.environ.get("WAYLAND_DISPLAY") and not os.environ.get("DISPLAY"):
        return
    plugin = _plugins() / "libqxcb.so"
    try:
        ctypes.CDLL(str(plugin))
    except OSError as error:
        raise missing_libraries(error) from error


def _plugins() -> Path:
    """Where Qt looks for what talks to the screen."""
    given = os.environ.get("QT_QPA_PLATFORM_PLUGIN_PATH")
    if given:
        return Path(given)
    from PyQt5.QtCore import QLibraryInfo

    return Path(QLibraryInfo.location(QLibraryInfo.PluginsPath)) / "platforms"
