"""Make ``demo_recordings/`` out of ngspice: ``python tests/reference/make_demo_recordings.py [FILE ...]``.

ngspice computes the voltages at both inputs at every bin of the padded excitation (bins 1 to half the sample rate;
at 0 Hz, where the inputs are closed by their coupling, the first bin's value stands in). Project code makes the
excitation and nothing else.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT / "tests"))

from reference import demo_build as demo  # noqa: E402
from reference import demo_two_way as two_way  # noqa: E402
from reference.ngspice_run import NetlistDevice, bins, jig_netlist, run_netlist  # noqa: E402
from reference.recordings import Spectra, padded_frames, record_spectra, write_recording  # noqa: E402
from reference.speaker_circuit import SpeakerCircuit  # noqa: E402
from stillbox.capture.sweep.excitation import Excitation, write_excitation  # noqa: E402

EXCITATIONS = {
    "sweep-5s.json": demo.SPEAKER_EXCITATION,
    "sweep-2s.json": demo.CALIBRATION_EXCITATION,
    "two-way-2s.json": two_way.SPEAKER_EXCITATION,
    "two-way-tweeter.json": two_way.TWEETER_EXCITATION,
    "two-way-1s.json": two_way.PART_EXCITATION,
}


@dataclass(frozen=True)
class DemoTake:
    """One file of the demonstration; ``device`` is a speaker, a network or a resistance in ohm."""

    file: str
    subject: str
    device: SpeakerCircuit | NetlistDevice | float
    state: str = ""
    marked_ohm: float | None = None
    tolerance_percent: float | None = None
    of: str = ""
    sweep: str = ""

    @property
    def excitation_file(self) -> str:
        return self.sweep or ("sweep-5s.json" if isinstance(self.device, SpeakerCircuit) else "sweep-2s.json")

    @property
    def excitation(self) -> Excitation:
        return EXCITATIONS[self.excitation_file]


TAKES = (
    DemoTake("channel-match.flac", "channel-match", float("inf")),
    DemoTake("open.flac", "open", float("inf")),
    DemoTake("short.flac", "short", 0.0),
    DemoTake("load.flac", "load", demo.TRUE_LOAD_OHM, "", demo.LOAD_OHM, demo.LOAD_TOLERANCE_PERCENT),
    DemoTake(
        "check-resistor.flac", "check-resistor", demo.TRUE_CHECK_OHM, "", demo.CHECK_OHM, demo.CHECK_TOLERANCE_PERCENT
    ),
    DemoTake("free-air.flac", "free-air", demo.FREE_AIR),
    DemoTake("added-mass.flac", "added-mass", demo.WITH_MASS),
    DemoTake("in-box-stock.flac", "in-box", demo.STOCK, "stock"),
    DemoTake("in-box-lined.flac", "in-box", demo.LINED, "lined"),
)

OWN_TWO_WAY_TAKES = (
    DemoTake("two-way-tweeter.flac", "free-air", two_way.tweeter(), of="tweeter", sweep="two-way-tweeter.json"),
    DemoTake("two-way-finished.flac", "in-box", two_way.AS_BOUGHT, "finished", sweep="two-way-2s.json"),
    DemoTake("two-way-mended.flac", "in-box", two_way.MENDED, "mended", sweep="two-way-2s.json"),
    DemoTake("two-way-c1.flac", "part", two_way.part_alone("C1"), of="C1", sweep="two-way-1s.json"),
)
TWO_WAY_TAKES = (
    *(take for take in TAKES if isinstance(take.device, float)),
    *(replace(take, of="woofer") for take in TAKES if take.subject == "free-air"),
    *OWN_TWO_WAY_TAKES,
)
"""The jig and the woofer are those of the other build: their files serve both."""


def samples_of(take: DemoTake, number: int) -> np.ndarray:
    """Recording of a take, shape (frames, 2); ``number`` seeds noise and hum and shifts the start."""
    frames = padded_frames(take.excitation)
    grid = bins(1, frames // 2, take.excitation.sample_rate_hz / frames)
    netlist = jig_netlist(take.device, demo.CHAIN.jig, both_on_source=take.subject == "channel-match")
    _, first, second = run_netlist(netlist, grid)
    spectra = Spectra(np.concatenate([first[:1], first]), np.concatenate([second[:1], second]))
    offset = 6_000 + 1_777 * number if take in TAKES else 2_000 + 177 * number
    chain = replace(demo.CHAIN, offset_frames=offset, tail_frames=4_800)
    return record_spectra(spectra, take.excitation, chain, seed=20_000 + number)


def manifest(takes: tuple[DemoTake, ...]) -> str:
    """Text of ``demo.toml``, or of ``two-way.toml`` with the takes of that."""
    height, width, depth = demo.INSIDE_MM
    finished = takes is TWO_WAY_TAKES
    states = ", ".join(f'"{state}"' for state in (("finished", "mended") if finished else ("lined",)))
    what = "an invented stand-mount pair, unit A, " + ("finished as a two-way, " if finished else "")
    lines = [
        f"# The demonstration: {what}recorded out of a circuit simulator.",
        "# Made by tests/reference/make_demo_recordings.py; no real speaker.",
        "",
        f'name = "bookshelf-pair{", two-way" if finished else ""}"',
        *(['netlist = "two-way.cir"'] if finished else []),
        'unit = "A"',
        'jig = "high-side"',
        f"reference_ohm = {demo.REFERENCE_OHM}",
        f"reference_tolerance_percent = {demo.REFERENCE_TOLERANCE_PERCENT}",
        f"inside_mm = {{ height = {height}, width = {width}, depth = {depth} }}",
        f"rated_ohm = {demo.RATED_OHM}",
        "temperature_c = 20.0",
        "metres_above_sea = 0.0",
        "",
        "[driver]",
        *(['name = "woofer"'] if finished else []),
        f"diameter_mm = {demo.CONE_DIAMETER_MM}",
        f"diameter_tolerance_percent = {demo.CONE_TOLERANCE_PERCENT}",
        f"from_top_mm = {demo.DRIVER_MM[0]}",
        f"from_left_mm = {demo.DRIVER_MM[1]}",
        "",
        "[port]",
        f"diameter_mm = {demo.PORT_DIAMETER_MM}",
        f"length_mm = {demo.PORT_LENGTH_MM}",
        f"from_top_mm = {demo.PORT_MM[0]}",
        f"from_left_mm = {demo.PORT_MM[1]}",
        f"wall_mm = {demo.PORT_WALL_MM}",
        "",
        "[added_mass]",
        f"grams = {demo.ADDED_GRAMS}",
        f"tolerance_percent = {demo.ADDED_TOLERANCE_PERCENT}",
        "",
        "[volumes]",
        f"driver_litres = {demo.DRIVER_LITRES}",
        "",
        "[[lining]]",
        f'what = "{demo.BRACE[0]}"',
        f"area_m2 = {demo.BRACE[1]}",
        f"thickness_mm = {demo.BRACE[2]}",
        "porosity = 0.0",
        f"states = [{states}]",
        "",
        "[[stuffing]]",
        f"grams = {demo.FIBRE_GRAMS}",
        'material = "polyester"',
        f"states = [{states}]",
    ]
    if finished:
        lines += ["", "[limits.drivers.tweeter]", f"lowest_hz = {two_way.TWEETER_LOWEST_HZ}"]
    for take in takes:
        lines += ["", "[[takes]]", f'file = "{take.file}"', f'subject = "{take.subject}"']
        lines += [f'{key} = "{value}"' for key, value in (("state", take.state), ("of", take.of)) if value]
        lines.append(f'excitation = "{take.excitation_file}"')
        if take.marked_ohm is not None:
            lines += [f"load_ohm = {take.marked_ohm}", f"load_tolerance_percent = {take.tolerance_percent}"]
    return "\n".join(lines) + "\n"


def main(wanted: list[str]) -> None:
    """Write all files, or the recordings ``wanted``, then what describes them."""
    folder = PROJECT / "demo_recordings"
    folder.mkdir(exist_ok=True)
    for name, excitation in EXCITATIONS.items():
        with tempfile.TemporaryDirectory() as scratch:
            shutil.copy(write_excitation(excitation, Path(scratch) / "sweep.wav"), folder / name)
    for takes in (TAKES, OWN_TWO_WAY_TAKES):
        for number, take in enumerate(takes):
            if not wanted or take.file in wanted:
                write_recording(folder / take.file, samples_of(take, number), take.excitation.sample_rate_hz)
                print(f"{take.file}: {(folder / take.file).stat().st_size / 1e6:.2f} MB")
    (folder / "two-way.cir").write_text(two_way.netlist(), encoding="utf-8")
    (folder / "two-way.toml").write_text(manifest(TWO_WAY_TAKES), encoding="utf-8")
    (folder / "demo.toml").write_text(manifest(TAKES), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
