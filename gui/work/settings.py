"""What the window remembers for a person, in a small file of their own. No Qt here."""

from __future__ import annotations

import logging
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path

from stillbox.capture.errors import StillboxError
from stillbox.capture.files.small_file import parse_toml, read_small_text
from stillbox.capture.files.whole_file import write_whole
from stillbox.capture.sweep.usual_take import SECONDS

MOST_RECENT = 8


@dataclass
class Settings:
    """Remembered from one start to the next; what cannot be read falls back to what stands here.

    Attributes
    ----------
    theme : str
        "light" or "dark".
    window_size : list of int
        Width and height; empty for what fits the screen.
    bench_width : int
        Of the left half, in pixels; 0 for the usual.
    recent : list of str
        Folders of builds, the newest first.
    decay_style, time_axis : str
        "ridges" or "heat"; "ms" or "cycles".
    """

    theme: str = "light"
    window_size: list[int] = field(default_factory=list)
    bench_width: int = 0
    recent: list[str] = field(default_factory=list)
    device: str = ""
    unit: str = "A"
    jig: str = "high-side"
    seconds: float = SECONDS
    hurry: bool = False
    decay_style: str = "ridges"
    time_axis: str = "ms"
    export_folder: str = ""

    def remember_build(self, path: Path) -> None:
        """Put a build at the head of the recent ones."""
        name = str(path.resolve())
        self.recent = [name, *(other for other in self.recent if other != name)][:MOST_RECENT]


def settings_path() -> Path:
    """The user's file."""
    import platformdirs

    return platformdirs.user_config_path("stillbox") / "window.toml"


def read_settings(path: Path | None = None) -> Settings:
    """Settings of the last time; a value of the wrong kind, or a damaged file, counts as never written."""
    path = path or settings_path()
    settings = Settings()
    try:
        document = parse_toml(read_small_text(path))
    except FileNotFoundError:
        return settings
    except (OSError, ValueError) as error:
        logging.getLogger("stillbox").warning("cannot read %s: %s", path, error)
        return settings
    for each in fields(Settings):
        value, usual = document.get(each.name), getattr(settings, each.name)
        if type(value) is type(usual) and (not isinstance(value, list) or _alike(value, each.name)):
            setattr(settings, each.name, value)
    return settings


def _alike(values: list[object], name: str) -> bool:
    kind = int if name == "window_size" else str
    return all(isinstance(value, kind) for value in values)


def write_settings(settings: Settings, path: Path | None = None) -> None:
    """Keep the settings; StillboxError if the disk refuses."""
    import tomlkit

    path = path or settings_path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StillboxError(f"cannot make {path.parent}: {error.strerror}", "check the rights there") from error
    write_whole(path, tomlkit.dumps(asdict(settings)))
