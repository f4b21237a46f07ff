"""A finished two-way at its terminals: with the netlist of its crossover the woofer is read as if it were alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from checked import GOOD, RATE_HZ, SWEEP
from simple_recordings import record

from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import box_report
from stillbox.analysis.findings.findings_document import findings_document
from stillbox.analysis.findings.findings_words import finding_text, terminals_text
from stillbox.analysis.impedance.resonances import fit_resonances
from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.through_crossover import value_stds
from stillbox.capture.build.build_description import Crossover
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.kept_networks import keep_network, kept_networks, network_of_take
from stillbox.capture.build.take_import import import_take
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import TakeInfo

Impedance = Callable[[np.ndarray], np.ndarray]

NETLIST = """* first order to the woofer, second to the tweeter
L1 in w 0.8m
RL1 w v 0.3
Xwoofer v 0 any
C2 in t 5.6u
L2 t 0 0.4m
RL2 t 0 12k
R2 t u 2.2
Xtweeter 0 u any
""".replace("RL2 t 0 12k\n", "")


def peak(hz: np.ndarray, f0: float, q: float, ohm: float) -> np.ndarray:
    s = 1j * hz / f0
    return ohm * (s / q) / (s**2 + s / q + 1)


def woofer(fs_hz: float, waves: bool) -> Impedance:
    def own(hz: np.ndarray) -> np.ndarray:
        hz = np.maximum(hz, 1e-3)
        found = 5.6 + 2j * np.pi * hz * 5e-4 + peak(hz, fs_hz, 4 * fs_hz / 42, 20)
        return found + (peak(hz, 431, 22, 0.8) + peak(hz, 792, 30, 0.5) if waves else 0)

    return own


def tweeter(hz: np.ndarray) -> np.ndarray:
    return 4.8 + 2j * np.pi * hz * 4e-5 + peak(np.maximum(hz, 1e-3), 920, 1.8, 5)


def finished(own: Impedance) -> Impedance:
    """By hand, branch after branch."""

    def shown(hz: np.ndarray) -> np.ndarray:
        s = 2j * np.pi * np.maximum(hz, 1e-3)
        low = s * 0.8e-3 + 0.3 + own(hz)
        up = 1 / (s * 5.6e-6) + 1 / (1 / (s * 0.4e-3) + 1 / (2.2 + tweeter(hz)))
        return 1 / (1 / low + 1 / up)

    return shown


def swept(build: BuildFolder, subject: str, impedance: Impedance, of: str = "", state: str | None = None) -> TakeInfo:
    path = build.path.parent / "recording.wav"
    soundfile.write(str(path), record(SWEEP, impedance, GOOD, 5), RATE_HZ, subtype="PCM_24")
    return import_take(build, path, SWEEP, subject, state, of=of)


@pytest.fixture(scope="module")
def two_way(tmp_path_factory: pytest.TempPathFactory) -> BuildFolder:
    build = BuildFolder.create(tmp_path_factory.mktemp("two") / "box")
    build.set_calibration(10.0)
    swept(build, "free-air", woofer(42, waves=False), "woofer")
    swept(build, "free-air", tweeter, "tweeter")
    swept(build, "in-box", finished(woofer(71, waves=True)))
    return build


@pytest.fixture(scope="module")
def known(two_way: BuildFolder) -> BuildFolder:
    keep_network(two_way, NETLIST)
    return two_way


def heights(bench: Bench) -> dict[float, float]:
    found = [finding.resonance for finding in bench.findings().findings]
    return {
        near: one.height_ohm for near in (431, 792) for one in found if abs(one.frequency_hz / near - 1) < 0.005
    }


def test_heights_are_those_of_the_driver(known: BuildFolder) -> None:
    """At the terminals they are what the crossover leaves of them."""
    bench = Bench(known)
    at_terminals = fit_resonances(bench.at_clips(bench.in_box()), False, 42.0).resonances
    (shown,) = [one.height_ohm for one in at_terminals if abs(one.frequency_hz / 792 - 1) < 0.005]
    assert abs(shown / 0.5 - 1) > 0.1
    seen = heights(bench)
    assert seen[431] == pytest.approx(0.8, rel=0.05)
    assert seen[792] == pytest.approx(0.5, rel=0.05)


def test_the_box_is_that_around_the_driver(known: BuildFolder) -> None:
    report = box_report(Bench(known))
    assert report.fit.alpha.value == pytest.approx((71 / 42) ** 2 - 1, rel=0.02)
    low, high = report.fit.alpha.interval_95
    assert low < (71 / 42) ** 2 - 1 < high


def test_a_bump_that_is_gone_behind_the_crossover_is_the_networks(known: BuildFolder) -> None:
    """The terminals show one at 1.6 kHz, where coil and capacitor resonate; the woofer has none."""
    report = Bench(known).findings()
    (bump,) = report.at_terminals
    assert bump.resonance.frequency_hz == pytest.approx(1616, rel=0.01)
    assert bump.cause == "crossover" and bump.evidence[0].startswith("at the terminals 2")
    assert not any(one.resonance.q < 4 for one in report.findings)
    document = findings_document(report)["at_terminals"][0]
    assert document["cause"] == "crossover" and document["confidence"] is None
    assert "  - how probable that is was not weighed against other causes" in list(finding_text(bump))
    assert terminals_text(report).startswith("of the crossover, at the speaker's terminals only: 1.6")


def test_without_a_netlist_a_crossover_is_fitted_along(known: BuildFolder) -> None:
    """The terminals alone would have the tuning of another box and other heights."""
    kept = kept_networks(known)[0].path
    kept.rename(known.path / "aside.cir")
    try:
        bench = Bench(known)
        take = bench.in_box()
        name, seen = bench.seen(take)
        assert name == "woofer"
        (said,) = [text for text in seen.warnings if "a crossover was fitted along" in text]
        assert "with the netlist they are surer" in said and "driver 'woofer'" in said
        found = heights(bench)
        assert found[431] == pytest.approx(0.8, rel=0.05) and found[792] == pytest.approx(0.5, rel=0.1)
        alpha = box_report(bench).fit.alpha
        assert alpha.value == pytest.approx((71 / 42) ** 2 - 1, rel=0.02)
        low, high = alpha.interval_95
        assert low < (71 / 42) ** 2 - 1 < high
    finally:
        (known.path / "aside.cir").rename(kept)


def test_what_is_read_is_said(known: BuildFolder) -> None:
    said = " ".join(Bench(known).findings().warnings + Bench(known).spectrum(Bench(known).in_box()).warnings)
    assert "seen through the crossover (0001.cir): these numbers are those of driver 'woofer' alone, up to " in said


def test_a_take_at_the_clips_stays_what_it_is(known: BuildFolder) -> None:
    bench = Bench(known)
    take = bench.in_box()
    shown, seen = bench.at_clips(take), bench.spectrum(take)
    own = woofer(71, waves=True)(seen.frequency_hz)
    inside = (seen.frequency_hz > 30) & (seen.frequency_hz < 1500)
    assert np.median(np.abs(seen.impedance_ohm / own - 1)[inside]) < 1e-3
    expected = finished(woofer(71, waves=True))(shown.frequency_hz)
    inside = (shown.frequency_hz > 30) & (shown.frequency_hz < 10_000)
    assert np.median(np.abs(shown.impedance_ohm / expected - 1)[inside]) < 1e-3


def test_a_bench_that_is_renewed_knows_of_a_new_netlist(known: BuildFolder) -> None:
    bench = Bench(known)
    before = heights(bench)[792]
    keep_network(known, NETLIST.replace("5.6u", "8.2u"))
    try:
        assert abs(heights(bench.renewed())[792] / before - 1) > 0.02
    finally:
        kept_networks(known)[-1].path.unlink()
    assert heights(bench.renewed())[792] == pytest.approx(before)


def test_without_the_tweeter_it_is_said_what_to_do(known: BuildFolder) -> None:
    keep_network(known, NETLIST.replace("Xtweeter", "Xhorn"))
    try:
        bench = Bench(known)
        spectrum = bench.spectrum(bench.in_box())
        (said,) = [text for text in spectrum.warnings if "not seen through the crossover" in text]
        assert "the impedance of driver 'horn' is not known" in said and "--driver horn" in said
        assert spectrum.frequency_hz.size == bench.at_clips(bench.in_box()).frequency_hz.size
    finally:
        kept_networks(known)[-1].path.unlink()


def test_a_tweeter_is_neither_the_driver_in_the_box_nor_seen_in_it(known: BuildFolder) -> None:
    """Its limits say that it is another one: then no take of it stands for the woofer."""
    path = known.path / "build.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text + "\n[limits.drivers.tweeter]\nlowest_hz = 500\n", encoding="utf-8")
    moved = known.path / "takes" / "0001-free-air-A-woofer.json"
    try:
        with pytest.raises(StillboxError, match="no in-box take"):
            Bench(known, driver="tweeter").in_box()
        moved.rename(known.path / "aside.json")
        bench = Bench(known)
        assert bench.free_air() is None
        name, _ = bench.seen(bench.in_box())
        assert name == "woofer"  # the only one that was never swept
    finally:
        (known.path / "aside.json").rename(moved)
        path.write_text(text, encoding="utf-8")


def test_two_woofers_side_by_side_are_not_taken_for_one(known: BuildFolder) -> None:
    """Without a netlist it is said that this cannot be told, and what to do."""

    def pair(hz: np.ndarray) -> np.ndarray:
        own = woofer(71, waves=False)
        return finished(lambda one: 1 / (1 / own(one) + 1 / (1.02 * own(1.03 * one))))(hz)

    kept = kept_networks(known)[0].path
    kept.rename(known.path / "aside.cir")
    taken = swept(known, "in-box", pair, state="pair")
    try:
        name, spectrum = Bench(known).seen(taken)
        (said,) = [text for text in spectrum.warnings if "cannot be told from the curve alone" in text]
        assert name == "" and "two woofers" in said and "--netlist FILE" in said and "--driver NAME" in said
    finally:
        (known.path / "aside.cir").rename(kept)
        for left in (known.path / "takes").glob(f"{taken.number:04d}-*"):
            left.unlink()


def test_speaker_and_driver_behind_the_crossover_are_not_compared(known: BuildFolder) -> None:
    """Without the woofer's own take what is at the terminals stays what it is, unless there is a netlist."""
    swept(known, "in-box", finished(woofer(71, waves=True)), state="final")
    first, moved = kept_networks(known)[0].path, known.path / "takes" / "0001-free-air-A-woofer.json"
    path = known.path / "build.toml"
    text = path.read_text(encoding="utf-8")
    first.rename(first.with_name("0001-state=final.cir"))
    moved.rename(known.path / "aside.json")
    assert "\n[driver]\n" in text
    path.write_text(text.replace("\n[driver]\n", '\n[driver]\nname = "woofer"\n'), encoding="utf-8")
    try:
        with pytest.raises(StillboxError, match="the one is of the speaker's terminals, the other of driver 'woofer'"):
            Bench(known).comparison("stock", "final")
    finally:
        first.with_name("0001-state=final.cir").rename(first)
        (known.path / "aside.json").rename(moved)
        path.write_text(text, encoding="utf-8")
    assert Bench(known).comparison("stock", "final").changes


