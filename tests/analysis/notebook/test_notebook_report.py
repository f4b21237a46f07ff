"""What each step of the work did, what it cost, and where it did nothing that could be measured."""

from __future__ import annotations

import json
import re
import shutil
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from made_once import demonstration
from PIL import Image

from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_report import box_report
from stillbox.analysis.box.box_words import box_document, box_lines
from stillbox.analysis.crossover.known_crossover import drivers_ohm, planned_network
from stillbox.analysis.notebook.checked import entry_notes
from stillbox.analysis.notebook.effects import drive_effects
from stillbox.analysis.notebook.notebook_document import notebook_document
from stillbox.analysis.notebook.notebook_report import Expense, NotebookReport, notebook_report
from stillbox.analysis.notebook.notebook_section import notebook_sections
from stillbox.analysis.notebook.notebook_words import NOTHING, effects_table, opening, step_head, step_lines
from stillbox.analysis.notebook.topic import NOTEBOOK
from stillbox.analysis.ringing.comparison import SIGNIFICANT
from stillbox.analysis.through_crossover import USUAL_TOLERANCE_PERCENT
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.kept_networks import keep_network
from stillbox.capture.build.notebook import Entry
from stillbox.capture.build.notebook_edit import add_entry, withdraw_entry
from stillbox.capture.errors import StillboxError


def swept_again(folder: BuildFolder, state: str, later: str) -> None:
    """The newest take of a state once more under another: nothing at all has changed."""
    take = next(one for one in reversed(folder.takes()) if one.state == state)
    number = folder.takes()[-1].number + 1
    takes = folder.path / "takes"
    again = {"number": number, "state": later, "audio_file": f"{number:04d}-in-box-{later}-A.flac"}
    sidecar = (takes / take.audio_file).with_suffix(".json")
    shutil.copy(takes / take.audio_file, takes / again["audio_file"])  # type: ignore[operator]
    (takes / f"{number:04d}-in-box-{later}-A.json").write_text(json.dumps({**json.loads(sidecar.read_text()), **again}))


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    folder = demonstration(tmp_path_factory.mktemp("logged") / "build")
    swept_again(folder, "lined", "painted")
    told = folder.path / "build.toml"
    told.write_text(told.read_text().replace('"lined"', '"lined", "painted"'))
    picture = folder.path.parent / "felt.png"
    Image.new("RGB", (900, 600), "red").save(picture)
    add_entry(folder, {"heard": "booms on male voices"})
    add_entry(folder, {"text": "bitumen", "state": "stock", "material": "bitumen", "area_cm2": 1000.0,
                       "thickness_mm": 4.0})  # fmt: skip
    add_entry(folder, {"text": "felt", "state": "lined", "material": "felt", "area_cm2": 3500.0, "thickness_mm": 10.0,
                       "cost": 10.0, "currency": "EUR", "minutes": 30.0}, [picture])  # fmt: skip
    add_entry(folder, {"text": "brace", "state": "lined", "cost": 10.0, "currency": "EUR"})
    add_entry(folder, {"text": "paint", "state": "painted", "cost": 80.0, "currency": "CHF"})
    add_entry(folder, {"text": "gold", "state": "painted", "cost": 999.0, "currency": "EUR"})
    withdraw_entry(folder, 6)
    return Bench(folder)


@pytest.fixture(scope="module")
def report(bench: Bench) -> NotebookReport:
    return notebook_report(bench)


def test_steps_are_told_by_states_with_their_entries_and_costs(report: NotebookReport) -> None:
    assert report.steps is not None
    told = [(step.before, step.after, [entry.number for entry in step.entries]) for step in report.steps]
    assert told == [("", "stock", [2]), ("stock", "lined", [3, 4]), ("lined", "painted", [5])]
    first, lined, painted = report.steps
    assert first.effects is None and "the first state" in first.reason
    assert lined.expense == Expense({"EUR": 20.0}, 30.0) and painted.expense == Expense({"CHF": 80.0})
    assert report.expense == Expense({"EUR": 20.0, "CHF": 80.0}, 30.0)
    (whole,) = report.sums
    assert (whole.before, whole.after) == ("stock", "painted") and [e.number for e in whole.entries] == [3, 4, 5]
    assert whole.expense == report.expense


