"""Crossovers of the practice rig, and its coil with an iron core: by hand, by another solver, by the law itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from practice_sound import play
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from stillbox.analysis.network.netlist import network_from_text
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.kept_networks import kept_networks
from stillbox.capture.errors import StillboxError
from stillbox.capture.live.live_take import LiveRequest, record_take
from stillbox.capture.practice.iron_core import CoreState, IronCore, excess_flux_a
from stillbox.capture.practice.practice_jig import RigParts
from stillbox.capture.practice.practice_network import PracticeNetwork, PracticePart
from stillbox.capture.practice.practice_rig import PracticeRig
from stillbox.capture.practice.practice_speakers import SPEAKERS, PracticeCrossover, PracticeSpeaker
from stillbox.capture.recording.take import TakeInfo
from stillbox.capture.sound.audio_device import Clips

HZ = np.geomspace(20, 20_000, 60)
S = 2j * np.pi * HZ
TWO_WAYS = ("wrong capacitor", "exchanged coils", "iron coil")
RATE_HZ = 48_000


def beside(*impedances: np.ndarray) -> np.ndarray:
    return 1 / np.sum([1 / one for one in impedances], axis=0)


def values(name: str, state: str) -> dict[str, tuple[float, float]]:
    network = SPEAKERS[name].network_of(Clips("in-box", state))
    return {part.name: (part.value, part.loss_ohm) for part in network.parts}


def branches(name: str, state: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """By hand: woofer with what is beside it, the coil before it, and the way to the tweeter."""
    speaker = SPEAKERS[name]
    woofer, tweeter = (speaker.impedance_ohm(Clips("in-box", state, of=of), HZ) for of in ("woofer", "tweeter"))
    of = values(name, state)
    film = {one: of[one][1] + (1 + 0.0005j) / (S * of[one][0]) for one in ("C1", "C2")}
    coil = {one: of[one][1] + S * of[one][0] for one in ("L1", "L2")}
    high = film["C1"] + beside(coil["L2"], of["R1"][0] + tweeter)
    return beside(film["C2"], woofer), coil["L1"], high


@pytest.mark.parametrize("state", ["stock", "final"])
@pytest.mark.parametrize("name", TWO_WAYS)
def test_a_two_way_is_what_its_parts_make_it(name: str, state: str) -> None:
    low, coil, high = branches(name, state)
    found = SPEAKERS[name].impedance_ohm(Clips("in-box", state), HZ)
    assert np.abs(found / beside(coil + low, high) - 1).max() < 1e-12


def test_a_coil_is_seen_from_the_terminals_as_its_current_tells() -> None:
    low, coil, high = branches("iron coil", "stock")
    seen = SPEAKERS["iron coil"].iron_coil(Clips("in-box", "stock"), HZ)
    assert seen is not None
    place = seen.place
    assert np.abs(place.share / (high / (high + coil + low)) - 1).max() < 1e-10
    assert np.abs(place.within_siemens * (coil + low + high) - 1).max() < 1e-9
    assert SPEAKERS["iron coil"].iron_coil(Clips("in-box", "air"), HZ) is None


def test_each_two_way_has_the_fault_that_it_is_named_after() -> None:
    planned = {part.name: part.value for part in SPEAKERS["wrong capacitor"].crossover.planned.parts}  # type: ignore[union-attr]
    for name, wrong in (("wrong capacitor", {"C1"}), ("exchanged coils", {"L1", "L2"}), ("iron coil", set())):
        for state, far in (("stock", wrong), ("final", set())):
            there = {one: value for one, (value, _) in values(name, state).items()}
            assert {one for one in planned if abs(there[one] / planned[one] - 1) > 0.05} == far
    exchanged = values("exchanged coils", "stock")
    right = values("exchanged coils", "final")
    assert (exchanged["L1"], exchanged["L2"]) == (right["L2"], right["L1"])


def test_parts_and_drivers_are_on_the_clips_by_name() -> None:
    speaker = SPEAKERS["exchanged coils"]
    for name, (value, loss) in values("exchanged coils", "stock").items():
        found = speaker.impedance_ohm(Clips("part", "stock", of=name.lower()), HZ)
        wanted = {"R": value + 0 * S, "L": loss + S * value, "C": loss + (1 + 0.0005j) / (S * value)}[name[0]]
        assert np.abs(found / wanted - 1).max() < 1e-12
    tweeter, woofer = (speaker.impedance_ohm(Clips("free-air", of=of), HZ) for of in ("tweeter", "woofer"))
    assert np.array_equal(tweeter, SPEAKERS["tweeter"].impedance_ohm(Clips("free-air"), HZ))
    assert np.array_equal(woofer, speaker.impedance_ohm(Clips("free-air"), HZ))
    boxed = speaker.impedance_ohm(Clips("in-box", of="tweeter"), HZ)
    assert np.array_equal(boxed, tweeter)  # behind the dome there is no box
    with pytest.raises(StillboxError, match="no part 'C9'; choose one of L1, C2, C1, L2, R1"):
        speaker.impedance_ohm(Clips("part", of="C9"), HZ)
    with pytest.raises(StillboxError, match="no driver 'horn'; choose one of woofer, tweeter"):
        speaker.impedance_ohm(Clips("free-air", of="horn"), HZ)


# The plan goes with the speaker


@pytest.mark.parametrize("name", TWO_WAYS)
def test_the_plan_is_a_netlist_of_the_right_speaker(name: str) -> None:
    network = network_from_text(PracticeRig(name).info.netlist)
    assert network.notes == ()
    assert {driver.name for driver in network.drivers} == {"woofer", "tweeter"}
    for part_name, (value, loss) in values(name, "final").items():
        part = network.part(part_name)
        assert part.value == pytest.approx(value, rel=0.03)
        assert part.loss_ohm == pytest.approx(loss if part.kind == "coil" else 0.0, rel=0.05)


@pytest.mark.usefixtures("own_settings")
def test_a_build_without_a_netlist_gets_the_plan_with_the_finished_speaker(tmp_path: Path) -> None:
    build = BuildFolder.create(tmp_path / "box")
    rig, told = PracticeRig("wrong capacitor", seed=1), list[str]()

    def sweep(subject: str, **more: str) -> None:
        record_take(build, rig, LiveRequest(subject, seconds=0.5, repeats=1, **more), say=told.append)  # type: ignore[arg-type]

    sweep("free-air")
    assert kept_networks(build) == []
    sweep("in-box")
    (kept,) = kept_networks(build)
    assert kept.text() == rig.info.netlist and kept.words == "for all takes"
    assert sum(str(kept.path) in line for line in told) == 1
    sweep("in-box", state="final")
    assert kept_networks(build) == [kept]
    assert PracticeRig("good box").info.netlist == ""


@pytest.mark.usefixtures("own_settings")
def test_a_plan_that_cannot_be_kept_costs_no_take_and_a_real_build_gets_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    build = BuildFolder.create(tmp_path / "box")
    rig, told = PracticeRig("wrong capacitor", seed=1), list[str]()

    def sweep() -> TakeInfo:
        return record_take(build, rig, LiveRequest("in-box", seconds=0.5, repeats=1), say=told.append)

    def full(*_: object) -> None:
        raise StillboxError("no space left", "make room")

    with monkeypatch.context() as broken:
        broken.setattr("stillbox.capture.live.live_take.keep_network", full)
        first = sweep()
    assert [take.number for take in build.takes()] == [first.number] and kept_networks(build) == []
    assert told[-1].startswith("warning: the take is kept") and "no space left" in told[-1]
    (sidecar,) = (build.path / "takes").glob("*.json")
    sidecar.write_text(sidecar.read_text().replace('"practice rig"', '"sound card"'))
    sweep()
    assert kept_networks(build) == [] and "holds takes of something real" in told[-1]


# Iron


def test_the_core_obeys_rayleigh() -> None:
    core = IronCore(share=1.0, full_a=1e4, lag_per_a=0.3)
    for amplitude in (0.1, 1.0, 3.0):
        current = amplitude * np.cos(np.linspace(0, 4 * np.pi, 4001))
        excess, _ = excess_flux_a(core, current, CoreState(-amplitude, -amplitude, current[0]))
        flux = excess + current
        flux -= 0.5 * (flux.max() + flux.min())
        assert flux.max() == pytest.approx(amplitude + 0.3 * amplitude**2, rel=1e-6)
        remanent = np.abs(flux[[1500, 2500]])  # the current is nothing there
        assert current[1500] == pytest.approx(0, abs=1e-9)
        assert remanent == pytest.approx(0.15 * amplitude**2, rel=1e-3)


def test_blocks_of_any_length_make_the_same_flux() -> None:
    core = IronCore(0.9, 0.2, 0.8)
    current = np.random.default_rng(3).standard_normal(400).cumsum() * 0.02
    current[100:110] = current[100]
    whole, _ = excess_flux_a(core, current, CoreState())
    pieces, state, place = [], CoreState(), 0
    for length in (1, 99, 5, 3, 192, 100):
        piece, state = excess_flux_a(core, current[place : place + length], state)
        pieces.append(piece)
        place += length
    assert np.abs(np.concatenate(pieces) - whole).max() < 1e-12


def by_another_solver(volts: float, hz: float, ohm: float, henry: float, core: IronCore) -> np.ndarray:
    """Second to fourth cycle of the coil's current, by its differential equation: no lag, flux with one current."""

    def flux(current: float) -> float:
        return henry * ((1 - core.share) * current + core.share * core.full_a * np.tanh(current / core.full_a))

    def current_of(linked: float) -> float:
        return brentq(lambda one: flux(one) - linked, -9.0, 9.0, xtol=1e-14)

    def slope(second: float, linked: np.ndarray) -> list[float]:
        return [volts * np.sin(2 * np.pi * hz * second) - ohm * current_of(linked[0])]

    seconds = np.arange(1, 4, 1 / 480) / hz
    found = solve_ivp(slope, (0, 4 / hz), [0.0], t_eval=seconds, rtol=1e-9, atol=1e-13)
    return np.array([current_of(linked) for linked in found.y[0]])