def test_the_netlist_of_another_speaker_is_noticed(known: BuildFolder) -> None:
    bench = Bench(known)
    assert not any("does not fit" in text for text in bench.spectrum(bench.in_box()).warnings)
    keep_network(known, NETLIST.replace("0.8m", "2.7m"))
    try:
        bench = Bench(known)
        (said,) = [text for text in bench.spectrum(bench.in_box()).warnings if "does not fit" in text]
        assert "the own take of driver 'woofer'" in said and "look whether the netlist is that of this speaker" in said
        assert "'stillbox crossover' looks for a wrong part" in said
    finally:
        kept_networks(known)[-1].path.unlink()


def test_a_netlist_that_cannot_be_read_harms_nothing_else(known: BuildFolder) -> None:
    bench = Bench(known)
    take = bench.in_box()
    assert bench.seen(take)[0] == "woofer"
    path = kept_networks(known)[0].path
    text = path.read_bytes()
    path.write_bytes(b"\xff\xfe")
    try:
        name, spectrum = bench.renewed().seen(take)
        assert name == "" and any("cannot be read" in text for text in spectrum.warnings)
    finally:
        path.write_bytes(text)
    assert bench.renewed().seen(take)[0] == "woofer"


# Which netlist is in force


def take(number: int, state: str, unit: str = "A") -> TakeInfo:
    return TakeInfo.model_construct(number=number, subject="in-box", state=state, unit=unit, of="")


