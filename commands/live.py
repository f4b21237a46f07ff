"""Commands about live capture: devices, jig, and record with its progress on the terminal and its questions."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillbox.analysis.take_controls import LEVEL, LOUDEST_VOLTS
from stillbox.capture.shown_text import visible
from stillbox.capture.sweep.usual_take import SECONDS, SWEEPS
from stillbox.commands.notes import say_notes
from stillbox.commands.options import (
    CelsiusOption,
    LoadOption,
    LoadToleranceOption,
    OfDriverOption,
    PartOption,
    PortClosedOption,
    RemountedOption,
    number_option,
)
from stillbox.commands.printing import ask, confirm, print_table, progress, say, say_lines, warn

if TYPE_CHECKING:
    from stillbox.capture.live.first_use import Dialogue
    from stillbox.capture.sound.audio_device import StreamState


def devices() -> None:
    """List what can play and record."""
    from stillbox.capture.live.devices import device_rows, list_devices
    from stillbox.capture.practice.practice_rig import FAULTS, rig_rows

    there = list_devices()
    print_table(("number", "device", "host API", "outputs", "inputs", "rates, Hz"), device_rows(there))
    say(f"without --device: {there.default_name}")
    say("")
    print_table(("--device", "what is on the clips of the practice rig"), rig_rows())
    say(f"behind the speaker a comma and faults to practise with, such as '{rig_rows()[0][0]}, noise':")
    say(", ".join(FAULTS))
    if there.trouble is not None:
        warn(str(there.trouble))


def jig(
    rated_ohms: Annotated[float, typer.Option(metavar="R", help="Rated impedance of the speaker.")] = 8.0,
    output_volts: Annotated[float, typer.Option(metavar="V", help="Output at full scale, V rms.")] = 1.0,
    source_ohms: Annotated[float, typer.Option(metavar="R", help="Resistance of the output.")] = 1.0,
    input_volts: Annotated[float, typer.Option(metavar="V", help="Inputs at full scale, V rms.")] = 1.0,
    noise: Annotated[float, typer.Option(metavar="DBFS", help="Noise of the inputs.")] = -95.0,
    kind: Annotated[str, typer.Option(metavar="KIND", help="high-side or low-side.")] = "high-side",
    amplifier_watts: Annotated[
        float | None, typer.Option(metavar="W", help="Rated power of an amplifier that drives the jig.")
    ] = None,
    amplifier_ohms: Annotated[float, typer.Option(metavar="R", help="Load of that rating.")] = 8.0,
) -> None:
    """How to build the jig, and how to drive it.

    Wiring, best reference resistor, voltages and powers, attenuator for an amplifier, calibration standards.
    """
    from stillbox.analysis.cautions import cautions_for
    from stillbox.capture.jig.jig_guide import jig_levels
    from stillbox.capture.jig.jig_text import jig_text

    levels = jig_levels(rated_ohms, output_volts, source_ohms, input_volts, noise, kind)
    told = jig_text(levels, None if amplifier_watts is None else (amplifier_watts, amplifier_ohms))
    for text in cautions_for("amplifier", "heat and mains"):
        say(f"caution: {text}")
    say_lines(told)


def cautions() -> None:
    """What can hurt people or gear at each step, all of it.

    What applies is shown where it applies, too: before sweeps, and with advice about parts.
    """
    from stillbox.analysis.cautions import CAUTIONS

    for topic, text in CAUTIONS.items():
        say(f"{topic}: {text}")


def record(
    build: Annotated[Path, typer.Argument(metavar="BUILD", help="Folder of the build.", show_default=False)],
    subject: Annotated[
        str,
        typer.Option(
            metavar="S",
            help="What is on the clips: free-air, added-mass, test-box, in-box, part, microphone, check-resistor, "
            "channel-match, open, short or load.",
        ),
    ],
    state: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Stage of the work, for in-box, microphone and part; left out: stock for in-box, else none.",
        ),
    ] = None,
    unit: Annotated[str, typer.Option(metavar="NAME", help="Which of a pair.")] = "A",
    driver: OfDriverOption = None,
    part: PartOption = None,
    device: Annotated[
        str | None,
        typer.Option(
            metavar="D",
            help="Number or name of 'stillbox devices', or 'practice rig: SPEAKER'; left out: the sound card if any.",
        ),
    ] = None,
    input_device: Annotated[
        str | None, typer.Option(metavar="D", help="Device of the inputs, where it is listed apart from the output.")
    ] = None,
    level: Annotated[float | None, number_option(LEVEL, "DBFS")] = None,
    repeats: Annotated[int, typer.Option(metavar="N", help="Number of sweeps in the take.")] = SWEEPS,
    seconds: Annotated[float, typer.Option(metavar="S", help="Length of one sweep.")] = SECONDS,
    rate: Annotated[
        int | None, typer.Option(metavar="HZ", help="Sample rate; left out: 48000, or that of the device.")
    ] = None,
    accuracy: Annotated[
        float, typer.Option(metavar="PERCENT", help="Uncertainty that noise may leave in the impedance.")
    ] = 1.0,
    jig: Annotated[str, typer.Option(metavar="KIND", help="high-side or low-side; see 'stillbox jig'.")] = "high-side",
    load_ohms: LoadOption = None,
    load_tolerance: LoadToleranceOption = None,
    celsius: CelsiusOption = None,
    remounted: RemountedOption = False,
    port_closed: PortClosedOption = False,
    loudest_volts: Annotated[float | None, number_option(LOUDEST_VOLTS, "V")] = None,
    cautions_read: Annotated[
        bool, typer.Option("--cautions-read", help="Say that you have read the cautions, where nobody can be asked.")
    ] = False,
    fast: Annotated[bool, typer.Option("--fast", help="Let the practice rig run faster than real time.")] = False,
) -> None:
    """Sweep a speaker on the jig and keep the take.

    With a sound card or the practice rig, after a quiet check of the wiring.
    """
    from stillbox.analysis.cautions import PARTS_IN_BRIEF, cautions_for
    from stillbox.capture.build.build_folder import BuildFolder
    from stillbox.capture.live.devices import find_device
    from stillbox.capture.live.first_use import heed_cautions, know_output, offer_removal
    from stillbox.capture.live.live_take import LiveRequest, record_take
    from stillbox.capture.recording.take import named_of
    from stillbox.capture.sound.audio_device import StreamState

    folder = BuildFolder.open(build, progress)
    chosen = find_device(device, input_device, real_pace=not fast)
    dialogue = _dialogue()
    if device is None and chosen.info.kind == "practice rig":
        say(
            "note: no sound card is there, so the practice rig stands in for it: this take is of its simulated "
            "speaker, not of yours"
        )
    offer_removal(folder, dialogue)
    told = cautions_for("amplifier", "tweeter", "hearing", "heat and mains", "parts")
    heed_cautions(folder, chosen, told, cautions_read, dialogue)
    if subject == "part" and not chosen.info.harmless:
        say(PARTS_IN_BRIEF)
    know_output(folder, chosen, loudest_volts, dialogue)
    request = LiveRequest(
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
        level_dbfs=level,
        repeats=repeats,
        seconds=seconds,
        sample_rate_hz=rate,
        accuracy_percent=accuracy,
    )
    stream = StreamState()
    with _shown_progress(stream) as tell:
        info = record_take(folder, chosen, request, stream, tell)
    latency = "" if info.latency_s is None else f", latency {1000 * info.latency_s:.1f} ms"
    say(f"take {info.number}: {info.address}, {len(info.sweep_starts)} sweep(s){latency}")
    say_notes(folder, info)


def _dialogue() -> Dialogue:
    from stillbox.capture.live.first_use import Dialogue

    return Dialogue(say, warn, confirm, ask) if sys.stdin.isatty() else Dialogue(say, warn)


@contextmanager
def _shown_progress(stream: StreamState) -> Iterator[Callable[[str], None]]:
    """A bar with the levels of both inputs while a stream runs; nothing where the output is no terminal.

    Yields the function that says something meanwhile, without breaking the bar.
    """
    if not sys.stderr.isatty():
        yield say
        return
    import threading

    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    ended = threading.Event()
    columns = (BarColumn(), TextColumn("{task.percentage:3.0f} %  {task.description}"))
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("", total=1.0)

        def follow() -> None:
            while not ended.wait(0.1):
                levels = (20 * math.log10(max(peak, 1e-6)) for peak in stream.take_peaks())
                text = "  ".join(f"input {number} {level:4.0f} dBFS" for number, level in enumerate(levels, start=1))
                progress.update(task, completed=stream.progress, description=text)

        watcher = threading.Thread(target=follow, name="progress", daemon=True)
        watcher.start()

        def tell(text: str) -> None:
            if sys.stdout.isatty():
                progress.console.print(visible(text), markup=False, highlight=False)
            else:
                say(text)

        try:
            yield tell
        finally:
            ended.set()
            watcher.join()