def test_a_saturated_coil_draws_the_current_of_its_differential_equation() -> None:
    core = IronCore(share=0.9, full_a=0.1, lag_per_a=0.0)
    network = PracticeNetwork((PracticePart("L1", ("in", "0"), 8e-3, 1.0),), {})
    crossover = PracticeCrossover(network, network, network, SPEAKERS["tweeter"].driver, core)
    speaker = PracticeSpeaker("a coil", SPEAKERS["tweeter"].driver, None, None, crossover)
    parts = RigParts(10.0, 0.0, 0.0, 1e12, 1.0, 2.0, 1.0, noise_dbfs=-200, coupling_hz=1e-6)
    rig, hz = PracticeRig(speaker, seed=1, parts=parts), 100.0
    rig.connect(Clips("part", "stock", of="L1"))
    tone = np.sin(2 * np.pi * hz * np.arange(RATE_HZ // 5) / RATE_HZ).astype(np.float32)
    got: list[np.ndarray] = []
    play(rig, tone, lambda block: got.append(block.copy()))
    read = 2.0 * np.concatenate(got)[parts.latency_frames :].astype(float)
    # The rig's responses sum to nothing: no direct voltage comes through its inputs. That is put back.
    read += np.cumsum(read, axis=0) / 65_536
    current = (read[:, 0] - read[:, 1]) / parts.reference_ohm
    wanted = by_another_solver(np.sqrt(2), hz, 11.0, 8e-3, core)
    found = current[RATE_HZ // 100 : 4 * RATE_HZ // 100]
    linear = by_another_solver(np.sqrt(2), hz, 11.0, 8e-3, IronCore(0.0, 1.0, 0.0))
    effect = np.abs(wanted - linear).max()
    assert effect > 0.1 * linear.max()  # it does saturate
    assert np.abs(found - wanted).max() < 0.005 * effect
