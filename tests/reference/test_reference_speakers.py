"""Stored simulator results, random speakers and the demonstration's recordings against each other."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest

from reference import demo_build, demo_two_way
from reference.analytic import impedance_ohm
from reference.make_demo_recordings import OWN_TWO_WAY_TAKES, PROJECT, TAKES, TWO_WAY_TAKES, DemoTake, samples_of
from reference.make_stock import STOCK_JIG, read_stock, simulate, stock_circuits
from reference.ngspice_run import ngspice_there
from reference.random_speakers import KINDS, Kind, random_speaker, to_be_found
from reference.recordings import record
from reference.truth import TrueResonance, true_resonances
from stillbox.capture.sweep.excitation import read_excitation

soundfile = pytest.importorskip("soundfile")
needs_ngspice = pytest.mark.skipif(not ngspice_there(), reason="ngspice is not installed (apt install ngspice)")
DEMO = PROJECT / "demo_recordings"
CIRCUITS = stock_circuits()


def test_stock_holds_every_case() -> None:
    assert set(read_stock()) == set(CIRCUITS)


@pytest.mark.parametrize("name", CIRCUITS)
def test_stored_simulation_equals_closed_form(name: str) -> None:
    frequency, first, second = read_stock()[name]
    impedance = STOCK_JIG.reference_ohm * second / (first - second)
    assert np.max(np.abs(impedance / impedance_ohm(CIRCUITS[name], frequency.real) - 1)) < 5e-7


@needs_ngspice
@pytest.mark.parametrize("name", CIRCUITS)
def test_simulation_repeats_the_stored_one(name: str) -> None:
    assert np.max(np.abs(simulate(CIRCUITS[name]) / read_stock()[name] - 1)) < 1e-9


@pytest.mark.parametrize("kind", KINDS)
def test_random_speakers_are_what_their_kind_says(kind: Kind) -> None:
    allowed = {
        "null": set(), "driver": {"driver"}, "standing wave": {"standing wave"}, "wall": {"wall"},
        "mixed": {"driver", "standing wave", "wall", "port"},
    }[kind]  # fmt: skip
    for seed in range(6):
        speaker = random_speaker(seed, kind)
        assert {one.cause for one in speaker.truth} <= allowed | {"fundamental"}
        assert sum(one.cause == "fundamental" for one in speaker.truth) == (2 if speaker.port else 1)
        assert bool(to_be_found(speaker.truth)) == (kind != "null")
        assert {one.cause for one in speaker.truth_free_air} <= {"fundamental", "driver"}
        assert np.prod(speaker.inside_mm) * 1e-9 == pytest.approx(speaker.in_box.cavity.volume_m3)  # type: ignore[union-attr]


@pytest.mark.parametrize("kind", KINDS)
def test_random_speakers_repeat(kind: Kind) -> None:
    assert random_speaker(3, kind) == random_speaker(3, kind)
    assert random_speaker(3, kind) != random_speaker(4, kind)


def test_standing_waves_lie_near_their_dimension() -> None:
    """Within 4 % above c/2L and its multiples: a cone of finite mass moves them up, never far."""
    for seed in range(6):
        speaker = random_speaker(seed, "standing wave")
        cavity = speaker.in_box.cavity
        assert cavity is not None
        lengths = {line.dimension: line.length_m for line in cavity.lines}
        for one in to_be_found(speaker.truth):
            order = one.frequency_hz * 2 * lengths[one.place] / cavity.speed_m_s
            assert abs(order - round(order)) / round(order) < 0.04


def _named(truth: tuple[TrueResonance, ...], cause: str, place: str = "") -> TrueResonance:
    """The highest of its kind."""
    return max(
        (one for one in truth if (one.cause, one.place) == (cause, place)), key=lambda one: one.height_ohm
    )


def test_demonstration_tells_its_story() -> None:
    stock, lined = true_resonances(demo_build.STOCK), true_resonances(demo_build.LINED)
    wave = _named(stock, "standing wave", "height")
    assert 200 < wave.frequency_hz < 400
    assert 0.5 < wave.height_ohm < 3
    assert _named(lined, "standing wave", "height").height_ohm < 0.15 * wave.height_ohm
    assert 120 < _named(stock, "wall").frequency_hz < 220
    assert _named(lined, "wall").height_ohm < 0.25 * _named(stock, "wall").height_ohm
    drivers = [_named(truth, "driver") for truth in (true_resonances(demo_build.FREE_AIR), stock, lined)]
    assert all(600 < one.frequency_hz < 1500 for one in drivers)
    assert drivers[1].frequency_hz == pytest.approx(drivers[0].frequency_hz, rel=0.005)
    assert drivers[2].height_ohm == pytest.approx(drivers[1].height_ohm, rel=0.03)


@pytest.mark.parametrize(("name", "takes"), [("demo.toml", TAKES), ("two-way.toml", TWO_WAY_TAKES)])
def test_manifest_describes_the_files(name: str, takes: tuple[DemoTake, ...]) -> None:
    manifest = tomllib.loads((DEMO / name).read_text(encoding="utf-8"))
    assert [take["file"] for take in manifest["takes"]] == [take.file for take in takes]
    for take in manifest["takes"]:
        excitation = read_excitation(DEMO / take["excitation"])
        info = soundfile.info(DEMO / take["file"])
        assert (info.samplerate, info.channels, info.subtype) == (excitation.sample_rate_hz, 2, "PCM_24")
        assert info.frames > excitation.total_frames
    assert sum(path.stat().st_size for path in DEMO.iterdir()) < 7e6


@pytest.mark.parametrize("take", [TAKES[3], *TAKES[5:]], ids=lambda take: take.file)
def test_demonstration_recording_equals_closed_form(take: DemoTake) -> None:
    """The file came from ngspice; the closed form through the same chain must give the same samples."""
    number = TAKES.index(take)
    chain = replace(demo_build.CHAIN, offset_frames=6_000 + 1_777 * number, tail_frames=4_800)
    expected = record(take.device, take.excitation, chain, seed=20_000 + number)
    stored, _ = soundfile.read(DEMO / take.file)
    assert np.max(np.abs(stored - expected)) <= 2.01 / 2**23


def test_the_finished_speaker_of_the_demonstration_equals_closed_form() -> None:
    """Two recordings out of ngspice, by impedances in series and side by side."""

    def beside(*impedances: np.ndarray) -> np.ndarray:
        return 1 / np.sum([1 / one for one in impedances], axis=0)

    def tweeter(hz: np.ndarray) -> np.ndarray:
        s = 2j * np.pi * np.maximum(hz, 1e-3)
        dc_ohm, coil_h, loss_ohm, spring_h, mass_f = demo_two_way.TWEETER
        return dc_ohm + s * coil_h + beside(loss_ohm + 0 * s, s * spring_h, 1 / (s * mass_f))

    def finished(hz: np.ndarray) -> np.ndarray:
        s = 2j * np.pi * np.maximum(hz, 1e-3)
        of = {part.name: (part.value, part.loss_ohm) for part in (*demo_two_way.PARTS, demo_two_way.WRONG)}
        coil = {name: of[name][1] + s * of[name][0] for name in ("L1", "L2")}
        capacitor = {name: of[name][1] + 1 / (s * of[name][0]) for name in ("C1", "C2")}
        low = coil["L1"] + beside(capacitor["C2"], impedance_ohm(demo_build.LINED, np.maximum(hz, 1e-3)))
        return beside(low, capacitor["C1"] + beside(coil["L2"], of["R1"][0] + tweeter(hz)))

    for number, device in ((0, tweeter), (1, finished)):
        take = OWN_TWO_WAY_TAKES[number]
        chain = replace(demo_build.CHAIN, offset_frames=2_000 + 177 * number, tail_frames=4_800)
        expected = record(device, take.excitation, chain, seed=20_000 + number)
        stored, _ = soundfile.read(DEMO / take.file)
        assert np.max(np.abs(stored - expected)) <= 2.01 / 2**23


@needs_ngspice
def test_demonstration_recording_can_be_made_again() -> None:
    stored, _ = soundfile.read(DEMO / TAKES[6].file)
    assert np.max(np.abs(stored - samples_of(TAKES[6], 6))) <= 1.01 / 2**23
