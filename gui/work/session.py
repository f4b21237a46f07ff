"""The build that is open, for the window: what it holds, its bench, sweeps and imports. No Qt here.

Everything that touches the disk or computes is meant to be called in a lane (see ``gui.work.work``), never in the
window's thread.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.take_edit import removed_takes
from stillbox.capture.files.small_file import real_path
from stillbox.capture.practice.practice_speakers import BARE_BOX
from stillbox.capture.shown_text import short_name

if TYPE_CHECKING:
    from stillbox.analysis.bench import Bench
    from stillbox.capture.errors import StillboxError
    from stillbox.capture.live.live_take import LiveRequest
    from stillbox.capture.recording.take import TakeInfo
    from stillbox.capture.sound.audio_device import AudioDevice, DeviceInfo, StreamState


@dataclass(frozen=True)
class Listing:
    """What a build holds right now."""

    name: str
    takes: tuple[TakeInfo, ...]
    removed: tuple[TakeInfo, ...]
    reference_ohm: float | None
    tolerance_percent: float | None
    proposed_ohm: float | None = None
    """A reference resistor, where the build names none."""


class Session:
    """An open build."""

    def __init__(self, path: Path | str, say: Callable[[str], None] | None = None) -> None:
        """``say`` is told, in the thread that works, where another program that writes to the build is waited for."""
        self.build = BuildFolder.open(path, say)
        self._bench: Bench | None = None
        self._changes = 0
        self._seen = -1
        self._guard, self._counting = threading.Lock(), threading.Lock()

    def bench(self) -> Bench:
        """The bench on the build as it is now, for any thread."""
        from stillbox.analysis.bench import Bench

        with self._guard:
            changes = self._changes  # before the disk is read: what comes meanwhile is seen the next time
            if self._bench is None:
                self._bench = Bench(self.build)
            elif self._seen != changes:
                self._bench = self._bench.renewed()
            self._seen = changes
            return self._bench

    def changed(self) -> None:
        """Something on the disk has changed: read it anew when it is next needed."""
        with self._counting:
            self._changes += 1

    def listing(self) -> Listing:
        """Read the folder."""
        settings, description = self.build.calibration, self.build.description
        return Listing(
            short_name(description.name or real_path(self.build.path).name),
            tuple(self.build.takes()),
            tuple(removed_takes(self.build)),
            None if settings is None else settings.reference_ohm,
            None if settings is None else settings.reference_tolerance_percent,
            _proposed_ohm(description.rated_ohm) if settings is None else None,
        )


def record(
    session: Session, device: AudioDevice, request: LiveRequest, stream: StreamState, say: Callable[[str], None]
) -> TakeInfo:
    """One live take; see ``capture.live.live_take.record_take``."""
    from stillbox.capture.live.live_take import record_take

    info = record_take(session.build, device, request, stream, say)
    session.changed()
    return info


def practice_build(parent: Path, speaker: str = BARE_BOX) -> Path:
    """A build for a speaker of the practice rig, with all that is known of it; an earlier one is opened again."""
    from stillbox.capture.practice import practice_build as made

    path = parent / f"practice, {speaker}"
    if not (path / "build.toml").is_file():
        parent.mkdir(parents=True, exist_ok=True)
        made.practice_build(path, speaker)
    return path


def _proposed_ohm(rated_ohm: float | None) -> float:
    from stillbox.capture.jig.jig_guide import JigLevels, proposed_reference

    return proposed_reference(JigLevels() if rated_ohm is None else JigLevels(rated_ohm)).reference_ohm


def builds_folder() -> Path:
    """Where builds go unless the person says otherwise."""
    import platformdirs

    return platformdirs.user_documents_path() / "stillbox"


def known_devices() -> tuple[list[tuple[str, str, DeviceInfo | None]], StillboxError | None]:
    """(words, name for ``find_device``, info) of every device, cards first, and why there is no card where none is."""
    from stillbox.capture.live.devices import list_devices
    from stillbox.capture.practice.practice_rig import rig_names

    there = list_devices()
    found: list[tuple[str, str, DeviceInfo | None]] = []
    names = [info.key for info in there.devices]
    for number, info in enumerate(there.devices):
        if info.kind != "practice rig" and info.output_channels:
            # A name finds it again in a list that has changed; a number only where the name is not its own.
            name = info.key if names.count(info.key) == 1 else str(number)
            found.append((info.key, name, info))
    found += [(name[:1].upper() + name[1:], name, None) for name in rig_names()]
    return found, there.trouble
