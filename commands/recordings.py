"""Commands about recordings: excitation, start, import, takes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillbox.analysis.take_controls import ABOVE_SEA, RATED_OHM
from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.usual_take import SECONDS, SWEEPS
from stillbox.commands.notes import say_notes
from stillbox.commands.options import (
    SUBJECT_HELP,
    BuildArgument,
    CelsiusOption,
    JsonOption,
    LoadOption,
    LoadToleranceOption,
    OfDriverOption,
    PartOption,
    PortClosedOption,
    RemountedOption,
    UnitOption,
    number_option,
)
from stillbox.commands.printing import print_json, print_table, progress, say, warn

if TYPE_CHECKING:
    from stillbox.capture.recording.take import TakeInfo


def excitation(
    out: Annotated[Path, typer.Argument(metavar="OUT.wav", help="WAV file to write.", show_default=False)],
    low: Annotated[float, typer.Option(metavar="HZ", help="Lowest frequency.")] = 10.0,
    high: Annotated[
        float | None, typer.Option(metavar="HZ", help="Highest frequency; left out: as high as the rate allows.")
    ] = None,
    seconds: Annotated[float, typer.Option(metavar="S", help="Length of one sweep.")] = SECONDS,
    rate: Annotated[int, typer.Option(metavar="HZ", help="Sample rate.")] = 48_000,
    level: Annotated[float, typer.Option(metavar="DBFS", help="Peak level re full scale.")] = -12.0,
    repeats: Annotated[int, typer.Option(metavar="N", help="Number of sweeps.")] = SWEEPS,
) -> None:
    """Write the sweep to play, with its JSON.

    The JSON beside the WAV holds everything that an analysis of a recording of it needs.
    """
    from stillbox.capture.sweep.excitation import (
        check_excitation_name,
        default_high_hz,
        make_excitation,
        write_excitation,
    )

    if out.suffix.lower() != ".wav":
        raise StillboxError(f"OUT.wav: '{out}' does not end in .wav", "give a name like sweep.wav")
    check_excitation_name(out)
    signal = make_excitation(
        low_hz=low,
        high_hz=default_high_hz(rate) if high is None else high,
        seconds=seconds,
        sample_rate_hz=rate,
        level_dbfs=level,
        repeats=repeats,
    )
    json_path = write_excitation(signal, out)
    say(f"{out}: {signal.total_frames / rate:.1f} s, {low:g} to {signal.high_hz:g} Hz, 24 bit, {rate} Hz")
    say(f"{json_path}: goes with every recording of it ('stillbox import ... --excitation {json_path}')")


def start(
    build: BuildArgument,
    inside: Annotated[
        str | None, typer.Option(metavar="HEIGHTxWIDTHxDEPTH", help="Inside of the empty box, mm.")
    ] = None,
    rated_ohms: Annotated[float | None, number_option(RATED_OHM, "R")] = None,
    metres_above_sea: Annotated[float | None, number_option(ABOVE_SEA, "M")] = None,
    practice: Annotated[
        str | None,
        typer.Option(metavar="SPEAKER", help="For this speaker of the practice rig, with all that is known of it."),
    ] = None,
) -> None:
    """Make the folder of a new build.

    Its build.toml is there to be edited by hand: what you know of the box makes causes surer.
    """
    from stillbox.capture.build.build_description import doubt_of_inside
    from stillbox.capture.build.build_folder import BuildFolder
    from stillbox.capture.files.build_layout import DESCRIPTION_FILE

    if practice is not None:
        if (inside, rated_ohms, metres_above_sea) != (None, None, None):
            raise StillboxError("--practice says all of the box itself", "leave the other options out")
        _start_practice(build, practice)
        return
    inside_mm = _inside_mm(inside)
    made = BuildFolder.create(build, inside_mm, rated_ohms, metres_above_sea)
    doubt = None if inside_mm is None else doubt_of_inside(inside_mm)
    if doubt is not None:
        warn(doubt)
    say(f"{made.path / DESCRIPTION_FILE}: edit it in a text editor; what you know of the box makes causes surer")


def _start_practice(path: Path, speaker: str) -> None:
    """A build for the practice rig."""
    from stillbox.capture.practice.practice_build import practice_build
    from stillbox.capture.practice.practice_rig import RIG_NAME

    made = practice_build(path, speaker)
    say(f"{made.path}: box, drivers and jig of the practice rig; sweep with --device '{RIG_NAME}: {speaker}'")


def import_recording(
    build: BuildArgument,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="WAV, FLAC or AIFF.", show_default=False)],
    excitation_json: Annotated[
        Path, typer.Option("--excitation", metavar="E.json", help="The JSON beside the excitation that was played.")
    ],
    subject: Annotated[str, typer.Option(metavar="S", help=SUBJECT_HELP)],
    state: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Stage of the work, for in-box, microphone and part; left out: stock for in-box, else none.",
        ),
    ] = None,
    unit: UnitOption = "A",
    driver: OfDriverOption = None,
    part: PartOption = None,
    jig: Annotated[
        str,
        typer.Option(
            metavar="KIND",
            help="high-side: channel 1 at the source, 2 at the clips; "
            "low-side: channel 1 across resistor and speaker, 2 across the resistor to ground. A wrong kind is noticed "
            "on a speaker, on open or short clips and on marked resistors, not on a part or a channel-match.",
        ),
    ] = "high-side",
    load_ohms: LoadOption = None,
    load_tolerance: LoadToleranceOption = None,
    celsius: CelsiusOption = None,
    remounted: RemountedOption = False,
    port_closed: PortClosedOption = False,
) -> None:
    """Take a recording made elsewhere into a build."""
    from stillbox.capture.build.build_folder import BuildFolder
    from stillbox.capture.build.take_import import import_take
    from stillbox.capture.recording.take import named_of
    from stillbox.capture.sweep.excitation import read_excitation

    folder = BuildFolder.open(build, progress)
    info = import_take(
        folder,
        file,
        read_excitation(excitation_json),
        subject=subject,
        state=state,
        unit=unit,
        of=named_of(subject, driver, part),
        jig=jig,
        load_ohm=load_ohms,
        load_tolerance_percent=load_tolerance,
        celsius=celsius,
        remounted=remounted,
        port_closed=port_closed,
    )
    rate_hz = info.excitation.sample_rate_hz
    places = ", ".join(f"{frame / rate_hz:.3f} s" for frame in info.sweep_starts)
    say(f"take {info.number}: {info.address}, {len(info.sweep_starts)} sweep(s), starting at {places}")
    say_notes(folder, info)


def takes(
    build: BuildArgument,
    as_json: JsonOption = False,
    rename: Annotated[
        tuple[int, str] | None, typer.Option("--rename", metavar="N STATE", help="Give take N another state.")
    ] = None,
    set_aside: Annotated[
        list[int] | None,
        typer.Option("--set-aside", metavar="N", help="Put take N into the build's wastebasket; may be repeated."),
    ] = None,
    restore: Annotated[
        list[int] | None, typer.Option("--restore", metavar="N", help="Take take N out of it again; may be repeated.")
    ] = None,
    remove_unfinished: Annotated[
        bool, typer.Option("--remove-unfinished", help="Delete recordings that were cut off.")
    ] = False,
    check: Annotated[
        bool, typer.Option("--check", help="Read every recording to its end and name what is damaged inside.")
    ] = False,
) -> None:
    """List what a build holds; name a take anew, set it aside, bring it back.

    The recording itself is never changed, and nothing that was set aside is lost.
    """
    from stillbox.capture.build.build_folder import BuildFolder
    from stillbox.capture.build.take_edit import remove_take, removed_takes, rename_state, restore_take

    folder = BuildFolder.open(build, progress)
    for number in restore or ():
        restore_take(folder, number)
    if rename is not None:
        for sentence in rename_state(folder, *rename)[1]:
            warn(sentence)
    for number in set_aside or ():
        remove_take(folder, number)
    if remove_unfinished:
        for path in folder.remove_unfinished():
            warn(f"removed {path}")
    found, aside = folder.takes(), removed_takes(folder)
    faults = folder.damaged() + (folder.check_recordings() if check else [])
    if as_json:
        listed = {"takes": found, "set_aside": aside}
        dumped = {name: [info.model_dump(mode="json") for info in infos] for name, infos in listed.items()}
        print_json({"build": str(build), **dumped, "damaged": faults})
        return
    if found:
        print_table(("take", "subject/state/unit[/of]", "recorded", "length", "notes"), map(_take_row, found))
    else:
        say(f"{build} holds no takes yet; add one with 'stillbox import'")
    if aside:
        names = ", ".join(f"{info.number} {info.address}" for info in aside)
        say(f"set aside (--restore N brings one back): {names}")
    for fault in faults:
        warn(fault)
    if check and found and not faults:
        say(f"all {len(found)} recordings are what was recorded")


def _take_row(info: TakeInfo) -> tuple[str, ...]:
    rate_hz = info.excitation.sample_rate_hz
    marked = [] if info.load_ohm is None else [f"marked {info.load_ohm:g} ohm"]
    marked += info.circumstances
    if info.live is not None and info.live.kind == "practice rig":
        marked.append("practice rig")
    return (
        str(info.number),
        info.address,
        f"{info.created.astimezone():%Y-%m-%d %H:%M}",
        f"{info.frames / rate_hz:.1f} s",
        "; ".join((*marked, *info.flags)),
    )


def _inside_mm(text: str | None) -> tuple[float, float, float] | None:
    if text is None:
        return None
    try:
        height, width, depth = (float(part) for part in text.lower().replace("×", "x").split("x"))
    except ValueError as error:
        raise StillboxError(
            f"--inside: '{text}' is not HEIGHTxWIDTHxDEPTH in mm", "write 460x300x230, decimals with a point"
        ) from error
    return height, width, depth
