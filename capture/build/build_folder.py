"""The build folder on disk: ``build.toml``, the calibration settings and the takes.

Layout::

    BUILD/build.toml                               written by hand, see build_description
    BUILD/calibration.toml                         reference resistor, see CalibrationSettings
    BUILD/takes/0001-in-box-stock-A.flac           samples (FLAC up to 24 bit, WAV for 32 bit and float)
    BUILD/takes/0001-in-box-stock-A.json           sidecar; a take exists once its sidecar does

Files are written under a temporary name in the same folder, flushed to the disk and renamed, the sidecar last.
Numbers are never given twice as long as any file with the number is there. Nothing outside the folder is read or
written: names in sidecars must be plain, and links that lead out are refused.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Unpack

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, BaseModel, ConfigDict, Strict, ValidationError

from stillbox.capture.build.build_contents import within
from stillbox.capture.build.build_description import (
    BuildDescription,
    description_template,
    read_description,
    read_toml,
)
from stillbox.capture.build.build_lock import build_lock
from stillbox.capture.build.sidecar import read_sidecar, write_sidecar
from stillbox.capture.build.states import check_name
from stillbox.capture.errors import StillboxError, describe_validation_error
from stillbox.capture.files.build_layout import (
    CALIBRATION_FILE,
    DESCRIPTION_FILE,
    LOCK_FILE,
    NUMBERED,
    TAKES_FOLDER,
    WASTEBASKET_FOLDER,
    own_folder,
)
from stillbox.capture.files.output_file import check_folder
from stillbox.capture.files.small_file import real_path
from stillbox.capture.files.whole_file import PARTIAL_SUFFIX, move_file, sync_file, write_whole
from stillbox.capture.recording.audio_file import (
    AudioClip,
    RawSamples,
    read_audio,
    read_header,
    samples_sha256,
    storage_form,
    to_least_float,
    to_raw,
    write_audio,
)
from stillbox.capture.recording.take import MOST_DIGITS, Recording, TakeAbout, TakeInfo, check_of, fitting_takes
from stillbox.capture.stop_signals import kept_back

AUDIO_SUFFIXES = (".flac", ".wav")
AUDIO_REMEDY = "put the original back, or delete the take and import it again"


class CalibrationSettings(BaseModel):
    """What a person says about the jig: the reference resistor."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    reference_ohm: Annotated[float, Strict(), AfterValidator(within(0.1, 100_000, "ohm"))]
    reference_tolerance_percent: Annotated[float, Strict(), AfterValidator(within(0, 50, "percent"))] | None = None