def test_effects_are_those_of_comparison_box_and_bass(bench: Bench, report: NotebookReport) -> None:
    assert report.steps is not None
    lined = report.steps[1]
    assert lined.effects is not None and lined.effects.measurable and not lined.effects.missing
    by_kind = {kind: [one for one in lined.effects.every if one.kind == kind]
               for kind in ("finding", "tuning", "volume", "bass", "3 dB point", "drive")}  # fmt: skip
    comparison = bench.comparison("stock", "lined")
    assert len(by_kind["finding"]) == len(comparison.changes) and not by_kind["drive"]
    for change in comparison.changes:
        (effect,) = (one for one in by_kind["finding"] if one.frequency_hz == change.frequency_hz)
        assert effect.told == (change.verdict != "unchanged")
        if change.before is not None and change.after is not None and change.verdict == "reduced":
            ratio = change.after.resonance.height_ohm / change.before.resonance.height_ohm
            assert effect.change.value == pytest.approx(20 * np.log10(ratio)) and effect.change.std > 0
    (bass,) = by_kind["bass"]
    assert bass.told and -3 < bass.change.value < -1 and abs(bass.change.value) > SIGNIFICANT * bass.change.std
    (volume,) = by_kind["volume"]
    boxes = [box_report(bench, state).fit.alpha.value for state in ("stock", "lined")]
    assert volume.change.value == pytest.approx(100 * (boxes[0] / boxes[1] - 1))
    assert lined.per_cost(bass)["EUR"].value == pytest.approx(bass.change.value / 20)
    per_hour = lined.per_hour(bass)
    assert per_hour is not None and per_hour.value == pytest.approx(2 * bass.change.value)
    assert lined.per_cost(volume) == {} and lined.per_hour(volume) is None


def test_what_did_nothing_is_said_to_do_nothing(report: NotebookReport) -> None:
    assert report.steps is not None
    painted = report.steps[2]
    assert painted.effects is not None and not painted.effects.measurable
    assert next(iter(step_lines(painted))) == NOTHING and effects_table(painted, everything=False) is None
    whole, lined = report.sums[0].effects, report.steps[1].effects
    assert whole is not None and lined is not None
    assert [(one.name, one.change.value) for one in whole.told] == [(one.name, one.change.value) for one in lined.told]


def test_words_and_document(report: NotebookReport) -> None:
    assert report.steps is not None
    assert step_head(report.steps[1]) == "stock to lined, unit A: entries 3 and 4, 20.00 EUR, 30 minutes"
    table = effects_table(report.steps[1], everything=False)
    assert table is not None and table.heads == ("what", "verdict", "change", "per EUR", "per hour")
    assert re.fullmatch(r"−\d\.\d+ dB", next(row for row in table.rows if row[0].startswith("bass"))[3].split(" ±")[0])
    everything = effects_table(report.steps[1], everything=True)
    assert everything is not None and len(everything.rows) > len(table.rows)
    spent = "5 entries, 80.00 CHF and 20.00 EUR, 30 minutes"
    assert opening(report).endswith(f"{spent}. Heard at first: booms on male voices.")
    assert any("what do you hear now?" in question for question in report.questions)
    document = json.loads(json.dumps(notebook_document(report), allow_nan=False))
    assert [step["measurable"] for step in document["steps"]] == [None, True, False]
    assert document["entries"][5]["withdrawn"] and document["expense"] == {
        "costs": {"CHF": 80.0, "EUR": 20.0}, "minutes": 30.0,
    }  # fmt: skip
    told = [one for one in document["steps"][1]["effects"] if one["told"]]
    for one in told:  # a frequency that moved is worth nothing by itself
        per_cost = {} if one["change"]["unit"] == "Hz" else {"EUR": pytest.approx(one["change"]["value"] / 20)}
        assert {currency: worth["value"] for currency, worth in one["per_cost"].items()} == per_cost
        assert (one["per_hour"] is None) == (one["change"]["unit"] == "Hz")
    assert {one["change"]["unit"] for one in told} > {"Hz"}
    short = NOTEBOOK.compute(Bench(BuildFolder.open(report.path)), {"short": True})
    assert short.steps is None and len(list(NOTEBOOK.said(short, False))) < 12


