"""Import of a recording made elsewhere: read, find the sweeps, check, keep."""

from __future__ import annotations

from pathlib import Path
from typing import cast

from capture.audio_file import read_audio, to_float
from capture.build_folder import BuildFolder
from capture.errors import StillboxError
from capture.excitation import Excitation
from capture.sweep_search import find_sweeps
from capture.take import SUBJECTS, JigKind, Subject, TakeInfo

MARKED_LOAD_SUBJECTS = ("load", "check-resistor")
JIGS = ("high-side", "low-side")


def import_take(
    build: BuildFolder,
    audio_path: Path,
    excitation: Excitation,
    subject: str,
    state: str | None = None,
    unit: str = "A",
    jig: str = "high-side",
    load_ohm: float | None = None,
    load_tolerance_percent: float | None = None,
) -> TakeInfo:
    """Import a recording as a new take of ``build``: all of it or nothing.

    Parameters
    ----------
    state : str or None
        None stands for ``stock`` in the box and for no state elsewhere.

    Raises
    ------
    StillboxError
        If an option is wrong or the recording cannot be used; names the fault and the remedy.
    """
    if subject not in SUBJECTS:
        raise StillboxError(f"there is no subject '{subject}'; choose one of {', '.join(SUBJECTS)}")
    if jig not in JIGS:
        raise StillboxError(f"there is no jig '{jig}'; choose one of {', '.join(JIGS)}")
    if subject in MARKED_LOAD_SUBJECTS and load_ohm is None:
        raise StillboxError(f"a take of {subject} needs the marked value of the resistor; give --load-ohms")
    clip = read_audio(audio_path, (1, 2) if subject == "microphone" else (2,))
    if clip.sample_rate_hz != excitation.sample_rate_hz:
        raise StillboxError(
            f"{audio_path} has a sample rate of {clip.sample_rate_hz} Hz, its excitation "
            f"{excitation.sample_rate_hz} Hz; record at {excitation.sample_rate_hz} Hz, or play an excitation made with --rate {clip.sample_rate_hz}"
        )
    search = find_sweeps(to_float(clip.samples[:, :1])[:, 0], excitation)
    if state is None:
        state = "stock" if subject == "in-box" else ""
    return build.add_take(
        clip.samples,
        clip.subtype,
        subject=cast(Subject, subject),
        state=state,
        unit=unit,
        jig=cast(JigKind, jig),
        load_ohm=load_ohm,
        load_tolerance_percent=load_tolerance_percent,
        excitation=excitation,
        sweep_starts=search.starts,
        origin=audio_path.name.encode("utf-8", "replace").decode("utf-8"),
    )
