"""The demonstration: recordings of an invented speaker that come with the program, worked through from the start."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator
from pathlib import Path

import tomlkit

from stillbox.analysis.bench import Bench, Progress
from stillbox.analysis.calibration_report import calibration_report
from stillbox.analysis.comparison.comparison_words import changes_table
from stillbox.analysis.comparison.opening import opening_of
from stillbox.analysis.crossover.crossover import crossover_report
from stillbox.analysis.crossover.crossover_words import parts_table
from stillbox.analysis.crossover.picture_crossover import picture_of_crossover
from stillbox.analysis.crossover.suspect_told import mending_lines, suspect_lines
from stillbox.analysis.crossover.suspect_told import opening_of as opening_of_crossover
from stillbox.analysis.drawing.layout import picture_bytes
from stillbox.analysis.findings.findings_words import findings_table, motional_text
from stillbox.analysis.maths.table import Table
from stillbox.analysis.page.write_up import write_build_report, write_everything
from stillbox.analysis.part.topic import PART
from stillbox.analysis.ringing.summary import summary_of_findings
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.kept_networks import keep_network
from stillbox.capture.build.take_import import import_take
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.build_layout import DESCRIPTION_FILE
from stillbox.capture.files.output_file import PICTURE, check_folder, write_output
from stillbox.capture.files.small_file import read_small_text
from stillbox.capture.files.whole_file import write_whole
from stillbox.capture.sweep.excitation import read_excitation

RECORDINGS = Path(__file__).resolve().parents[2] / "demo_recordings"
BOX, TWO_WAY = "demo.toml", "two-way.toml"
BEFORE, AFTER = "stock", "lined"
AS_BOUGHT, MENDED = "finished", "mended"
SWAP, SWEPT_PART, MARKED = "R1=3.3", "C1", "5u6K"
_DESCRIBED = (
    "inside_mm", "rated_ohm", "temperature_c", "metres_above_sea", "driver", "port", "added_mass", "volumes", "lining",
    "stuffing", "limits",
)  # fmt: skip


def demonstration_build(folder: Path, progress: Progress, manifest_file: str = BOX) -> BuildFolder:
    """A build made of the demonstration's recordings, the way a person would import them: of the box, or `TWO_WAY`.

    Raises
    ------
    StillboxError
        If the recordings are not beside the program, or ``folder`` holds a build already.
    """
    manifest = RECORDINGS / manifest_file
    if not manifest.is_file():
        raise StillboxError(
            f"{manifest} is missing",
            "run the demonstration from a clone of the project, installed with 'pip install -e .'",
        )
    demo = tomllib.loads(manifest.read_text(encoding="utf-8"))
    build = BuildFolder.create(folder)
    document = tomlkit.parse((folder / DESCRIPTION_FILE).read_text(encoding="utf-8"))
    document["name"] = demo["name"]
    for key in _DESCRIBED:
        if key in demo:
            document[key] = demo[key]
    write_whole(folder / DESCRIPTION_FILE, tomlkit.dumps(document))
    for take in demo["takes"]:
        progress(f"importing {take['file']}")
        import_take(
            build,
            RECORDINGS / take["file"],
            read_excitation(RECORDINGS / take["excitation"]),
            subject=take["subject"],
            state=take.get("state"),
            unit=demo["unit"],
            of=take.get("of", ""),
            jig=demo["jig"],
            load_ohm=take.get("load_ohm"),
            load_tolerance_percent=take.get("load_tolerance_percent"),
        )
    build.set_calibration(demo["reference_ohm"], demo["reference_tolerance_percent"])
    if "netlist" in demo:
        keep_network(build, read_small_text(RECORDINGS / demo["netlist"]))
    return build


def _require_empty(folder: Path) -> None:
    """StillboxError where something lies in the folder: files of a person's own may have the names of ours."""
    check_folder(folder)
    if any(os.path.lexists(folder / name) for name in ("build", "two-way")):
        raise StillboxError(f"{folder} holds a demonstration already", "give another folder with --out")
    if folder.is_dir() and any(folder.iterdir()):
        raise StillboxError(f"{folder} is not empty", "give a new folder with --out")


def run_demonstration(folder: Path, progress: Progress) -> Iterator[str | Table]:
    """Work the demonstration through; yield what there is to say, text or table; write files to ``folder``."""
    build_path = folder / "build"
    _require_empty(folder)
    build = demonstration_build(build_path, progress)
    bench = Bench(build, progress=progress)
    unit = bench.takes[-1].unit
    yield from calibration_report(bench)
    for state in (BEFORE, AFTER):
        report = bench.findings(state, unit)
        yield ""
        yield f"{state}: {summary_of_findings(report)}"
        yield motional_text(report)
        yield findings_table(report)
    comparison = bench.comparison(BEFORE, AFTER, unit)
    yield ""
    yield opening_of(bench, bench.compared(BEFORE, AFTER, unit))
    yield changes_table(comparison)
    yield from comparison.tuning
    progress("drawing")
    yield ""
    yield f"wrote {build_path} (a build folder: try 'stillbox findings {build_path}')"
    for path in write_everything(bench, BEFORE, AFTER, unit, folder):
        yield f"wrote {path}"
    yield ""
    yield from _crossover_chapter(folder, progress)


def _crossover_chapter(folder: Path, progress: Progress) -> Iterator[str | Table]:
    """The same speaker finished: its wrong part, what the right one does, a part alone."""
    build = demonstration_build(folder / "two-way", progress, TWO_WAY)
    bench = Bench(build, progress=progress)
    unit = bench.takes[-1].unit
    yield f"the same box finished as a two-way: {build.path}"
    found = crossover_report(bench, AS_BOUGHT, unit, (SWAP,))
    yield f"{AS_BOUGHT}: {opening_of_crossover(found)}"
    yield from suspect_lines(found)
    yield parts_table(found)
    yield from mending_lines(found)
    yield f"{MENDED}: {opening_of_crossover(crossover_report(bench, MENDED, unit))}"
    yield ""
    yield from PART.said(PART.compute(bench, {"name": SWEPT_PART, "unit": unit, "marked": MARKED}), False)
    progress("drawing")
    picture, page = folder / "crossover.png", folder / "two-way.html"
    write_output(picture, PICTURE, picture_bytes(picture_of_crossover(found), ".png"))
    write_build_report(bench, [bench.in_box(state, unit) for state in (AS_BOUGHT, MENDED)], page)
    yield ""
    yield f"wrote {build.path} (a build folder: try 'stillbox crossover {build.path} --state {AS_BOUGHT}')"
    yield f"wrote {picture}"
    yield f"wrote {page}"