def test_the_report_shows_the_work_with_small_pictures(bench: Bench) -> None:
    (section,) = notebook_sections(bench, bench.reported(("stock", "lined")))
    titles = [part.title for part in section.parts]
    assert section.title == "Work" and "Stock to lined, unit A: entries 3 and 4, 20.00 EUR, 30 minutes" in titles
    (picture,) = (part.picture for part in section.parts if part.picture is not None)
    assert picture.kind == "jpeg" and picture.caption == "Entry 3: felt" and picture.content.startswith(b"\xff\xd8")
    assert len(picture.content) < 20_000
    (bench.build.path / "notebook" / "0003-1.jpg").rename(bench.build.path / "elsewhere.jpg")
    (section,) = notebook_sections(bench, bench.reported(("stock", "lined")))
    assert any("A picture of entry 3 is missing" in line for part in section.parts for line in part.sentences)
    (bench.build.path / "elsewhere.jpg").rename(bench.build.path / "notebook" / "0003-1.jpg")


def test_materials_of_the_notebook_are_in_the_box(bench: Bench) -> None:
    stock, lined = box_report(bench, "stock"), box_report(bench, "lined")
    assert stock.budget is not None and stock.filling.logged == (2,)
    (sheet,) = (item for item in stock.budget.items if "bitumen" in item.name)
    assert sheet.taken_m3 == pytest.approx(4e-4)
    assert "  counted from the notebook: entry 2" in list(box_lines(stock))
    assert box_document(stock)["volume"]["from_notebook"] == [2]
    # build.toml of the demonstration tells of the lining there, so the felt is not counted twice.
    assert sum("build.toml tells of lining in state 'lined'" in warning for warning in lined.warnings) == 1


def test_a_notebook_that_cannot_be_read_hinders_nobody(tmp_path: Path, bench: Bench) -> None:
    folder = shutil.copytree(bench.build.path, tmp_path / "build")
    (folder / "notebook.toml").write_text("[[entry]\n")
    broken = Bench(BuildFolder.open(folder))
    assert broken.logged_materials(9)[0] == ()
    (warning,) = broken.notebook()[1]
    assert warning.startswith("the notebook is not counted") and "mend it" in warning
    (folder / "notebook.toml").write_text('[[entry]]\nstate = "lined"\nmaterial = "felt"\n')
    assert len(broken.renewed().logged_materials(9)[0]) == 1


def test_a_part_that_was_exchanged_tells_what_it_does_to_the_drive(tmp_path: Path) -> None:
    folder = demonstration(tmp_path / "build")
    keep_network(folder, "* one coil\nL1 in a 0.5m\nRL1 a b 0.3\nXwoofer b 0 any\n")
    bench = Bench(folder)
    stock = bench.in_box("stock")
    (effect,) = drive_effects(bench, stock, stock, ("L1=0.7mH",))
    assert effect.told and effect.frequency_hz is not None and effect.verdict == "less"
    hz = np.array([effect.frequency_hz])
    driver = drivers_ohm(bench, stock, planned_network(bench, stock)[1], hz)["woofer"]
    levels = [20 * np.log10(abs(driver / (driver + 0.3 + 2j * np.pi * hz * henry)))[0] for henry in (0.5e-3, 0.7e-3)]
    assert effect.change.value == pytest.approx(levels[1] - levels[0], abs=0.01)
    # Each coil is a piece of its own, evenly within its tolerance: a hundredth more of it, and so many hundredths.
    slopes = [
        20 * np.log10(abs((driver + 0.3 + 2j * np.pi * hz * henry) / (driver + 0.3 + 2.02j * np.pi * hz * henry)))[0]
        for henry in (0.5e-3, 0.7e-3)
    ]
    percent = USUAL_TOLERANCE_PERCENT["coil"] / 3**0.5
    assert effect.change.std == pytest.approx(percent * np.hypot(*slopes), rel=0.1)
    assert re.fullmatch(r"\S\d\.\d\d ± 0\.\d\d dB", effect.text)
    assert not list(drive_effects(bench, stock, stock, ()))
    assert not list(drive_effects(bench, stock, stock, ("L1=0.7mH",), ("L1=0.7mH",)))
    with pytest.raises(StillboxError, match="no part 'C7'"):
        list(drive_effects(bench, stock, stock, ("C7=1u",)))


