"""The log: what the window did and what went wrong, for whoever has to find out why. No Qt here."""

from __future__ import annotations

import logging
from logging.handlers import RotatingFileHandler
from pathlib import Path

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
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    return path
