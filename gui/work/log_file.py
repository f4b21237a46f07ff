"""The log: what the window did and what went wrong anywhere, for whoever has to find out why. No Qt here."""

from __future__ import annotations

import logging
import traceback
from contextlib import suppress
from datetime import datetime
from logging.handlers import RotatingFileHandler
from pathlib import Path

from stillbox.capture.files.whole_file import move_file

LOG_NAME = "stillbox"
LARGEST_BYTES = 500_000


def log_path() -> Path:
    """The user's log file."""
    import platformdirs

    return platformdirs.user_log_path("stillbox") / "stillbox.log"


def begin_log() -> Path | None:
    """Start to write the log; None where the disk refuses, for a window without a log is better than none."""
    logger = logging.getLogger(LOG_NAME)
    path = log_path()
    if any(
        isinstance(handler, RotatingFileHandler) and Path(handler.baseFilename) == path for handler in logger.handlers
    ):
        return path
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handler = RotatingFileHandler(path, maxBytes=LARGEST_BYTES, backupCount=1, encoding="utf-8")
    except OSError:
        return None
    handler.rotator = _begin_anew
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    return path


def _begin_anew(full: str, kept: str) -> None:
    """Put the full log aside; where another window has it open Windows refuses, and then it grows on."""
    with suppress(OSError):
        move_file(Path(full), Path(kept))


def keep_trace(error: BaseException, doing: str) -> Path | None:
    """Write where an error came from to the end of the log; None where the disk refuses."""
    path = log_path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a", encoding="utf-8", errors="backslashreplace") as file:
            file.write(f"{datetime.now():%Y-%m-%d %H:%M:%S} ERROR {doing}\n")
            file.writelines(traceback.format_exception(error))
    except OSError:
        return None
    return path