def test_what_an_earlier_step_exchanged_is_not_forgotten(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """0.5, 0.7, 0.35 mH: the second step goes down from 0.7, the sum from 0.5, and a new netlist tells it all."""
    folder = demonstration(tmp_path / "build")
    netlist = "* one coil\nL1 in a 0.5m\nRL1 a b 0.3\nXwoofer b 0 any\n"
    keep_network(folder, netlist)
    swept_again(folder, "lined", "painted")
    swept_again(folder, "lined", "waxed")
    for state, part in (("lined", "L1=0.7mH"), ("painted", "L1=0.35mH"), ("waxed", "L1.loss=0.4")):
        add_entry(folder, {"text": part, "state": state, "parts": (part,)})

    def of_drive_alone(bench: Bench, *said: object) -> list[float]:
        return [effect.change.value for effect in drive_effects(bench, *said)]  # type: ignore[arg-type]

    def eight_ohm(bench: Bench, take: object, network: object, hz: np.ndarray) -> dict[str, np.ndarray]:
        return {"woofer": np.full(hz.size, 8 + 0j)}

    monkeypatch.setattr("stillbox.analysis.notebook.notebook_report.effects_between", of_drive_alone)
    monkeypatch.setattr("stillbox.analysis.notebook.effects.drivers_ohm", eight_ohm)

    def drives() -> list[float]:
        report = notebook_report(Bench(BuildFolder.open(folder.path)))
        steps = {(step.before, step.after): step.effects for step in (*(report.steps or ()), *report.sums)}
        pairs = ("stock", "lined"), ("lined", "painted"), ("painted", "waxed"), ("stock", "waxed")
        return [change for pair in pairs for change in steps[pair] or ()]  # type: ignore[union-attr]

    def levels_db(hz: float, *coils: tuple[float, float]) -> list[float]:
        return [20 * np.log10(abs(8 / (8 + ohm + 2j * np.pi * hz * henry))) for henry, ohm in coils]

    told = drives()
    steps = [*np.diff(levels_db(20_000, (0.5e-3, 0.3), (0.7e-3, 0.3), (0.35e-3, 0.3)))]
    steps += [*np.diff(levels_db(20, (0.35e-3, 0.3), (0.35e-3, 0.4)))]
    whole = np.diff(levels_db(20_000, (0.5e-3, 0.3), (0.35e-3, 0.4)))[0]
    assert told[1] > 1.5 * abs(told[0])  # from 0.5 mH it would be as much as the first step
    assert told == pytest.approx([*steps, whole], abs=0.02)
    keep_network(folder, netlist.replace("0.5m", "0.35m"), "painted")
    assert drives() == pytest.approx([*steps, whole], abs=0.02)


def test_what_an_entry_counts_for_is_said_at_once(bench: Bench) -> None:
    def notes(**said: object) -> list[str]:
        return list(entry_notes(bench.build, Entry.model_validate({"number": 9, "text": "x", **said})))

    assert notes(made=datetime(2000, 1, 1)) == [
        "entry 9 counts from take 8 (in-box/stock/A) on; if not, --state says it"
    ]
    assert "from the next take in the box on" in notes(made=datetime(2099, 1, 1))[0]
    assert notes(state="lined") == [] and "no take in the box is of state 'final' yet" in notes(state="final")[0]
    assert "is not counted in the box" in notes(state="lined", material="gold")[0]


def test_expenses_add_up_by_currency() -> None:
    entries = [Entry(cost=1.5, currency="EUR"), Entry(cost=2.0, currency="CHF"), Entry(cost=0.5, currency="EUR")]
    assert Expense.of(entries) == Expense({"EUR": 2.0, "CHF": 2.0}, None)
    assert Expense.of([Entry(minutes=0.0)]) == Expense({}, 0.0)
