"""What a crossover gives its drivers and what a swap does, against a two-way whose truth others have written."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invoked import one_line, run
from reference.ngspice_run import logarithmic, ngspice_there, run_netlist
from reference.wild_faults import Fault, with_fault
from reference.wild_two_way_truth import TwoWayTruth
from reference.wild_two_ways import WildTwoWay, wild_two_way, write_build

from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import box_of_take
from stillbox.analysis.crossover.crossover import computed
from stillbox.analysis.crossover.crossover_words import crossover_lines, heat_table, parts_table
from stillbox.analysis.crossover.draft import draft_of
from stillbox.analysis.crossover.known_crossover import known_crossover
from stillbox.analysis.crossover.measured_parts import KnownParts, known_parts
from stillbox.analysis.crossover.suspect_told import mending_lines
from stillbox.analysis.crossover.suspects import taken_over
from stillbox.analysis.crossover.topic import CROSSOVER
from stillbox.analysis.crossover.trying import trial
from stillbox.analysis.driver.driver_report import driver_of_take
from stillbox.analysis.maths.table import Table
from stillbox.analysis.network.changes import opened, shorted, with_values
from stillbox.analysis.network.netlist import network_from_text
from stillbox.analysis.network.nodal import circuit_at
from stillbox.analysis.part.reading import PartReading
from stillbox.analysis.through_crossover import network_of_netlist
from stillbox.analysis.wrong_part.hypotheses import possible_faults
from stillbox.analysis.wrong_part.result import FAULT_KINDS, Suspect
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.kept_networks import keep_network
from stillbox.capture.build.take_edit import rename_state
from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.excitation import Excitation
from stillbox.gui.results.network_rows import rows_of_crossover

SWEEP = Excitation(repeats=1)
TAKES = (
    ("channel-match", ""),
    ("load", ""),
    ("free-air", "woofer"),
    ("free-air", "tweeter"),
    ("part", "L1"),
)
FAULT = Fault("value", "C1", value=6.3e-6)
"""In state faulty, swept before the speaker was right."""


@pytest.fixture(scope="module")
def speaker() -> WildTwoWay:
    return wild_two_way(12)  # capacitors of foil: no loss of theirs is missing in the netlist


@pytest.fixture(scope="module")
def build(speaker: WildTwoWay, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("two") / "box"
    write_build(speaker, path, SWEEP, takes=TAKES)
    write_build(with_fault(speaker, FAULT), path, SWEEP, takes=(("in-box", ""),), state="faulty")
    write_build(speaker, path, SWEEP, takes=(("in-box", ""),))
    tolerances = ", ".join(f"{name} = {percent:g}" for name, percent in speaker.tolerances_percent().items())
    text = (path / "build.toml").read_text(encoding="utf-8")
    (path / "build.toml").write_text(f"{text}\n[crossover]\nparts = {{ {tolerances} }}\n", encoding="utf-8")
    status, said, _ = run("crossover", path, "--netlist", path.with_suffix(".cir"))
    assert status == 0 and "kept for all takes: 6 parts, woofer, tweeter" in said
    return path


@pytest.fixture(scope="module")
def bench(build: Path) -> Bench:
    return Bench(BuildFolder.open(build))


@pytest.fixture(scope="module")
def document(build: Path) -> dict:
    status, said, _ = run("crossover", build, "--swap", "C1=6.8u", "--swap", "R1=2.2", "--json")
    assert status == 0
    return dict(json.loads(said))


def test_levels_at_the_drivers_are_those_of_the_circuit(speaker: WildTwoWay, document: dict) -> None:
    """The parts as built lie within their tolerances: so do the levels, and most of them within the bands."""
    truth, inside = TwoWayTruth(speaker), []
    for name in ("woofer", "tweeter"):
        found = {key: np.array(values) for key, values in document["drivers"][name].items()}
        hz = found["frequency_hz"]
        true_db = 20 * np.log10(np.abs(truth.transfer(name, hz)))
        heard = (true_db > -20) & (hz < 15_000)
        assert np.max(np.abs(found["level_db"] - true_db)[heard]) < 3
        assert np.median(np.abs(found["level_db"] - true_db)[heard]) < 0.7  # a capacitor of 10 % makes 0.8
        inside += list(((found["band_low_db"] < true_db + 0.2) & (true_db - 0.2 < found["band_high_db"]))[heard])
    assert np.mean(inside) > 0.9


def test_lowest_impedance_is_that_of_the_terminals(speaker: WildTwoWay, document: dict) -> None:
    ohm, hz = TwoWayTruth(speaker).lowest()
    assert document["lowest_ohm"] == pytest.approx(ohm, rel=0.01)
    assert document["lowest_hz"] == pytest.approx(hz, rel=0.03)
    # What was not measured is not told as if it were.
    assert max(document["input"]["frequency_hz"]) < 20_000 < max(document["drivers"]["woofer"]["frequency_hz"]) + 1


def test_a_swap_does_what_it_does_in_the_circuit(speaker: WildTwoWay, document: dict) -> None:
    """There the parts are those built, changed by as much."""
    built = TwoWayTruth(speaker).parts
    swapped = speaker
    for name, value, planned in (("C1", 6.8e-6, 12e-6), ("R1", 2.2, 0.68)):
        fault = Fault("value", name, value=built[name].value * value / planned, loss_ohm=built[name].loss_ohm)
        swapped = with_fault(swapped, fault)
    before, after = TwoWayTruth(speaker), TwoWayTruth(swapped)
    for name in ("woofer", "tweeter"):
        hz = np.array(document["drivers"][name]["frequency_hz"])
        levels_db = [20 * np.log10(np.abs(truth.transfer(name, hz))) for truth in (before, after)]
        heard = (levels_db[0] > -20) & (hz < 15_000)
        error_db = np.array(document["change"]["difference_db"][name]) - (levels_db[1] - levels_db[0])
        assert np.max(np.abs(levels_db[1] - levels_db[0])[heard]) > 1
        assert np.median(np.abs(error_db)[heard]) < 0.1 and np.max(np.abs(error_db)[heard]) < 1.5
    assert document["change"]["resistor_watts"]["R1"] > document["resistor_watts"]["R1"]


def said(bench: Bench, **asked: object) -> str:
    report = CROSSOVER.compute(bench, asked)
    items = CROSSOVER.said(report, False)
    return "\n".join(str(item.rows) if isinstance(item, Table) else item for item in items)


def test_what_is_said(bench: Bench) -> None:
    plain = said(bench)
    assert "'C1', 'capacitor', '12 µF'" in plain and "lowest impedance at the terminals" in plain
    assert "L1 was measured alone" in plain and "caution" not in plain
    tried = said(bench, swaps=("C2=12.05u",))
    assert "no difference that anybody has been shown to hear" in tried
    assert tried.count("caution:") == 1 and "discharge capacitors" in tried


def test_a_swap_for_the_plan_is_told_in_one_line(bench: Bench) -> None:
    lines = said(bench, swaps=("R1=0.68",)).splitlines()
    assert [line for line in lines if "R1=0.68" in line] == ["with R1=0.68: that is the plan: nothing changes"]
    assert not any("nothing" in line for line in lines if not line.startswith("with "))


def test_a_driver_of_a_netlist_that_takes_do_not_name_is_told(build: Path, tmp_path: Path) -> None:
    """A slip of the pen, where takes name one that the netlist has not; not one that is still to be swept."""
    folder = shutil.copytree(build, tmp_path / "box")
    text = build.with_suffix(".cir").read_text(encoding="ascii")
    (tmp_path / "slip.cir").write_text(text.replace("Xtweeter", "Xtwitter"), encoding="ascii")
    status, said_out, said_err = run("crossover", folder, "--netlist", tmp_path / "slip.cir")
    assert status == 0 and "twitter" in said_out
    assert "driver 'twitter' of the netlist has no take; takes name tweeter, woofer" in one_line(said_err)
    assert "has no take" not in run("crossover", folder, "--netlist", build.with_suffix(".cir"))[2]


def test_a_part_that_was_measured_alone_is_taken_over(speaker: WildTwoWay, document: dict) -> None:
    """With its own uncertainty instead of the tolerance; what is planned stays."""
    truth = TwoWayTruth(speaker).parts["L1"]
    parts = {part["name"]: part for part in document["parts"]}
    measured = parts["L1"]["measured"]
    assert parts["L1"]["planned"] == pytest.approx(truth.planned, rel=1e-12) and parts["C1"]["measured"] is None
    assert abs(measured["value"]["value"] - truth.value) < 3 * measured["value"]["std"] + 1e-3 * truth.value
    assert parts["L1"]["loss_ohm"] == pytest.approx(truth.loss_ohm, abs=0.05)


def test_what_was_measured_of_another_plan_is_not_taken_over(build: Path, tmp_path: Path) -> None:
    """A coil that was measured before another one came in says nothing of that, but in a state of the same name."""
    folder = BuildFolder.open(shutil.copytree(build, tmp_path / "box"))
    text = build.with_suffix(".cir").read_text(encoding="ascii")
    line = next(line for line in text.splitlines() if line.startswith("L1 "))
    keep_network(folder, text.replace(line, " ".join([*line.split()[:3], "0.9m"])), state="stock")
    bench = Bench(folder)
    take = bench.in_box()
    network = network_of_netlist(bench.network_of(take.number))
    part = next(one for one in bench.takes if one.subject == "part")
    assert network.part("L1").value == 0.9e-3
    assert known_parts(bench, take, network, {}).measured == {}
    folder = BuildFolder.open(folder.path)
    rename_state(folder, part.number, "stock")
    assert list(known_parts(Bench(folder), take, network, {}).measured) == ["L1"]


def test_a_loss_whose_name_is_taken_is_left_out_and_said(bench: Bench) -> None:
    """The value that was measured alone counts all the same."""
    take = bench.in_box()
    planned_h = network_of_netlist(bench.network_of(take.number)).part("L1").value
    network = network_from_text(f"* t\nL1 in a {planned_h!r}\nRL1 a b 3.3\nR9 a 0 10\nXwoofer b 0 W\n")
    known = known_parts(bench, take, network, {})
    assert known.network.part("L1").value == known.measured["L1"].value.value
    assert known.network.part("L1").loss_ohm == 0 and known.network.part("RL1").value == 3.3
    (warning,) = known.warnings
    assert warning.startswith("the loss of L1 that was measured alone is not taken over: ") and "RL1" in warning


@pytest.fixture(scope="module")
def mended(build: Path, speaker: WildTwoWay, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """C1 was swept alone before it was replaced, and C2 before another one within the tolerance came in."""
    path = Path(shutil.copytree(build, tmp_path_factory.mktemp("mended") / "box"))
    write_build(with_fault(speaker, FAULT), path, SWEEP, takes=(("part", "C1"),))
    write_build(with_fault(speaker, Fault("value", "C2", value=12.8e-6)), path, SWEEP, takes=(("part", "C2"),))
    folder = BuildFolder.open(path)
    for take in [take for take in folder.takes() if take.of in ("C1", "C2")]:
        rename_state(folder, take.number, "faulty")
    return Bench(BuildFolder.open(path))


def test_a_part_that_was_replaced_does_not_count(mended: Bench) -> None:
    """Outside of the tolerance, or against what the curve of this state says; each is said in one line."""
    report = CROSSOVER.compute(mended, {"state": "stock"})
    assert list(report.measured_parts) == ["L1"]
    assert [report.built.network.part(name).value for name in ("C1", "C2")] == [12e-6, 12e-6]
    assert report.wrong is not None and report.wrong.suspect is None
    (first,) = [text for text in report.warnings if text.startswith("C1 was 6.")]
    assert "(part/faulty/A/C1), outside of its tolerance" in first
    (second,) = [text for text in report.warnings if text.startswith("C2 was 12.")]
    assert "by the curve of take" in second and "it is 11." in second and "it is not taken over" in second


def test_a_part_of_the_same_state_counts_and_the_curve_may_contradict_it(mended: Bench) -> None:
    report = CROSSOVER.compute(mended, {"state": "faulty"})
    assert set(report.measured_parts) == {"L1", "C1", "C2"}
    assert report.built.network.part("C1").value == pytest.approx(6.3e-6, rel=0.01)
    (told,) = [text for text in report.warnings if text.startswith("C2 was 12.")]
    assert "give the later takes a state of their own" in told
    assert not any(text.startswith("C1 was") for text in report.warnings)


def test_text_and_picture_name_the_same_networks(bench: Bench) -> None:
    report = CROSSOVER.compute(bench, {"state": "faulty"})
    named = ["as planned", "as measured, by the curve"]
    assert [name for name, _ in report.states] == named and report.states[1][1] is report.as_measured
    lines = list(crossover_lines(report))
    assert [f"tweeter, {name}: gets" in " ".join(lines) for name in named] == [True, True]
    assert heat_table(report).heads == ("heat at 2.83 V", *named)
    picture = CROSSOVER.pictures[0].picture(report)
    assert [curve.name for curve in picture.panels[1].curves[::2]] == [f"woofer {name}" for name in named]
    values = {row.head: row.values for row in rows_of_crossover(report)}
    assert [value.split(":")[0] for value in values["tweeter"]] == named
    planned, measured = values["tweeter"]
    assert planned.split(":")[1] != measured.split(":")[1]


def test_the_picture_of_a_change_is_against_the_speaker_that_the_text_is_about(bench: Bench) -> None:
    """Where a part is wrong, putting the right one in is no change of the plan, but one of the speaker."""
    wrong = CROSSOVER.compute(bench, {"state": "faulty"}).wrong
    assert wrong is not None and wrong.suspect is not None
    part = wrong.suspect.fault.part
    planned = next(one.planned for one in wrong.parts if one.name == part)
    report = CROSSOVER.compute(bench, {"state": "faulty", "swaps": (f"{part}={1e6 * planned:.6g}u",)})
    assert report.before == ("the speaker as measured", report.as_measured)
    changes = {one.name: one for one in CROSSOVER.pictures[0].picture(report).panels[2].curves}
    assert np.nanmax(np.abs(report.difference_db("tweeter"))) < 1e-6
    assert report.changed is not None and report.as_measured is not None
    true_db = report.changed.drivers["tweeter"].level_db - report.as_measured.drivers["tweeter"].level_db
    assert np.max(np.abs(true_db)) > 0.5
    np.testing.assert_allclose(changes["tweeter changes"].values, true_db)


def test_a_cable_takes_level_from_all_drivers(bench: Bench) -> None:
    report = CROSSOVER.compute(bench, {"swaps": ("cable=12m,0.75mm2",)})
    ohm, hz = 2 * 12 * 1.7241e-8 / 0.75e-6, report.frequency_hz
    loss_db = 20 * np.log10(6.5 / (6.5 + ohm))
    assert 1.3 * loss_db < np.median(report.difference_db("woofer")[(hz > 300) & (hz < 2000)]) < 0.2 * loss_db
    assert report.changed is not None
    assert report.changed.lowest_ohm == pytest.approx(report.built.lowest_ohm + ohm, abs=0.1)
    assert report.changed.power.watts["RLcable"] > 0.1
    assert "RLcable" not in report.built.power.watts
    assert any("Lcable" in row for row in parts_table(report).rows)


def test_what_is_written_in_a_table_is_what_a_swap_is(bench: Bench) -> None:
    """At once without bands, a moment later with them; other volts, a cable, a part more."""
    asked = CROSSOVER.compute(bench, {"swaps": ("C1=6.8u", "cable=3m,1.5mm2")})
    known = known_crossover(bench, bench.in_box())
    planned = CROSSOVER.compute(bench, {})
    draft = draft_of(known.planned, known.tolerance_percent)
    place = next(place for place, row in enumerate(draft.rows) if row.name == "C1")
    draft = draft.with_row(place, draft.rows[place].with_field("value", "6.8u"))
    quick, whole = (trial(bench, known, planned, draft, "3m,1.5mm2", 5.0, bands) for bands in (False, True))
    assert asked.changed is not None and quick.changed is not None and whole.changed is not None
    for name in ("woofer", "tweeter"):
        one, other = whole.changed.drivers[name], asked.changed.drivers[name]
        assert one.level_db == pytest.approx(other.level_db, abs=1e-9)
        assert np.array_equal(quick.changed.drivers[name].level_db, one.level_db)
        assert np.array_equal(quick.changed.drivers[name].low_db, one.level_db) and np.any(one.low_db < one.level_db)
    heat, at_283 = whole.changed.power.watts, asked.changed.power.watts
    assert heat == pytest.approx({name: watts * (5 / 2.83) ** 2 for name, watts in at_283.items()})
    assert quick.swaps[0] == "C1 12 → 6.8 µF" and quick.swaps[1].startswith("cable 3 m of 1.5 mm²")
    assert trial(bench, known, planned, None, "", 2.83, True).changed is None
    more = trial(bench, known, planned, draft.with_new_part("resistor"), "", 2.83, False)
    assert "R3 (10 ohm) added" in more.swaps
    with pytest.raises(StillboxError, match="impedance of driver 'mid' is not known"):
        trial(bench, known, planned, draft.with_new_driver(("mid",)), "", 2.83, False)


def test_the_report_has_circuit_parts_and_levels(bench: Bench, build: Path, tmp_path: Path) -> None:
    (section,) = CROSSOVER.sections(bench, [bench.in_box()])
    first, levels, heat = section.parts
    assert section.title == "Network" and first.table is not None and first.picture is not None
    assert [row[0] for row in first.table.rows] == ["L1", "C1", "L2", "C2", "R1", "R2"]
    assert b"<svg" in first.picture.content and levels.picture is not None and heat.table is not None
    assert any(line.startswith("Lowest impedance at the terminals: ") for line in levels.sentences)
    assert any("as planned" in line for line in first.sentences)
    folder = BuildFolder.open(shutil.copytree(build, tmp_path / "box"))
    other = build.with_suffix(".cir").read_text(encoding="ascii").replace("Xtweeter", "Xhorn").replace("12u", "1.2m")
    keep_network(folder, other)  # no driver of that name explains the curve of this speaker
    unknown = Bench(folder)
    (section,) = CROSSOVER.sections(unknown, [unknown.in_box()])
    assert len(section.parts) == 1 and "the impedance of driver 'horn' is not known" in section.parts[0].sentences[1]
    shutil.rmtree(folder.path / "crossover")
    assert list(CROSSOVER.sections(Bench(folder), [unknown.in_box()])) == []


@pytest.mark.skipif(not ngspice_there(), reason="ngspice is not installed")
def test_its_netlist_is_what_a_simulator_runs(bench: Bench, tmp_path: Path) -> None:
    """Exactly the network with the drivers as fitted; within 4 % what is computed with them as seen and measured."""
    report, path = CROSSOVER.compute(bench, {}), tmp_path / "whole.cir"
    (file,) = CROSSOVER.files
    file.write(report, path)
    driven = path.read_text(encoding="ascii").replace("\n.end\n", "\nvdrive drive 0 ac 1\nrsense drive in 1m")
    hz, terminals, behind = run_netlist(driven, logarithmic(20, 30, 15_000), ("in", "tb"))
    hz, ohm, level_db = hz.real, 1e-3 * terminals / (1 - terminals), 20 * np.log10(np.abs(behind))
    woofer = driver_of_take(bench, bench.free_air("A"))
    tweeter = driver_of_take(bench, bench.newest("free-air", unit="A", of="tweeter"))
    fitted = {"woofer": box_of_take(bench, report.take, woofer).fit, "tweeter": tweeter.fit}
    exact = circuit_at(report.built.network, hz, {name: fit.impedance_ohm(hz) for name, fit in fitted.items()})
    assert np.max(np.abs(ohm / exact.input_impedance_ohm - 1)) < 1e-3
    assert np.max(np.abs(behind / exact.transfer("tweeter") - 1)) < 1e-3
    assert np.max(np.abs(np.interp(hz, report.frequency_hz, np.abs(report.built.input_ohm)) / np.abs(ohm) - 1)) < 0.04
    assert np.max(np.abs(np.interp(hz, report.frequency_hz, report.built.drivers["tweeter"].level_db) - level_db)) < 0.3
    written = path.read_bytes()
    path.write_text("* by hand\n", encoding="ascii")
    with pytest.raises(StillboxError, match=r"whole\.cir"):
        file.write(report, path)
    assert path.read_text(encoding="ascii") == "* by hand\n" and b".subckt woofer_as_fitted plus minus" in written


def test_good_parts_are_told_to_be_good(speaker: WildTwoWay, document: dict) -> None:
    """From the terminals and takes of the drivers in free air alone."""
    assert document["suspect"] is None and document["alternatives"] == [] and document["tell_apart_by"] is None
    parts, off = {part["name"]: part for part in document["parts"]}, []
    for name, true in TwoWayTruth(speaker).parts.items():
        part = parts[name]
        assert part["verdict"] in ("within", "cannot be told") and part["planned"] == pytest.approx(true.planned)
        off.append((part["value"] - true.value) / part["value_std"])
    assert np.max(np.abs(off)) < 3.5
    # Of L2 the 95 % interval reaches beyond the tolerance, of R1 and R2 the curve tells less than the tolerance.
    assert {name for name, part in parts.items() if part["verdict"] == "within"} == {"L1", "C1", "C2"}


def test_a_part_that_was_measured_alone_is_no_suspect_any_more() -> None:
    """Within its tolerance it is known by its own take; outside it is for the curve to say so."""
    planned = network_from_text("* t\nC1 in a 10u\nR1 a b 4.7\nXtweeter b 0 t\n")
    read: dict[str, PartReading] = dict.fromkeys(("C1", "R1"))  # type: ignore[arg-type]
    alone = KnownParts(with_values(planned, {"C1": 9.7e-6, "R1": 6.8}), {"C1": 0.4, "R1": 0.4}, read)
    network, percent = taken_over(planned, {"C1": 5.0, "R1": 5.0}, alone)
    assert [part.value for part in network.parts] == [9.7e-6, 4.7]
    assert percent == {"C1": 1.5, "R1": 5.0}


def test_the_wrong_part_is_told(bench: Bench) -> None:
    report = CROSSOVER.compute(bench, {"state": "faulty"})
    assert CROSSOVER.document is not None
    document = json.loads(json.dumps(CROSSOVER.document(report)))
    assert document["state"] == "faulty" and document["alternatives"] == []
    suspect = document["suspect"]
    assert (suspect["part"], suspect["fault"]) == ("C1", "value") and suspect["probability"] > 0.99
    assert suspect["value"] == pytest.approx(FAULT.value, rel=0.05) and suspect["loss_ohm"] is None
    assert len(suspect["evidence"]) == 2 and "printed on C1" in suspect["look_at"][0]
    verdicts = {part["name"]: part["verdict"] for part in document["parts"]}
    assert verdicts["C1"] == "outside" and "outside" not in {verdicts[name] for name in ("L1", "L2", "C2", "R1", "R2")}
    first, *rest = [line for line in CROSSOVER.said(report, False) if isinstance(line, str)]
    assert first.startswith("One part is wrong: C1 seems to be 6.") and "instead of 12 µF" in first
    assert "would be off by" in rest[0] and rest[-1].startswith("caution")


def test_every_kind_of_fault_is_a_document_and_words(bench: Bench) -> None:
    """What gets nothing is nothing in the document, and no infinite difference in words."""
    report = CROSSOVER.compute(bench, {"swaps": ("C1=6.8u",)})
    known = known_crossover(bench, report.take)
    changes = {"open": opened, "short": shorted, "driver not connected": opened}
    seen = set()
    assert CROSSOVER.document is not None and report.wrong is not None
    for fault in possible_faults(known.planned):
        seen.add(fault.kind)
        change = changes.get(fault.kind)
        network = known.planned if change is None else change(known.planned, fault.part)
        gone = {fault.part} if fault.kind in ("open", "short") else set()
        parts = tuple(
            replace(part, value=np.nan, value_std=np.nan) if part.name in gone else part for part in report.wrong.parts
        )
        suspect = Suspect(fault, None, None, None, None, 0.999)
        wrong = replace(report.wrong, suspect=suspect, parts=parts, as_measured=network)
        one = replace(report, wrong=wrong, as_measured=computed(known, network, 2.83, wrong.left_percent))
        document = json.loads(json.dumps(CROSSOVER.document(one), allow_nan=False))
        lines = list(mending_lines(one))
        assert not any("inf" in line or "nan" in line for line in lines)
        if fault.kind == "driver not connected":
            assert set(document["by_the_curve"]["drivers"][fault.part]["level_db"]) == {None}
            assert f"  - {fault.part}: gets nothing as it is" in lines
    assert seen == set(FAULT_KINDS)


@pytest.mark.parametrize(
    ("options", "what"),
    [
        (("--swap", "R9=5"), "the network has no part 'R9'; its parts are L1, C1, L2, C2, R1, R2"),
        (("--swap", "C1"), "'C1' is no change of a part; write NAME=VALUE"),
        (("--swap", "cable=long"), "'long' is no cable; write its ohms (cable=0.2), or length and cross-section"),
        (("--swap", "cable=0.1", "--swap", "Cable=0.2"), "2 cables are tried at once"),
        (("--state", "lined"), "no in-box take of state lined"),
        (("--volts", "nan"), "--volts"),
        (("--netlist", "any.cir", "--swap", "C1=5u"), "--netlist keeps a netlist and does nothing else"),
        (("--netlist", "nowhere.cir"), "the netlist nowhere.cir cannot be read"),
    ],
)
def test_what_cannot_be_is_told(build: Path, options: tuple[str, ...], what: str) -> None:
    status, _, said = run("crossover", build, *options)
    assert status == 2 and what in one_line(said)


def test_a_netlist_that_is_none_is_not_kept(build: Path, tmp_path: Path) -> None:
    before = sorted((build / "crossover").iterdir())
    (tmp_path / "bad.cir").write_text("* title\nL1 in a 1m\nXwoofer b 0 any\n")
    status, _, said = run("crossover", build, "--netlist", tmp_path / "bad.cir")
    assert status == 2 and "bad.cir" in one_line(said)
    assert sorted((build / "crossover").iterdir()) == before