class BuildFolder:
    """One build: the folder at ``path``; ``say`` is told where another program that writes to it is waited for."""

    def __init__(self, path: Path | str, say: Callable[[str], None] | None = None) -> None:
        self.path = Path(path)
        self._say = say

    @classmethod
    def create(
        cls,
        path: Path | str,
        inside_mm: tuple[float, float, float] | None = None,
        rated_ohm: float | None = None,
        metres_above_sea: float | None = None,
    ) -> BuildFolder:
        """Make the folder with its ``build.toml``; ``inside_mm`` is (height, width, depth).

        Raises
        ------
        StillboxError
            If there is a build already, the folder cannot be made, or a value is out of range.
        """
        build = cls(path)
        try:
            str(build.path).encode("utf-8")
        except UnicodeEncodeError as error:
            raise StillboxError(f"{build.path} is no name in UTF-8", "give the folder another") from error
        check_folder(build.path)
        if os.path.lexists(build._description_path):
            raise StillboxError(
                f"{build.path} is a build already", f"edit its {DESCRIPTION_FILE}, or give a new folder"
            )
        try:
            BuildDescription.model_validate(
                {"inside_mm": inside_mm, "rated_ohm": rated_ohm, "metres_above_sea": metres_above_sea}
            )
        except ValidationError as error:
            raise StillboxError(describe_validation_error(error), "give another value") from error
        try:
            build._takes_path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StillboxError(f"cannot make {build.path}: {error.strerror}", "give another folder") from error
        name = build.path.resolve().name
        write_whole(build._description_path, description_template(name, inside_mm, rated_ohm, metres_above_sea))
        return build

    @classmethod
    def open(cls, path: Path | str, say: Callable[[str], None] | None = None) -> BuildFolder:
        """The build at ``path``; StillboxError if there is none."""
        build = cls(path, say)
        if not build._description_path.is_file():
            if build.path.is_file():
                raise StillboxError(f"{build.path} is a file", f"give the folder that {DESCRIPTION_FILE} is in")
            raise StillboxError(
                f"{build.path} is no build: it has no {DESCRIPTION_FILE}",
                f"make one with 'stillbox start {build.path}'",
            )
        return build

    @property
    def _description_path(self) -> Path:
        return self.path / DESCRIPTION_FILE

    @property
    def _takes_path(self) -> Path:
        """The folder of the takes; StillboxError where it is a link."""
        return own_folder(self.path, TAKES_FOLDER)

    @property
    def description(self) -> BuildDescription:
        """``build.toml`` as it is on the disk now."""
        return read_description(self._description_path)

    # Calibration settings

    @property
    def calibration(self) -> CalibrationSettings | None:
        """Settings of ``stillbox calibrate``; None where there are none yet."""
        path = self.path / CALIBRATION_FILE
        if not path.exists():
            return None
        document = read_toml(path)
        try:
            return CalibrationSettings.model_validate(document)
        except ValidationError as error:
            raise StillboxError(
                f"{path}: {describe_validation_error(error)}", "run 'stillbox calibrate' again"
            ) from error

    def set_calibration(
        self, reference_ohm: float, reference_tolerance_percent: float | None = None
    ) -> CalibrationSettings:
        """Write ``calibration.toml`` as a whole."""
        import tomlkit

        try:
            settings = CalibrationSettings(
                reference_ohm=reference_ohm, reference_tolerance_percent=reference_tolerance_percent
            )
        except ValidationError as error:
            raise StillboxError(describe_validation_error(error), "give another value") from error
        document = tomlkit.document()
        document.add(tomlkit.comment("Written by 'stillbox calibrate': the reference resistor of the jig."))
        for key, value in settings.model_dump(exclude_none=True).items():
            document.add(key, value)
        with self.lock():
            write_whole(self.path / CALIBRATION_FILE, tomlkit.dumps(document))
        return settings

    # Takes

    def takes(self) -> list[TakeInfo]:
        """All takes that can be used, by number."""
        return self._scan()[0]

    def damaged(self) -> list[str]:
        """One sentence for each file among the takes that cannot be used: file, fault, remedy."""
        return self._scan()[1] + [
            f"{path} is an unfinished recording (it was cut off); "
            f"remove it with 'stillbox takes {self.path} --remove-unfinished'"
            for path in self.unfinished()
        ]

    def hint_of_damage(self) -> str:
        """Words to hang on where a take is missed: that some takes cannot be read; empty if all can."""
        count = len(self._scan()[1])
        return f" ({count} more cannot be read, see 'stillbox takes {self.path}')" if count else ""

    def find_take(self, text: str) -> TakeInfo:
        """The take a person means: its number, or ``subject[/state[/unit[/of]]]`` (the newest that fits).

        ``-`` stands for the empty state, an empty part for any.
        """
        takes = self.takes()
        if text.isascii() and text.isdigit():
            found = next((info for info in takes if info.number == int(text[:MOST_DIGITS])), None)
        else:
            subject, state, unit, of = (*text.split("/", 3), "", "", "")[:4]
            fitting = fitting_takes(takes, subject, state or None, unit or None, of=of or None)
            found = fitting[-1] if fitting else None
        if found is None:
            there = ", ".join(f"{info.number} {info.address}" for info in takes) or "no takes yet"
            raise StillboxError(
                f"no take '{text}' in {self.path}",
                f"give a number or subject[/state[/unit[/of]]] of what there is: {there}"
                + self.hint_of_damage(),
            )
        return found

    def load(self, info: TakeInfo) -> Recording:
        """Read the samples of a take and check that they are those that were recorded."""
        path = self._audio_path(info)
        try:
            clip = read_audio(path, (1, 2))
        except StillboxError as error:
            raise StillboxError(error.fault, AUDIO_REMEDY) from error
        if samples_sha256(clip.samples) != info.samples_sha256:
            raise StillboxError(
                f"{path} is not what was recorded (its samples have another SHA-256 than the sidecar says)",
                AUDIO_REMEDY,
            )
        return Recording(info, to_least_float(clip.samples, clip.subtype))

    def check_recordings(self) -> list[str]:
        """Read every recording to its end: one sentence for each take that is not what was recorded.

        A file that is damaged inside shows itself only so, which takes too long for every list of takes.
        """
        faults = []
        for info in self.takes():
            try:
                self.load(info)
            except StillboxError as error:
                faults.append(f"take {info.number}: {error}")
        return faults

    @kept_back()
    def add_take(
        self, samples: NDArray[np.floating] | RawSamples, subtype: str, **about: Unpack[TakeAbout]
    ) -> TakeInfo:
        """Write a new take: all of it or nothing.

        Parameters
        ----------
        samples : ndarray, shape (frames, channels)
            Floats with full scale 1, or int32 with full scale 2**31.
        subtype : str
            Kind of samples of the source (``PCM_24``, ``FLOAT``, ...): they are kept as such.
        about
            See TakeAbout.

        Raises
        ------
        StillboxError
            If a value is out of range, another program writes to the build, or the disk refuses.
        """
        container, subtype = storage_form(subtype)
        raw = to_raw(samples, subtype)
        with self.lock():
            names = (about["subject"], about.get("state", ""), about.get("unit", "A"), about.get("of", ""))
            partial_path = self.partial_path(*names, container=container)
            info = _take_info(partial_path, raw, about)
            partial_path.unlink(missing_ok=True)
            with _nothing_left(partial_path):
                write_audio(partial_path, AudioClip(raw, info.excitation.sample_rate_hz, subtype), container)
                self._finish(partial_path, info)
        return info

    def lock(self) -> AbstractContextManager[None]:
        """Hold the build for writing; StillboxError names who else does."""
        return build_lock(self.path, say=self._say)

    def partial_path(self, subject: str, state: str, unit: str, of: str = "", *, container: str = "FLAC") -> Path:
        """Where the samples of a new take are written until it is whole; the build must be held (see ``lock``)."""
        if state:
            check_name(state)
        check_name(unit, "a unit")
        check_of(subject, of)
        try:
            self._takes_path.mkdir(exist_ok=True)
            number = self._next_number()
        except OSError as error:
            raise StillboxError(
                f"cannot write to {self._takes_path}: {error.strerror}; nothing was kept", ""
            ) from error
        stem = f"{number:04d}-" + re.sub(r"[ .]", "_", "-".join(filter(None, (subject, state, unit, of))))
        return self._takes_path / f"{stem}.{container.lower()}{PARTIAL_SUFFIX}"

    @kept_back()
    def keep_recorded(self, partial_path: Path, **about: Unpack[TakeAbout]) -> TakeInfo:
        """Make a take of what was recorded under ``partial_path``; the build must be held since that was given."""
        clip = read_audio(partial_path, (1, 2))
        info = _take_info(partial_path, clip.samples, about)
        with _nothing_left(partial_path):
            self._finish(partial_path, info)
        return info

    def _finish(self, partial_path: Path, info: TakeInfo) -> None:
        """Flush, rename, and the sidecar last: from then on the take exists."""
        sync_file(partial_path)
        audio_path = partial_path.with_name(info.audio_file)
        move_file(partial_path, audio_path)
        write_sidecar(audio_path.with_suffix(".json"), info)

    def unfinished(self) -> list[Path]:
        """Recordings that were cut off (power, crash) before they became a take; none while one is running."""
        if not (self.path / LOCK_FILE).exists():
            return self._unfinished()
        try:
            with build_lock(self.path, patience_s=0.0):
                return self._unfinished()
        except StillboxError:
            return []

    def remove_unfinished(self) -> list[Path]:
        """Delete what ``unfinished`` names; returns it."""
        with self.lock():
            paths = self._unfinished()
            for path in paths:
                try:
                    path.unlink(missing_ok=True)
                except OSError as error:
                    raise StillboxError(f"cannot delete {path}: {error.strerror}", "check the rights there") from error
        return paths

    def _unfinished(self) -> list[Path]:
        entries = sorted(self._takes_path.iterdir()) if self._takes_path.is_dir() else []
        sidecars = {path.stem for path in entries if path.suffix == ".json"}
        return [
            path
            for path in entries
            if NUMBERED.match(path.name)
            and (path.suffix == PARTIAL_SUFFIX or (path.suffix in AUDIO_SUFFIXES and path.stem not in sidecars))
        ]

    def _next_number(self) -> int:
        # The wastebasket counts too: what lies there can come back.
        names = [entry.name for entry in self._takes_path.iterdir()]
        wastebasket = own_folder(self.path, WASTEBASKET_FOLDER)
        names += [entry.name for entry in wastebasket.iterdir()] if wastebasket.is_dir() else []
        return max((int(match[1]) for name in names if (match := NUMBERED.match(name))), default=0) + 1

    def _audio_path(self, info: TakeInfo) -> Path:
        """Path of the samples, made sure to lie among the takes."""
        path = self._takes_path / info.audio_file
        if real_path(path).parent != real_path(self.path) / TAKES_FOLDER:
            raise StillboxError(f"{path} lies outside of the build", "put the file itself among the takes")
        return path

    def _scan(self) -> tuple[list[TakeInfo], list[str]]:
        takes: dict[int, TakeInfo] = {}
        faults: list[str] = []
        if not self._takes_path.is_dir():
            return [], []
        for path in sorted(self._takes_path.iterdir()):
            if path.suffix != ".json" or path.name.startswith("."):  # macOS leaves notes of its own on other disks
                continue
            try:
                info = read_sidecar(path)
                self._check_audio(info)
                if info.number in takes:
                    raise StillboxError(f"{path} has the number of another take", "move one of the two away")
            except StillboxError as error:
                faults.append(str(error))
                continue
            takes[info.number] = info
        return [takes[number] for number in sorted(takes)], faults

    def _check_audio(self, info: TakeInfo) -> None:
        path = self._audio_path(info)
        try:
            header = read_header(path)
        except StillboxError as error:
            raise StillboxError(f"take {info.number}: {error.fault}", AUDIO_REMEDY) from error
        if (header.frames, header.sample_rate_hz) != (info.frames, info.excitation.sample_rate_hz):
            raise StillboxError(
                f"{path} has {header.frames} frames at {header.sample_rate_hz} Hz where its sidecar says "
                f"{info.frames} at {info.excitation.sample_rate_hz} Hz",
                "put the original back",
            )


@contextmanager
def _nothing_left(partial_path: Path) -> Iterator[None]:
    """Take away what was written of a take where it cannot be finished."""
    try:
        yield
    except BaseException as error:
        audio_path = partial_path.with_suffix("")
        with suppress(OSError):  # the disk itself may be what is wrong
            partial_path.unlink(missing_ok=True)
            audio_path.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise StillboxError(f"cannot write {audio_path}: {error.strerror}; nothing was kept", "") from error
        raise


def _take_info(partial_path: Path, samples: RawSamples, about: TakeAbout) -> TakeInfo:
    audio_file = partial_path.name.removesuffix(PARTIAL_SUFFIX)
    numbered = NUMBERED.match(audio_file)
    try:
        return TakeInfo.model_validate(
            {
                **about,
                "number": int(numbered[1]) if numbered else 0,
                "created": datetime.now(UTC).replace(microsecond=0),
                "sweep_starts": tuple(about["sweep_starts"]),
                "flags": tuple(about.get("flags", ())),
                "frames": len(samples),
                "audio_file": audio_file,
                "samples_sha256": samples_sha256(samples),
            }
        )
    except ValidationError as error:
        raise StillboxError(describe_validation_error(error), "give another value") from error
