"""Which file names results can be written under; light enough to be asked before any work is done."""

from __future__ import annotations

from pathlib import Path

from capture.errors import StillboxError

PICTURE_SUFFIXES = (".svg", ".png", ".pdf")
TOUCHSTONE_SUFFIXES = (".z1p", ".s1p")
PAGE_SUFFIXES = (".html", ".htm")


def check_picture_name(path: Path) -> Path:
    """The path itself; StillboxError if it does not end in .svg, .png or .pdf."""
    return _checked(path, PICTURE_SUFFIXES, "a picture")


def check_touchstone_name(path: Path) -> Path:
    """The path itself; StillboxError if it does not end in .z1p or .s1p."""
    return _checked(path, TOUCHSTONE_SUFFIXES, "a Touchstone one-port file")


def check_page_name(path: Path) -> Path:
    """The path itself; StillboxError if it does not end in .html or .htm."""
    return _checked(path, PAGE_SUFFIXES, "a page")


def _checked(path: Path, suffixes: tuple[str, ...], what: str) -> Path:
    if Path(path).suffix.lower() not in suffixes:
        there = f"{', '.join(suffixes[:-1])} or {suffixes[-1]}"
        raise StillboxError(f"{path}: the name of {what} must end in {there}, not '{Path(path).suffix}'")
    return path
