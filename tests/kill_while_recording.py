"""Programs that record takes until they are killed.

Run as ``python kill_while_recording.py BUILD``: loads everything once, then for each line on stdin forks a child that
records short takes in a loop, and prints the child's number. A child that is killed dies as a whole program would.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.practice.practice_speakers import SPEAKERS

LONGEST_LIFE = 2.5
"""Times as long as one take."""

REQUEST = LiveRequest("in-box", seconds=0.5)


def record_for_ever(build: BuildFolder) -> None:
    while True:
        record_take(build, PracticeRig(random.choice(list(SPEAKERS)[:3])), REQUEST, say=lambda _: None)


def serve(build: BuildFolder) -> None:
    for _ in range(2):  # the first one loads what is left to load
        began_s = time.monotonic()
        record_take(build, PracticeRig(), REQUEST, say=lambda _: None)
    print(time.monotonic() - began_s, flush=True)
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            record_for_ever(build)
        print(child, flush=True)
        os.waitpid(child, 0)


def kill_at_random_moments(folder: Path, times: int, seed: int) -> tuple[BuildFolder, int]:
    """Kill recording programs ``times`` times; returns the build and how often something unfinished was left.

    After each death the build must open and list its takes; what is left is removed every other time.
    """
    build = BuildFolder.create(folder)
    draw = random.Random(seed)
    server = subprocess.Popen(
        [sys.executable, __file__, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert server.stdin is not None and server.stdout is not None
    left = 0
    try:
        take_s = float(server.stdout.readline())
        for number in range(times):
            server.stdin.write("next\n")
            server.stdin.flush()
            child = int(server.stdout.readline())
            if number % 3 == 0:  # however busy the machine is, some takes are finished in between
                _await_take(folder)
            time.sleep(draw.uniform(0.0, LONGEST_LIFE * take_s))
            os.kill(child, signal.SIGKILL)
            _await_death(child)
            unfinished = build.unfinished()
            left += bool(unfinished)
            faults = build.damaged()
            assert len(faults) == len(unfinished), faults
            assert all("unfinished recording" in fault for fault in faults), faults
            if number % 2:
                assert build.remove_unfinished() == unfinished
                assert build.damaged() == []
        build.remove_unfinished()
    finally:
        server.stdin.close()
        server.wait(10)
        server.stdout.close()
    return build, left


def _await_take(folder: Path) -> None:
    before = len(list(folder.glob("takes/*.json")))
    end_s = time.monotonic() + 60
    while len(list(folder.glob("takes/*.json"))) == before:
        assert time.monotonic() < end_s, "no take was finished"
        time.sleep(0.01)


def _await_death(child: int) -> None:
    for _ in range(2000):
        try:
            os.kill(child, 0)
        except ProcessLookupError:
            return
        time.sleep(0.001)
    raise AssertionError(f"process {child} does not die")


if __name__ == "__main__":
    serve(BuildFolder.open(sys.argv[1]))