def test_a_netlist_holds_from_its_state_on(tmp_path: Path) -> None:
    build = BuildFolder.create(tmp_path / "box")
    for state, unit in ((None, None), ("lined", None), ("new coil", "B")):
        keep_network(build, NETLIST, state, unit)
    kept = kept_networks(build)
    told = [(one.number, one.state, one.unit) for one in kept]
    assert told == [(1, None, None), (2, "lined", None), (3, "new coil", "B")]
    assert [path.name for path in sorted((build.path / "crossover").iterdir())] == [
        "0001.cir", "0002-state=lined.cir", "0003-state=new coil-unit=B.cir",
    ]  # fmt: skip
    takes = [take(1, "stock"), take(2, "lined"), take(3, "stock"), take(4, "new coil", "B"), take(5, "new coil")]
    in_force = [network_of_take(kept, takes, one) for one in takes]
    assert [one and one.number for one in in_force] == [1, 2, 2, 3, 2]
    assert network_of_take(kept[1:], takes, takes[0]) is None
    keep_network(build, NETLIST + "* better\n", "lined")
    newest = network_of_take(kept_networks(build), takes, takes[1])
    assert newest is not None and newest.number == 4 and newest.text().endswith("* better\n")


def test_a_netlist_is_kept_as_it_is_and_never_replaced(tmp_path: Path) -> None:
    build = BuildFolder.create(tmp_path / "box")
    first = keep_network(build, NETLIST)
    second = keep_network(build, "* other\n")
    assert first.text() == NETLIST and second.text() == "* other\n" and first.path != second.path
    with pytest.raises(StillboxError, match="digits alone are the number of a take"):
        keep_network(build, NETLIST, "7")
    (build.path / "crossover" / "notes.txt").write_text("mine")
    assert len(kept_networks(build)) == 2
    second.path.write_bytes(b"\xff\xfe")
    with pytest.raises(StillboxError, match=r"0002\.cir cannot be read.*put the original back"):
        second.text()


def test_tolerances_are_those_told_else_usual_ones() -> None:
    network = network_from_text(NETLIST)
    usual = dict(value_stds(network, Crossover()))
    assert usual["L1"] == pytest.approx(0.05 * 0.8e-3 / 3**0.5)
    assert usual["L1.loss"] == pytest.approx(0.2 * 0.3 / 3**0.5)
    told = dict(value_stds(network, Crossover(tolerance_percent=2, parts={"c2": 10})))
    assert told["C2"] == pytest.approx(0.1 * 5.6e-6 / 3**0.5) and told["R2"] == pytest.approx(0.02 * 2.2 / 3**0.5)
    with pytest.raises(StillboxError, match="names 'c9', which is no part of the netlist"):
        dict(value_stds(network, Crossover(parts={"C9": 10})))
