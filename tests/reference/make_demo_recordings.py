"""Make ``demo_recordings/`` out of ngspice: ``python tests/reference/make_demo_recordings.py``.

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
from reference.ngspice_run import bins, jig_netlist, run_netlist  # noqa: E402
from reference.recordings import Spectra, padded_frames, record_spectra, write_recording  # noqa: E402
from reference.speaker_circuit import SpeakerCircuit  # noqa: E402
from stillbox.capture.sweep.excitation import Excitation, write_excitation  # noqa: E402

SPEAKER_JSON, CALIBRATION_JSON = "sweep-5s.json", "sweep-2s.json"


@dataclass(frozen=True)
class DemoTake:
    """One file of the demonstration; ``device`` is a speaker or a resistance in ohm."""

    file: str
    subject: str
    device: SpeakerCircuit | float
    state: str = ""
    marked_ohm: float | None = None
    tolerance_percent: float | None = None

    @property
    def is_speaker(self) -> bool:
        return isinstance(self.device, SpeakerCircuit)

    @property
    def excitation(self) -> Excitation:
        return demo.SPEAKER_EXCITATION if self.is_speaker else demo.CALIBRATION_EXCITATION


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


def samples_of(take: DemoTake, number: int) -> np.ndarray:
    """Recording of a take, shape (frames, 2); ``number`` seeds noise and hum and shifts the start."""
    frames = padded_frames(take.excitation)
    grid = bins(1, frames // 2, take.excitation.sample_rate_hz / frames)
    netlist = jig_netlist(take.device, demo.CHAIN.jig, both_on_source=take.subject == "channel-match")
    _, first, second = run_netlist(netlist, grid)
    spectra = Spectra(np.concatenate([first[:1], first]), np.concatenate([second[:1], second]))
    chain = replace(demo.CHAIN, offset_frames=6_000 + 1_777 * number, tail_frames=4_800)
    return record_spectra(spectra, take.excitation, chain, seed=20_000 + number)


def manifest() -> str:
    """Text of ``demo.toml``."""
    height, width, depth = demo.INSIDE_MM
    lines = [
        "# The demonstration: an invented stand-mount pair, unit A, recorded out of a circuit simulator.",
        "# Made by tests/reference/make_demo_recordings.py; no real speaker.",
        "",
        'name = "bookshelf-pair"',
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
        'states = ["lined"]',
        "",
        "[[stuffing]]",
        f"grams = {demo.FIBRE_GRAMS}",
        'material = "polyester"',
        'states = ["lined"]',
    ]
    for take in TAKES:
        lines += ["", "[[takes]]", f'file = "{take.file}"', f'subject = "{take.subject}"']
        if take.state:
            lines.append(f'state = "{take.state}"')
        lines.append(f'excitation = "{SPEAKER_JSON if take.is_speaker else CALIBRATION_JSON}"')
        if take.marked_ohm is not None:
            lines += [f"load_ohm = {take.marked_ohm}", f"load_tolerance_percent = {take.tolerance_percent}"]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write all files, the manifest last."""
    folder = PROJECT / "demo_recordings"
    folder.mkdir(exist_ok=True)
    excitations = {SPEAKER_JSON: demo.SPEAKER_EXCITATION, CALIBRATION_JSON: demo.CALIBRATION_EXCITATION}
    for name, excitation in excitations.items():
        with tempfile.TemporaryDirectory() as scratch:
            shutil.copy(write_excitation(excitation, Path(scratch) / "sweep.wav"), folder / name)
    for number, take in enumerate(TAKES):
        write_recording(folder / take.file, samples_of(take, number), take.excitation.sample_rate_hz)
        print(f"{take.file}: {(folder / take.file).stat().st_size / 1e6:.2f} MB")
    (folder / "demo.toml").write_text(manifest(), encoding="utf-8")


if __name__ == "__main__":
    main()
