"""Store a few ngspice results small: ``python tests/reference/make_stock.py``.

Each case has its frequencies and the voltages at both nodes of an ideal jig of 10 ohm.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT / "tests"))

from reference import demo_build  # noqa: E402
from reference.jig_circuit import Jig  # noqa: E402
from reference.ngspice_run import jig_netlist, logarithmic, run_netlist  # noqa: E402
from reference.random_speakers import KINDS, random_speaker  # noqa: E402
from reference.speaker_circuit import SpeakerCircuit  # noqa: E402

STOCK_FILE = Path(__file__).parent / "stock" / "ngspice.npz"
STOCK_JIG = Jig(reference_ohm=10.0)
POINTS_PER_DECADE = 150
LOW_HZ, HIGH_HZ = 8.0, 22_000.0
SEEDS = (101, 102)


def stock_circuits() -> dict[str, SpeakerCircuit]:
    """Cases by name."""
    cases = {
        "demo free air": demo_build.FREE_AIR,
        "demo stock": demo_build.STOCK,
        "demo lined": demo_build.LINED,
    }
    for kind in KINDS:
        for seed in SEEDS:
            cases[f"{kind} {seed}"] = random_speaker(seed, kind).in_box
    return cases


def simulate(circuit: SpeakerCircuit) -> NDArray[np.complex128]:
    """Frequency in Hz and both node voltages, shape (3, points)."""
    return run_netlist(jig_netlist(circuit, STOCK_JIG), logarithmic(POINTS_PER_DECADE, LOW_HZ, HIGH_HZ))


def read_stock() -> dict[str, NDArray[np.complex128]]:
    """All stored cases by name, each of shape (3, points)."""
    with np.load(STOCK_FILE) as stored:
        return {name: stored[name] for name in stored.files}


def main() -> None:
    """Simulate all cases and write them."""
    STOCK_FILE.parent.mkdir(exist_ok=True)
    cases = {name: simulate(circuit) for name, circuit in stock_circuits().items()}
    np.savez_compressed(STOCK_FILE, **cases)  # type: ignore[arg-type]
    print(f"{STOCK_FILE}: {STOCK_FILE.stat().st_size / 1e3:.0f} kB")


if __name__ == "__main__":
    main()
