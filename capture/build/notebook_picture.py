"""A picture of somebody's made fit for the notebook: upright, small, without what a camera wrote beside it."""

from __future__ import annotations

import errno
import io
import os
import stat
import struct
from collections.abc import Callable
from pathlib import Path
from typing import IO, TYPE_CHECKING

from stillbox.capture.errors import StillboxError
from stillbox.capture.files.build_layout import NOTEBOOK_FOLDER, is_link, own_folder
from stillbox.capture.files.small_file import kind_of, why_unreadable

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageFile import ImageFile

LONGEST_PX = 1600
"""Of the longer side of what is kept: words on a part can still be read."""
QUALITY = 85
MOST_BYTES = 150_000_000
MOST_PIXELS = 110_000_000
"""More is no photograph of a bench, and takes a gigabyte to look at."""
ORIENTATION = 0x0112
"""Tag by which EXIF says how the camera was held (CIPA DC-008 [M])."""
EXIF_HEAD = b"Exif\0\0"


def picture_for_notebook(path: Path, longest_px: int = LONGEST_PX) -> bytes:
    """A JPEG of what a file shows, upright, its longer side ``longest_px`` at most; nothing else of the file is in it.

    Raises
    ------
    StillboxError
        If the file is a link, a pipe, a folder, damaged, huge, or no picture of a kind that is known.
    """
    try:
        with _opened(path) as file:
            return _small_jpeg(file, str(path), longest_px)
    except OSError as error:
        raise StillboxError(f"cannot read the picture {path}: {why_unreadable(error)}", "give another file") from error


def kept_picture(build_path: Path, name: str, longest_px: int) -> bytes:
    """A picture of the notebook, its longer side ``longest_px`` at most; StillboxError where it cannot be shown."""
    return picture_for_notebook(own_folder(build_path, NOTEBOOK_FOLDER) / name, longest_px)


def _opened(path: Path) -> IO[bytes]:
    if is_link(path):
        raise StillboxError(f"the picture {path} is a link", "give the file itself")
    # Without O_NONBLOCK opening a pipe waits for whoever writes to it.
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    status = os.fstat(descriptor)
    if not stat.S_ISREG(status.st_mode):
        os.close(descriptor)
        raise OSError(errno.EINVAL, f"it is {kind_of(status.st_mode)}, not a file")
    if status.st_size > MOST_BYTES:
        os.close(descriptor)
        size, most = f"{status.st_size / 1e6:.0f} MB", f"{MOST_BYTES / 1e6:.0f} MB"
        raise StillboxError(f"the picture {path} has {size}, and at most {most} are read", "export it smaller")
    return os.fdopen(descriptor, "rb")


def _small_jpeg(file: IO[bytes], name: str, longest_px: int) -> bytes:
    kind = _kind_of(file)
    if kind is None:
        raise StillboxError(
            f"{name} is no picture of a kind that is known (JPEG, PNG, WebP and BMP are)", "export it as JPEG"
        )
    image = _of_decoder(lambda: kind(file))
    if image is not None and image.width * image.height > MOST_PIXELS:
        raise StillboxError(
            f"the picture {name} is {image.width} x {image.height} pixels, and at most {MOST_PIXELS // 1_000_000} "
            "million are read",
            "export it smaller",
        )
    loaded = None if image is None else _of_decoder(lambda: _loaded(image, longest_px))
    if loaded is None:
        raise StillboxError(f"the picture {name} is damaged", "export it anew, as JPEG for instance")
    return _as_jpeg(loaded, longest_px)


def _of_decoder(read: Callable[[], ImageFile]) -> ImageFile | None:
    """What a decoder of the library makes of a file; None where damage brings it to anything else."""
    try:
        return read()
    except Exception:  # of other people's code alone: a damaged file may lead it anywhere
        return None


def _loaded(image: ImageFile, longest_px: int) -> ImageFile:
    image.draft("RGB", (longest_px, longest_px))  # a JPEG is decoded no larger than is wanted
    image.load()
    return image


def _kind_of(file: IO[bytes]) -> type[ImageFile] | None:
    """The decoder of a file; None where it is of none of the kinds.

    Each kind is opened by itself, not by the library's own search, which loads all kinds that it knows of.
    """
    head = file.read(16)
    file.seek(0)
    if head.startswith(b"\xff\xd8\xff"):
        from PIL.JpegImagePlugin import JpegImageFile

        class Plain(JpegImageFile):
            """Nothing is asked for that a camera's notes may be too damaged for."""

            def _read_dpi_from_exif(self) -> None:
                return

        return Plain
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        from PIL.PngImagePlugin import PngImageFile

        return PngImageFile
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        from PIL.WebPImagePlugin import WebPImageFile

        return WebPImageFile
    if head.startswith(b"BM"):
        from PIL.BmpImagePlugin import BmpImageFile

        return BmpImageFile
    return None


def _as_jpeg(image: Image, longest_px: int) -> bytes:
    from PIL import Image as Pillow

    turns = {
        2: Pillow.Transpose.FLIP_LEFT_RIGHT,
        3: Pillow.Transpose.ROTATE_180,
        4: Pillow.Transpose.FLIP_TOP_BOTTOM,
        5: Pillow.Transpose.TRANSPOSE,
        6: Pillow.Transpose.ROTATE_270,
        7: Pillow.Transpose.TRANSVERSE,
        8: Pillow.Transpose.ROTATE_90,
    }
    turn = turns.get(_orientation(image.info.get("exif", b"")))
    shown = _opaque(image)
    shown.thumbnail((longest_px, longest_px))
    upright = shown if turn is None else shown.transpose(turn)
    bare = Pillow.new("RGB", upright.size)  # a new one knows nothing of the file
    bare.paste(upright)
    written = io.BytesIO()
    bare.save(written, "JPEG", quality=QUALITY, optimize=True)
    return written.getvalue()


def _opaque(image: Image) -> Image:
    """The picture in red, green and blue; what is transparent is white."""
    import numpy as np
    from PIL import Image as Pillow

    if image.mode.startswith("I"):  # 16 bits of grey
        grey = np.clip(np.asarray(image, dtype=float) / 257, 0, 255).astype(np.uint8)
        return Pillow.fromarray(grey).convert("RGB")
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        layer = image.convert("RGBA")
        white = Pillow.new("RGBA", layer.size, "white")
        return Pillow.alpha_composite(white, layer).convert("RGB")
    return image.convert("RGB")


def _orientation(notes: bytes) -> int:
    """How the camera was held, 1 to 8, from the first directory of EXIF; 1 (upright) where nothing is told."""
    block = notes.removeprefix(EXIF_HEAD)
    order = {b"II": "<", b"MM": ">"}.get(block[:2])
    if order is None:
        return 1
    try:
        (place,) = struct.unpack_from(f"{order}I", block, 4)
        (count,) = struct.unpack_from(f"{order}H", block, place)
        for entry in range(count):
            tag, kind, _, value = struct.unpack_from(f"{order}HHIH", block, place + 2 + 12 * entry)
            if tag == ORIENTATION and kind == 3:
                return int(value)
    except struct.error:  # damaged notes say nothing, the picture is there all the same
        return 1
    return 1
