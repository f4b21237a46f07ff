"""Start the real program on a virtual screen (Xvfb), click it, photograph it.

Run: python tests/window_on_screen.py FOLDER [--readme] [NAME ...]

Names choose among the pictures. Without --readme the pictures of several sizes, scales and themes go to FOLDER, to be
looked at; with it only the two pictures that the README shows, ``window.png`` and ``window-bass.png``. The build is
that of the demonstration.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))


@dataclass(frozen=True)
class Photo:
    """One photograph: screen in real pixels, scale, theme, and what is to be seen."""

    name: str
    width: int
    height: int
    scale: int = 1
    theme: str = "light"
    scene: str = "take"


PHOTOS = (
    Photo("first", 1366, 768, scene="first"),
    Photo("take", 1366, 768),
    Photo("take-dark", 1366, 768, theme="dark"),
    Photo("compare", 1366, 768, scene="compare"),
    Photo("heat", 1920, 1080, scene="heat"),
    Photo("compare-dark", 1920, 1080, theme="dark", scene="compare"),
    Photo("take-4k", 2732, 1536, scale=2),
    Photo("compare-4k-dark", 2732, 1536, scale=2, theme="dark", scene="compare"),
    Photo("sweeping", 1366, 768, scene="sweeping"),
    Photo("driver", 1366, 768, scene="driver"),
    Photo("driver-dark", 1920, 1080, theme="dark", scene="driver"),
    Photo("driver-4k", 2732, 1536, scale=2, scene="driver"),
    Photo("bass", 1366, 768, scene="bass"),
    Photo("bass-dark", 1366, 768, theme="dark", scene="bass"),
    Photo("bass-changed", 1366, 768, scene="bass changed"),
    Photo("bass-states", 1920, 1080, scene="bass states"),
    Photo("bass-states-4k-dark", 2732, 1536, scale=2, theme="dark", scene="bass states"),
)
README = (Photo("window", 1500, 940, scene="compare"), Photo("window-bass", 1500, 940, scene="bass states"))


@contextmanager
def virtual_screen(width: int, height: int) -> Iterator[str]:
    """A screen of that size; its DISPLAY."""
    reading, writing = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(writing), "-screen", "0", f"{width}x{height}x24", "-nolisten", "tcp"],
        pass_fds=(writing,),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(writing)
    try:
        with os.fdopen(reading) as answer:
            yield f":{answer.readline().strip()}"
    finally:
        server.terminate()
        server.wait(10)


def photograph(photo: Photo, folder: Path, build: Path) -> Path:
    """Show the window on a screen of its own and keep what the screen shows."""
    path = folder / f"{photo.name}.png"
    with virtual_screen(photo.width, photo.height) as display:
        environment = {
            **os.environ,
            "DISPLAY": display,
            "QT_QPA_PLATFORM": "xcb",
            "QT_SCALE_FACTOR": str(photo.scale),
        }
        child = [sys.executable, str(Path(__file__)), "--child", photo.scene, photo.theme, str(build), str(path)]
        subprocess.run(child, env=environment, check=True, timeout=180)
    return path


def _child(scene: str, theme: str, build: Path, path: Path) -> None:
    """The program itself, with hands."""
    from PyQt5.QtCore import QPoint, Qt
    from PyQt5.QtTest import QTest
    from PyQt5.QtWidgets import QApplication

    QApplication.setAttribute(Qt.AA_EnableHighDpiScaling)
    QApplication.setAttribute(Qt.AA_UseHighDpiPixmaps)
    application = QApplication(["stillbox"])
    from stillbox.gui.main_window import MainWindow
    from stillbox.gui.work.settings import Settings

    window = MainWindow(Settings(theme=theme), Path(tempfile.mkdtemp()) / "window.toml")
    screen = application.primaryScreen()
    window.setGeometry(screen.availableGeometry())
    window.show()
    application.setActiveWindow(window)

    def settle(most_s: float = 90.0) -> None:
        end = time.monotonic() + most_s
        while time.monotonic() < end:
            QTest.qWait(250)
            if not any(lane.busy for lane in window.lanes.values()):
                break
        QTest.qWait(250)

    settle()
    if scene != "first":
        window.open_build(build)
        settle()
    pane = window.results.pane
    if scene == "compare":
        QTest.keyClick(window, Qt.Key_K, Qt.ControlModifier)
        settle()
    if scene == "heat":
        QTest.keyClick(window, Qt.Key_H, Qt.ControlModifier)
        settle()
    if scene == "driver":
        numbers = [take.number for take in window.listing.takes if take.subject == "free-air"]
        window.bench.takes.select_numbers(numbers[-1:])
        settle()
    view = scene.split()[0]
    if view in ("driver", "bass"):
        reading = window.results.reading
        reading.setCurrentIndex(reading.findData(view))
        reading.activated.emit(reading.currentIndex())
        settle()
        items = window.results.findings.list
        QTest.mouseClick(items.viewport(), Qt.LeftButton, pos=items.visualItemRect(items.item(1)).center())
    fields = window.results.controls.fields
    if scene == "bass changed":
        fields["volume_percent"].setValue(70)
        settle()
    if scene == "bass states":
        fields["against"].setCurrentIndex(1)
        settle()
    if scene in ("take", "heat", "compare"):
        items = window.results.findings.list
        place = items.visualItemRect(items.item(1)).center()
        QTest.mouseClick(items.viewport(), Qt.LeftButton, pos=place)
        panel = pane.picture.panels[-1]
        spot = QPoint(round(pane.x_of(450.0)), round(panel.top + 0.55 * panel.height))
        QTest.mouseClick(pane, Qt.LeftButton, pos=spot)
    if scene == "sweeping":
        QTest.mouseClick(window.bench.sweep, Qt.LeftButton)
        QTest.qWait(4000)
    QTest.qWait(200)
    screen.grabWindow(0).save(str(path))
    window.close()
    while window.isVisible():
        QTest.qWait(50)


def reduced(path: Path) -> None:
    """256 colours, so that the file stays small: the most frequent ones, then such as cover the rest."""
    from PIL import Image

    with Image.open(path) as photo:
        full = photo.convert("RGB")
    counted = full.getcolors(full.width * full.height)
    assert counted is not None
    grounds = [part for _, colour in sorted(counted, reverse=True)[:32] for part in colour]
    rest = full.quantize(224, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE).getpalette()
    assert rest is not None
    palette = Image.new("P", (1, 1))
    palette.putpalette([*grounds, *rest[: 3 * 224]])
    full.quantize(palette=palette, dither=Image.Dither.NONE).save(path, optimize=True)


def main() -> None:
    if sys.argv[1] == "--child":
        _child(sys.argv[2], sys.argv[3], Path(sys.argv[4]), Path(sys.argv[5]))
        return
    from stillbox.analysis.page.demonstration import demonstration_build

    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as work:
        build = Path(work) / "demonstration"
        demonstration_build(build, lambda _: None)
        names = [name for name in sys.argv[2:] if name != "--readme"]
        chosen = README if "--readme" in sys.argv else PHOTOS
        for photo in chosen if not names else [photo for photo in chosen if photo.name in names]:
            path = photograph(photo, folder, build)
            if photo in README:
                reduced(path)
            print(path)


if __name__ == "__main__":
    main()
