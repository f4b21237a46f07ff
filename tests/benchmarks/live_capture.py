"""The figures of live capture: true takes through real audio, faults named, nothing lost, nothing too loud.

Run: python tests/benchmarks/live_capture.py [--quick]
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from injected_faults import FAULTS, check, faulty_rig, good_rig, named_kind  # noqa: E402
from kill_while_recording import kill_at_random_moments  # noqa: E402
from server_kills import kill_server_while_recording, wait_for  # noqa: E402
from sound_servers import JACK_DEVICE, jack_missing, jack_speaker  # noqa: E402
from table import Row, table  # noqa: E402
from virtual_speaker import JIG, truth_ohm  # noqa: E402

from stillbox.analysis.sweeps.transfer import channel_ratio  # noqa: E402
from stillbox.capture.build.build_folder import BuildFolder  # noqa: E402
from stillbox.capture.errors import StillboxError  # noqa: E402
from stillbox.capture.live.live_take import LiveRequest, record_take  # noqa: E402
from stillbox.capture.practice.practice_rig import PracticeRig  # noqa: E402
from stillbox.capture.sound.audio_device import Clips, RecordingStopped, StreamState  # noqa: E402

RECORDING_FAULTS = {"dropout": "gap", "overflow": "overflow", "device loss": "went away"}
SHORT = LiveRequest("in-box", seconds=1.0)


def silent(_: str) -> None:
    pass


def rows(quick: bool = False) -> list[Row]:
    """The table of live capture; ``quick`` takes a tenth of everything."""
    part = 10 if quick else 1
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        os.environ["XDG_CONFIG_HOME"] = str(base / "settings")
        return [
            *_real_audio(base, max(2, 20 // part)),
            _faults_named(base, 2 if quick else 10),
            _false_alarms(300 // part),
            _kills(base, 100 // part),
            _server_kills(base, max(3, 50 // part)),
            *_stops(base, 50 // part),
        ]


def _real_audio(base: Path, takes: int) -> list[Row]:
    """Takes of the virtual speaker through the command line, PortAudio and JACK."""
    missing = jack_missing()
    if missing is not None:
        return [Row(f"{takes} takes through JACK and PortAudio", "<= 0.01 %", missing, "", False)]
    build = BuildFolder.create(base / "jack")
    build.set_calibration(JIG.reference_ohm)
    with jack_speaker() as (environment, _):
        for _ in range(takes):
            done = subprocess.run(
                [sys.executable, "-m", "stillbox", "record", str(build.path), "--subject", "in-box",
                 "--device", JACK_DEVICE, "--cautions-read", "--loudest-volts", "1"],
                env=environment, cwd=ROOT, check=False, stdout=subprocess.PIPE, text=True,
            )  # fmt: skip
            for line in filter(lambda line: "no good" in line, done.stdout.splitlines()):
                print(line, file=sys.stderr)
    errors, attempts = [], []
    for take in build.takes():
        ratio = channel_ratio(build.load(take))
        inside = (ratio.frequency_hz >= 15) & (ratio.frequency_hz <= 20_000)
        measured = JIG.reference_ohm * ratio.ratio[inside] / (1 - ratio.ratio[inside])
        errors.append(np.percentile(np.abs(measured / truth_ohm(ratio.frequency_hz[inside]) - 1), 95))
        attempts.append(take.live.attempts if take.live else 0)
    worst = max(errors, default=np.inf)
    kept = len(errors)
    return [
        Row(
            "impedance through JACK and PortAudio, 95th percentile 15 Hz to 20 kHz, worst take",
            "<= 0.01 %",
            f"{100 * worst:.4f} %",
            "",
            bool(worst <= 1e-4),
        ),
        Row(
            f"takes kept at the first sweep, of {takes}",
            f"{takes}",
            str(attempts.count(1)),
            "",
            kept == takes and attempts.count(1) == takes,
        ),
    ]


def _faults_named(base: Path, seeds: int) -> Row:
    kinds = len(FAULTS) + len(RECORDING_FAULTS)
    wrong = []
    for fault, (kind, words) in FAULTS.items():
        for seed in range(seeds):
            found, sentence = named_kind(faulty_rig(fault, seed), 8.0 if seed % 2 else None)
            if found != kind or words not in sentence:
                wrong.append(f"{fault} {seed}: {sentence or 'nothing'}")
    build = BuildFolder.create(base / "faults")
    for fault, words in RECORDING_FAULTS.items():
        for seed in range(seeds):
            sentence = _refusal(build, faulty_rig(fault, seed))
            if words not in sentence:
                wrong.append(f"{fault} {seed}: {sentence or 'kept'}")
    total = kinds * seeds
    for sentence in wrong:
        print(f"not named: {sentence}", file=sys.stderr)
    return Row(f"faults named, {kinds} kinds x {seeds} seeds", "all", f"{total - len(wrong)} of {total}", "", not wrong)


def _refusal(build: BuildFolder, rig: PracticeRig) -> str:
    try:
        record_take(build, rig, SHORT, None, silent)
    except StillboxError as error:
        return str(error)
    return ""


def _false_alarms(count: int) -> Row:
    alarms = 0
    for seed in range(1000, 1000 + count):
        try:
            alarms += bool(check(good_rig(seed), Clips("free-air")).notes)
        except StillboxError as error:
            print(f"false alarm, seed {seed}: {error}", file=sys.stderr)
            alarms += 1
    return Row(f"false alarms on {count} good jigs with different speakers", "0", str(alarms), "", alarms == 0)


def _kills(base: Path, times: int) -> Row:
    build, left = kill_at_random_moments(base / "killed", times, seed=2)
    takes = build.takes()
    whole = 0
    for take in takes:
        build.load(take)
        whole += 1
    good = whole == len(takes) and not build.damaged()
    return Row(
        f"kill -9 at {times} random moments ({left} of them cut a recording off): finished takes whole",
        "all",
        f"{whole} of {len(takes)}",
        "",
        good,
    )


def _server_kills(base: Path, times: int) -> Row:
    """kill -9 of the sound server at random moments from the first sound on; the program must end with a sentence."""
    what = f"kill -9 of the sound server at {times} random moments: ended with a sentence or a whole take"
    missing = jack_missing()
    if missing is not None:
        return Row(what, "all", missing, "", False)
    build = BuildFolder.create(base / "servers")
    build.set_calibration(JIG.reference_ohm)
    draw = random.Random(4)
    clear, longest_s = 0, 0.0
    for _ in range(times):
        then_s = draw.uniform(0.0, 5.0)
        killed = kill_server_while_recording(
            build, base, signal.SIGKILL, lambda program, s=then_s: wait_for("checking", program, s)
        )
        whole = not build.damaged() and not build.unfinished()
        clear += killed.clear and whole
        longest_s = max(longest_s, killed.ended_s)
        if not killed.clear or not whole:
            print(f"not clear after {then_s:.2f} s: {killed}", file=sys.stderr)
    takes = build.takes()
    for take in takes:
        build.load(take)
    measured = f"{clear} of {times} ({len(takes)} takes, at most {longest_s:.1f} s after it)"
    return Row(what, "all", measured, "", clear == times)


def _stops(base: Path, times: int) -> list[Row]:
    """Stops at random moments of sweeps: time to silence in the output, and the loudest peak re the limit."""
    draw = np.random.default_rng(3)
    build = BuildFolder.create(base / "stops")
    build.set_calibration(10.0)
    text = (build.path / "build.toml").read_text().replace("[limits]", "[limits]\nclips_volts = 0.4")
    (build.path / "build.toml").write_text(text)
    longest_s, peak = 0.0, 0.0
    for seed in range(times):
        heard: list[np.ndarray] = []
        state, asked = StreamState(), []
        block_of_stop = int(draw.integers(300, 450))

        def listen(block: np.ndarray, heard=heard, state=state, asked=asked, stop=block_of_stop) -> None:
            heard.append(block.copy())
            if len(heard) == stop:
                asked.append(len(heard) * len(block))
                state.request_stop()

        try:
            rig = PracticeRig("bare box", seed=seed, listener=listen)
            record_take(build, rig, LiveRequest("in-box"), state, silent)
        except RecordingStopped:
            out = np.concatenate(heard)
            after = np.flatnonzero(out[asked[0] :])
            longest_s = max(longest_s, (int(after[-1]) + 1) / 48_000 if after.size else 0.0)
        peak = max(peak, float(np.abs(np.concatenate(heard)).max()))
    limit = 0.4 / 1.4
    return [
        Row(f"longest fade after {times} stops, ms", "<= 50", f"{1000 * longest_s:.1f}", "", longest_s <= 0.05),
        Row("loudest peak of the output re its limit", "<= 1", f"{peak / limit:.6f}", "", peak <= limit),
    ]


if __name__ == "__main__":
    print(table(rows("--quick" in sys.argv)))
