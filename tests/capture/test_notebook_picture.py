"""Pictures of the notebook: upright, small, nothing of the camera's notes; what is no picture is told so."""

from __future__ import annotations

import io
import os
import struct
import zlib
from pathlib import Path

import pytest
from PIL import Image

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.notebook import read_notebook
from stillbox.capture.build.notebook_edit import add_entry, correct_entry
from stillbox.capture.build.notebook_picture import kept_picture, picture_for_notebook
from stillbox.capture.errors import StillboxError

UPRIGHT = ("red", "lime", "blue", "white")
"""Corners of a picture as it should be seen: top left, top right, bottom left, bottom right."""
SEEN_BY_CAMERA = {
    1: (0, 1, 2, 3), 2: (1, 0, 3, 2), 3: (3, 2, 1, 0), 4: (2, 3, 0, 1),
    5: (0, 2, 1, 3), 6: (1, 3, 0, 2), 7: (3, 1, 2, 0), 8: (2, 0, 3, 1),
}  # fmt: skip
"""Which corner of the upright picture lies in each corner of the file, by its tag (CIPA DC-008: 1 is upright, 6 has the
right side on top: the file's first row is the picture's right side, read downwards)."""


def of_corners(corners: tuple[int, ...], size: tuple[int, int] = (400, 400)) -> Image.Image:
    image = Image.new("RGB", size)
    width, height = size[0] // 2, size[1] // 2
    for place, corner in enumerate(corners):
        left, top = width * (place % 2), height * (place // 2)
        image.paste(UPRIGHT[corner], (left, top, left + width, top + height))
    return image


def corners_of(content: bytes) -> tuple[str, ...]:
    image = Image.open(io.BytesIO(content))
    names = {(255, 0, 0): "red", (0, 255, 0): "lime", (0, 0, 255): "blue", (255, 255, 255): "white"}
    places = [(x * image.width // 4, y * image.height // 4) for y in (1, 3) for x in (1, 3)]
    seen = [image.getpixel(place) for place in places]
    return tuple(
        min(names.items(), key=lambda one: sum(abs(a - b) for a, b in zip(one[0], pixel, strict=True)))[1]  # type: ignore[arg-type]
        for pixel in seen
    )


@pytest.mark.parametrize("kind", ["jpeg", "png", "webp"])
@pytest.mark.parametrize("tag", SEEN_BY_CAMERA)
def test_a_picture_is_turned_upright(tmp_path: Path, tag: int, kind: str) -> None:
    notes = Image.Exif()
    notes[0x0112] = tag
    path = tmp_path / f"held.{kind}"
    of_corners(SEEN_BY_CAMERA[tag]).save(path, exif=notes)
    assert corners_of(picture_for_notebook(path)) == UPRIGHT


def test_it_is_small_and_says_nothing_of_place_or_camera(tmp_path: Path) -> None:
    notes = Image.Exif()
    notes[0x010F], notes[0x0112] = "SECRET camera", 6
    notes.get_ifd(0x8825)[2] = (47.0, 22.0, 11.0)
    path = tmp_path / "large.jpg"
    of_corners((0, 1, 2, 3), (3000, 2000)).save(path, exif=notes, comment=b"SECRET words", dpi=(300, 300))
    assert b"SECRET" in path.read_bytes()
    content = picture_for_notebook(path)
    kept = Image.open(io.BytesIO(content))
    assert kept.size == (1067, 1600) and kept.format == "JPEG" and len(content) < 200_000
    assert not kept.getexif() and b"SECRET" not in content and b"Exif" not in content and b"http" not in content
    assert set(kept.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    (tmp_path / "notebook").mkdir()
    (tmp_path / "notebook" / "0001-1.jpg").write_bytes(content)
    assert Image.open(io.BytesIO(kept_picture(tmp_path, "0001-1.jpg", 320))).size == (214, 320)


@pytest.mark.parametrize(
    ("mode", "colour", "seen"),
    [
        ("L", 128, 128), ("LA", (0, 0), 255), ("RGBA", (0, 0, 0, 0), 255), ("P", 0, None), ("1", 1, 255),
        ("I;16", 128 * 257, 128), ("CMYK", (0, 0, 0, 127), 128),
    ],
)  # fmt: skip
def test_kinds_of_pixels_are_shown_as_they_are_seen(
    tmp_path: Path, mode: str, colour: int | tuple[int, ...], seen: int | None
) -> None:
    path = tmp_path / ("a.jpg" if mode == "CMYK" else "a.png")
    Image.new(mode, (40, 30), colour).save(path)
    pixel = Image.open(io.BytesIO(picture_for_notebook(path))).getpixel((20, 15))
    assert isinstance(pixel, tuple)
    assert seen is None or all(abs(value - seen) <= 3 for value in pixel)


def png_that_says(width: int, height: int) -> bytes:
    """A PNG of that size without its pixels."""
    head = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    parts = (head, b"IDAT", b"IEND")
    chunks = [struct.pack(">I", len(one) - 4) + one + struct.pack(">I", zlib.crc32(one)) for one in parts]
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def test_what_is_no_picture_is_told_so(tmp_path: Path) -> None:
    whole = io.BytesIO()
    of_corners((0, 1, 2, 3)).save(whole, "JPEG")
    files = {
        "cut.jpg": (whole.getvalue()[:900], "is damaged"),
        "cut.png": (png_that_says(20, 20), "is damaged"),
        "huge.png": (png_that_says(60_000, 60_000), "60000 x 60000 pixels, and at most 110 million"),
        "note.jpg": (b"only words", "no picture of a kind that is known"),
        "empty.jpg": (b"", "no picture of a kind that is known"),
        "page.html": (b"<html>", "no picture of a kind that is known"),
    }
    for name, (content, words) in files.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(StillboxError, match=words):
            picture_for_notebook(tmp_path / name)
    with pytest.raises(StillboxError, match="No such file"):
        picture_for_notebook(tmp_path / "none.jpg")
    with pytest.raises(StillboxError, match="a folder, not a file"):
        picture_for_notebook(tmp_path)
    os.mkfifo(tmp_path / "pipe.jpg")
    with pytest.raises(StillboxError, match="a pipe, not a file"):
        picture_for_notebook(tmp_path / "pipe.jpg")
    (tmp_path / "link.jpg").symlink_to(tmp_path / "cut.jpg")
    with pytest.raises(StillboxError, match="is a link; give the file itself"):
        picture_for_notebook(tmp_path / "link.jpg")
    with (tmp_path / "long.jpg").open("wb") as file:
        file.truncate(151_000_000)
    with pytest.raises(StillboxError, match="151 MB, and at most 150 MB"):
        picture_for_notebook(tmp_path / "long.jpg")


@pytest.mark.parametrize("damage", range(12))
def test_damage_anywhere_is_told_or_does_no_harm(tmp_path: Path, damage: int) -> None:
    notes, whole = Image.Exif(), io.BytesIO()
    notes[0x0112] = 6
    of_corners((0, 1, 2, 3)).save(whole, "JPEG", exif=notes)
    content = bytearray(whole.getvalue())
    place = 4 + damage * len(content) // 12
    content[place : place + 9] = bytes(b ^ 0xA5 for b in content[place : place + 9])
    (tmp_path / "a.jpg").write_bytes(content)
    try:
        assert picture_for_notebook(tmp_path / "a.jpg").startswith(b"\xff\xd8")
    except StillboxError as error:
        assert error.remedy


def test_pictures_lie_in_the_build_and_a_bad_one_writes_nothing(tmp_path: Path) -> None:
    build = BuildFolder.create(tmp_path / "pair")
    (tmp_path / "bad.jpg").write_bytes(b"x")
    of_corners((0, 1, 2, 3)).save(tmp_path / "good.png")
    with pytest.raises(StillboxError, match="no picture"):
        add_entry(build, {"text": "felt"}, [tmp_path / "good.png", tmp_path / "bad.jpg"])
    assert not (build.path / "notebook.toml").exists() and not (build.path / "notebook").exists()
    entry = add_entry(build, {"text": "felt"}, [tmp_path / "good.png"] * 2)
    assert entry.pictures == ("0001-1.jpg", "0001-2.jpg")
    entry = correct_entry(build, 1, {}, [tmp_path / "good.png"])
    assert len(entry.pictures) == 3 and read_notebook(build.path).entry(1) == entry
    assert all((build.path / "notebook" / name).read_bytes().startswith(b"\xff\xd8") for name in entry.pictures)
    (build.path / "notebook").rename(build.path / "elsewhere")
    (build.path / "notebook").symlink_to(tmp_path)
    with pytest.raises(StillboxError, match="is a link"):
        add_entry(build, {"text": "x"}, [tmp_path / "good.png"])
