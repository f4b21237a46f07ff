"""Programs that write into the notebook until they are killed.

Run as ``python notebook_kills.py BUILD NOTED PICTURE``: loads everything once, then for each line on stdin forks a
child that adds and corrects entries in a loop, and prints its number. Each entry that is kept the child notes in a
file beside the build.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))

from kill_while_recording import _await_death
from places import ROOT

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.notebook import read_notebook
from stillbox.capture.build.notebook_edit import add_entry, correct_entry

LONGEST_LIFE_S = 0.4


@dataclass(frozen=True)
class Kills:
    """How many were killed, what they were told is kept, and what is there."""

    killed: int
    acknowledged: int
    entries: int


def write_for_ever(build: BuildFolder, noted: Path, picture: Path) -> None:
    while True:
        text = f"entry of {os.getpid()} at {time.monotonic_ns()} " + 40 * "word "
        entry = add_entry(build, {"text": text, "cost": 1.5, "currency": "EUR"}, [picture] if os.getpid() % 2 else [])
        with noted.open("a") as file:
            file.write(f"{entry.number}\t{text}\n")
        correct_entry(build, entry.number, {"minutes": 5.0})


def serve(build: BuildFolder, noted: Path, picture: Path) -> None:
    add_entry(build, {"heard": "booms"}, [picture])
    print("ready", flush=True)
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            write_for_ever(build, noted, picture)
        print(child, flush=True)
        os.waitpid(child, 0)


def kill_at_random_moments(folder: Path, times: int, seed: int) -> Kills:
    """Kill writing programs ``times`` times; after each the notebook is whole and holds all that was acknowledged."""
    from PIL import Image

    build, noted, picture = BuildFolder.create(folder), folder.parent / "noted.txt", folder.parent / "picture.png"
    Image.new("RGB", (60, 40), "red").save(picture)
    noted.touch()
    draw = random.Random(seed)
    server = subprocess.Popen(
        [sys.executable, __file__, str(folder), str(noted), str(picture)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip
    assert server.stdin is not None and server.stdout is not None
    acknowledged: dict[int, str] = {}
    try:
        assert server.stdout.readline() == "ready\n"
        for _ in range(times):
            server.stdin.write("next\n")
            server.stdin.flush()
            child = int(server.stdout.readline())
            time.sleep(draw.uniform(0.0, LONGEST_LIFE_S))
            os.kill(child, signal.SIGKILL)
            _await_death(child)
            acknowledged = dict(_noted(noted))
            found = {entry.number: entry for entry in read_notebook(folder).entries}
            assert all(found[number].text == text for number, text in acknowledged.items())
            assert set(found) == set(range(1, len(found) + 1))
            assert all((folder / "notebook" / name).is_file() for one in found.values() for name in one.pictures)
            assert all(one.cost == 1.5 and one.text.endswith("word ") for one in found.values() if not one.heard)
            assert len(found) - 1 <= len(acknowledged) + times
    finally:
        server.stdin.close()
        server.wait(10)
        server.stdout.close()
    add_entry(build, {"text": "the lock of the dead holds nobody up"})
    return Kills(times, len(acknowledged), len(read_notebook(folder).entries))


def _noted(path: Path) -> list[tuple[int, str]]:
    lines = [line.partition("\t") for line in path.read_text().split("\n")[:-1]]
    return [(int(number), text) for number, _, text in lines]


if __name__ == "__main__":
    serve(BuildFolder.open(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]))
