"""Nothing that a person asks for is written over what they have: no take, no file of a build, nothing else."""

from __future__ import annotations

import ast
import hashlib
import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
import soundfile
from invoked import one_line, run
from made_once import demonstration
from places import ROOT

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.output_file import (
    NETLIST,
    PAGE,
    PICTURE,
    PRINT,
    RESULTS,
    TABLE,
    TABLE_HEADS,
    TOUCHSTONE,
    OutputKind,
    check_output,
    write_output,
)
from stillbox.capture.sweep.excitation import Excitation, write_excitation

SWEEP = Excitation(seconds=0.3, silence_before_s=0.2, silence_after_s=0.2, repeats=1)

OUTPUTS = [
    (("curve", "BUILD", "1", "--csv"), ".csv"),
    (("curve", "BUILD", "1", "--touchstone"), ".z1p"),
    (("curve", "BUILD", "1", "--plot"), ".png"),
    (("decay", "BUILD", "1", "--csv"), ".csv"),
    (("decay", "BUILD", "1", "--plot"), ".svg"),
    (("compare", "BUILD", "stock", "lined", "--plot"), ".pdf"),
    (("compare", "BUILD", "stock", "lined", "--difference"), ".png"),
    (("driver", "BUILD", "--spice"), ".cir"),
    (("box", "BUILD", "--spice"), ".cir"),
    (("bass", "BUILD", "--csv"), ".csv"),
    (("bass", "BUILD", "--plot"), ".svg"),
    (("report", "BUILD", "--out"), ".html"),
    (("excitation",), ".wav"),
]
"""Every option that names a file to be written, with a suffix that fits."""


@pytest.fixture
def build(tmp_path: Path) -> BuildFolder:
    made = BuildFolder.create(tmp_path / "build", inside_mm=(600, 350, 280), rated_ohm=8)
    made.set_calibration(10.0)
    noise = 0.1 * np.random.default_rng(0).standard_normal((40_000, 2))
    for state in ("stock", "lined"):
        made.add_take(
            noise, "PCM_24", subject="in-box", state=state, excitation=SWEEP, sweep_starts=[9_600], origin="a.wav"
        )
    (made.path / "wastebasket").mkdir()
    return made


def tree(folder: Path) -> dict[str, str]:
    """Every name below a folder with a sum of what it holds."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
        for path in sorted(folder.rglob("*"))
    }


def refused(build: BuildFolder, command: tuple[str, ...], output: object) -> str:
    """The line in which a command refuses an output; the build is as it was."""
    before = tree(build.path)
    code, _, err = run(*(build.path if word == "BUILD" else word for word in command), output)
    assert code == 2
    assert tree(build.path) == before
    return one_line(err)


# Places


@pytest.mark.parametrize(("command", "suffix"), OUTPUTS)
def test_nothing_but_takes_is_written_into_takes_and_wastebasket(
    build: BuildFolder, tmp_path: Path, command: tuple[str, ...], suffix: str
) -> None:
    (tmp_path / "way-in").symlink_to(build.path / "takes", target_is_directory=True)
    (tmp_path / f"leads-in{suffix}").symlink_to(build.path / "wastebasket" / f"new{suffix}")
    (build.path / "takes" / "deeper").mkdir()
    for place in ("build/takes/new", "build/wastebasket/new", "build/takes/deeper/new", "way-in/new", "leads-in"):
        said = refused(build, command, tmp_path / f"{place}{suffix}")
        assert "holds nothing but takes; give a name outside of it" in said
    assert "holds nothing but takes" in refused(build, command, build.path / "takes" / ".." / "TAKES" / f"new{suffix}")


@pytest.mark.parametrize(("command", "suffix"), OUTPUTS)
@pytest.mark.parametrize("own", ["build.toml", "calibration.toml", "takes/0001-in-box-stock-A.json"])
def test_no_file_of_a_build_is_written_over(
    build: BuildFolder, tmp_path: Path, command: tuple[str, ...], suffix: str, own: str
) -> None:
    said = refused(build, command, build.path / own)
    assert "end in" in said or "holds nothing but takes" in said
    (tmp_path / f"link{suffix}").symlink_to(build.path / own)
    said = refused(build, command, tmp_path / f"link{suffix}")
    assert "never written over" in said or "holds nothing but takes" in said


def test_a_build_whose_description_is_gone_is_one_still(build: BuildFolder, tmp_path: Path) -> None:
    (build.path / "build.toml").unlink()
    with pytest.raises(StillboxError, match="holds nothing but takes"):
        check_output(build.path / "takes" / "new.csv", TABLE)


def test_a_file_that_shares_its_content_with_a_take_leaves_it(build: BuildFolder, tmp_path: Path) -> None:
    os.link(build.path / "takes" / "0001-in-box-stock-A.json", tmp_path / "curve.csv")
    with pytest.raises(StillboxError, match="is there and is not a table"):
        write_output(tmp_path / "curve.csv", TABLE, "a,b\n")
    (tmp_path / "table.csv").write_text(TABLE_HEADS["curve"] + "\n1,2,3,4,5\n")
    os.link(tmp_path / "table.csv", tmp_path / "other-name.txt")
    write_output(tmp_path / "table.csv", TABLE, "c,d\n")
    assert (tmp_path / "other-name.txt").read_text() == TABLE_HEADS["curve"] + "\n1,2,3,4,5\n"


def test_a_link_is_followed_where_it_may_be(tmp_path: Path) -> None:
    (tmp_path / "web").mkdir()
    (tmp_path / "page.html").symlink_to(tmp_path / "web" / "page.html")
    write_output(tmp_path / "page.html", PAGE, "<!DOCTYPE html>")
    assert (tmp_path / "page.html").is_symlink()
    assert (tmp_path / "web" / "page.html").read_text() == "<!DOCTYPE html>"
    (tmp_path / "a.csv").symlink_to(tmp_path / "b.csv")
    (tmp_path / "b.csv").symlink_to(tmp_path / "a.csv")
    with pytest.raises(StillboxError, match=r"cannot read .*b?a\.csv"):
        write_output(tmp_path / "a.csv", TABLE, "a,b\n")


@pytest.mark.parametrize("name", ["takes/demo", "takes", "wastebasket/x"])
@pytest.mark.parametrize("command", [("start",), ("demo", "--out")])
def test_no_build_is_made_among_takes(build: BuildFolder, command: tuple[str, ...], name: str) -> None:
    assert "holds nothing but takes" in refused(build, command, build.path / name)


def test_the_demonstration_writes_into_an_empty_folder_only(build: BuildFolder, tmp_path: Path) -> None:
    assert "is not empty; give a new folder" in refused(build, ("demo", "--out"), build.path)
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "report.html").write_text("<html>of my own</html>")
    assert "is not empty" in refused(build, ("demo", "--out"), tmp_path / "mine")


def test_two_outputs_need_two_names(build: BuildFolder, tmp_path: Path) -> None:
    (tmp_path / "same.png").symlink_to(tmp_path / "one.png")
    command = ("compare", "BUILD", "stock", "lined", "--plot", str(tmp_path / "one.png"), "--difference")
    assert "--plot and --difference name the same file" in refused(build, command, tmp_path / "same.png")


# Kinds


OF_ANOTHER_KIND: dict[str, bytes] = {
    "letter": b"Dear all,\nplease look, when you can, at this.\n\nYours\n",
    "sidecar": b'{\n  "stillbox": "take",\n  "format": 1, "number": 1\n}\n',
    "settings": b'# A build; edit it\nname = "my box"\n[driver]\ndiameter_mm = 131\n',
    "package": b'{"name": "page", "version": "1.0", "files": []}',
    "sound": b"RIFF\x24\x00\x00\x00WAVEfmt \x10\x00\x00\x00,,,\n,,,\n",
    "bytes": bytes(range(256)),
    "latin": "Gehäuse, groß\nmit, Öl\n".encode("latin-1"),
    "archive": b"PK\x03\x04,,\n,,\n",
}
KINDS: list[tuple[OutputKind, str, bytes, bytes]] = [
    (TABLE, ".csv", TABLE_HEADS["curve"].encode() + b"\n10,5,0,1,1\n", b"frequency_hz,resistance_ohm\n10,5.5\n"),
    (TABLE, ".csv", TABLE_HEADS["bass"].encode() + b"\r\n1,2,,,,0\r\n", "\ufeff# by hand\nf;Z \u03a9\n10;5\n".encode()),
    (PICTURE, ".png", b"\x89PNG\r\n\x1a\nSoftware\0Stillbox", b"\x89PNG\r\n\x1a\nrest"),
    (PICTURE, ".svg", b"<svg><title>Stillbox</title>", b'<?xml version="1.0"?>\n<!-- by hand -->\n<svg width="1">'),
    (PICTURE, ".pdf", b"%PDF-1.4\n" + 200_000 * b"x" + b"/Creator (Stillbox)\n%%EOF", b"%PDF-1.4\n"),
    (PRINT, ".pdf", b"%PDF-1.4\n" + "Stillbox".encode("utf-16-be"), b"%PDF-1.4\n"),
    (TOUCHSTONE, ".s1p", b"! written by Stillbox\n# Hz Z RI R 1\n10 5 0\n", b"! my speaker\n# Hz Z RI R 1\n10 5 0\n"),
    (PAGE, ".html", b'<!DOCTYPE html><meta name="generator" content="Stillbox 1">',
     b"\n<!doctype html><title>how I use Stillbox</title>"),
    (NETLIST, ".cir", b"* box\n* fitted by Stillbox\nr1 a 0 5\n.end\n", b"* box\nr1 a 0 5\n.end\n"),
    (RESULTS, ".json", b'{\n  "build": "box",\n  "unit": "A"\n}\n', b""),
]  # fmt: skip
"""Of each kind what Stillbox has written, and what somebody else has."""


@pytest.mark.parametrize(("kind", "suffix", "own", "others_own"), KINDS)
def test_what_stillbox_wrote_is_replaced_and_nothing_else(
    tmp_path: Path, kind: OutputKind, suffix: str, own: bytes, others_own: bytes
) -> None:
    path = tmp_path / f"there{suffix}"
    for content in (own, b""):
        path.write_bytes(content)
        write_output(path, kind, "new")
        assert path.read_text() == "new"
    different = [both for other, _, *both in KINDS if other is not kind and {other, kind} != {PICTURE, PRINT}]
    others = [one for both in different for one in both]
    for content in (*OF_ANOTHER_KIND.values(), *filter(None, others)):
        path.write_bytes(content)
        with pytest.raises(StillboxError, match=rf"is there and is not {kind.what}; give another name"):
            write_output(path, kind, "new")
        assert path.read_bytes() == content
    if others_own:
        path.write_bytes(others_own)
        with pytest.raises(StillboxError, match="is there and was not written by Stillbox; give another name"):
            write_output(path, kind, "new")
        assert path.read_bytes() == others_own
    assert [one.name for one in tmp_path.iterdir()] == [path.name]


AGAIN = [
    (("curve", "BUILD", "5", "--csv"), ".csv"),
    (("curve", "BUILD", "5", "--touchstone"), ".z1p"),
    *((("curve", "BUILD", "5", "--plot"), suffix) for suffix in PICTURE.suffixes),
    (("driver", "BUILD", "--spice"), ".cir"),
    (("excitation",), ".wav"),
]
"""A command for each kind of file (pages: `test_the_report_of_a_build`)."""


def test_what_is_asked_again_is_written_again(tmp_path: Path) -> None:
    """A script that repeats its commands goes on working; another sweep under the name of one is kept from it."""
    build = demonstration(tmp_path / "build")
    for command, suffix in AGAIN:
        for _ in range(2):
            words = (build.path if word == "BUILD" else word for word in command)
            code, _, err = run(*words, tmp_path / f"again{suffix}")
            assert code == 0, (command, err)
    before = tree(tmp_path)
    code, _, err = run("excitation", next(tmp_path.glob("*.wav")), "--seconds", "3")
    assert code == 2 and "is of another sweep, which every recording of that needs; give another name" in one_line(err)
    assert tree(tmp_path) == before


def test_what_is_no_file_stays(tmp_path: Path) -> None:
    (tmp_path / "folder.csv").mkdir()
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "device.csv").symlink_to("/dev/zero")
    for name, what in (("folder", "a folder"), ("pipe", "a pipe")):
        with pytest.raises(StillboxError, match=f"is {what}, not a file"):
            write_output(tmp_path / f"{name}.csv", TABLE, "a,b\n")
    with pytest.raises(StillboxError, match="leads to /dev/zero, whose name is not that of a table"):
        write_output(tmp_path / "device.csv", TABLE, "a,b\n")
    with pytest.raises(StillboxError, match="there is no folder"):
        write_output(tmp_path / "none" / "x.csv", TABLE, "a,b\n")


def test_a_part_file_of_somebody_else_stays(tmp_path: Path) -> None:
    (tmp_path / "x.csv.part").write_text("a download")
    write_output(tmp_path / "x.csv", TABLE, "a,b\n")
    assert (tmp_path / "x.csv.part").read_text() == "a download"


# Excitations


def test_an_excitation_replaces_nothing_but_an_excitation(tmp_path: Path) -> None:
    path = tmp_path / "sweep.wav"
    write_excitation(SWEEP, path)
    before = path.read_bytes()
    with pytest.raises(StillboxError, match="is of another sweep"):
        write_excitation(SWEEP.model_copy(update={"seconds": 0.4}), path)
    assert path.read_bytes() == before
    write_excitation(SWEEP, path)
    sound, settings = path.read_bytes(), path.with_suffix(".json").read_bytes()
    samples, rate_hz = soundfile.read(path)
    noise = 1e-4 * np.random.default_rng(0).standard_normal(samples.size)
    for name, spoilt, form in (
        ("the recording of it", samples + noise, "PCM_24"),
        ("as loud, without noise", 0.9 * samples, "PCM_24"),
        ("stereo", np.column_stack([samples, samples]), "PCM_24"),
        ("16 bit", samples, "PCM_16"),
        ("longer", np.append(samples, 0.0), "PCM_24"),
    ):
        soundfile.write(path, spoilt, rate_hz, subtype=form)
        before = path.read_bytes()
        with pytest.raises(StillboxError, match="is there and is not the sound of an excitation"):
            write_excitation(SWEEP, path)
        assert path.read_bytes() == before, name
    path.write_bytes(sound)
    path.with_suffix(".json").unlink()
    with pytest.raises(StillboxError, match="is not the sound of an excitation"):
        write_excitation(SWEEP, path)
    path.with_suffix(".json").write_text('{"build": "results"}')
    path.unlink()
    with pytest.raises(StillboxError, match="is not the JSON of an excitation"):
        write_excitation(SWEEP, path)
    assert not path.exists()
    path.with_suffix(".json").write_bytes(settings)


def test_a_recording_is_not_lost_to_an_excitation_of_its_name(tmp_path: Path) -> None:
    path = tmp_path / "bare.wav"
    soundfile.write(path, np.zeros((48_000, 2)), 48_000, subtype="PCM_24")
    before = path.read_bytes()
    code, _, err = run("excitation", path, "--seconds", "0.3")
    assert (code, path.read_bytes()) == (2, before)
    assert "bare.wav is there and is not the sound of an excitation; give another name" in one_line(err)


# Takes and wastebasket as links, and files that meet a name


@pytest.mark.parametrize("name", ["takes", "wastebasket"])
@pytest.mark.parametrize("inside", [False, True])
def test_a_link_in_place_of_takes_is_not_used(build: BuildFolder, tmp_path: Path, name: str, inside: bool) -> None:
    there = (build.path if inside else tmp_path) / "elsewhere"
    (build.path / name).rename(there)
    (build.path / name).symlink_to(there, target_is_directory=True)
    before = tree(there)
    noise = np.zeros((40_000, 2))
    with pytest.raises(StillboxError, match=f"{name} is a link, and nothing is read or written through it"):
        build.add_take(noise, "PCM_24", subject="open", excitation=SWEEP, sweep_starts=[9_600], origin="a.wav")
    if name == "takes":
        for command in (("takes",), ("takes", "--remove-unfinished"), ("findings",)):
            code, _, err = run(*command, build.path)
            assert code == 2
            assert "takes is a link" in one_line(err)
    from stillbox.capture.build.take_edit import remove_take, restore_take

    for change in (remove_take, restore_take):
        with pytest.raises(StillboxError, match=f"{name} is a link"):
            change(build, 1)
    assert tree(there) == before


def test_nothing_in_the_wastebasket_is_moved_over(build: BuildFolder) -> None:
    from stillbox.capture.build.take_edit import remove_take

    kept = build.path / "wastebasket" / "0001-in-box-stock-A.flac"
    kept.write_text("another take of that name")
    with pytest.raises(StillboxError, match="is there already, so take 1 stays"):
        remove_take(build, 1)
    assert kept.read_text() == "another take of that name"
    assert [info.number for info in build.takes()] == [1, 2]


# One home


def test_every_file_is_written_by_one_of_a_few() -> None:
    """Whoever writes a file of a person's choice goes through ``capture.files.output_file``."""
    allowed = {
        "capture": {"build_folder", "build_lock", "consent", "output_calibration", "output_file", "sidecar"}
        | {"air_edit", "description_edit", "kept_networks", "notebook_edit", "practice_build"},
        "analysis": {"demonstration"},
        "gui": {"settings"},
    }
    for room in ("capture", "analysis", "gui", "commands", "calibration"):
        for path in (ROOT / room).rglob("*.py"):
            names = {
                name.name
                for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
                if isinstance(node, ast.ImportFrom)
                for name in node.names
            }
            calls = {
                node.func.attr
                for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
            }
            assert "write_whole" not in names or path.stem in allowed.get(room, set()), path
            assert not calls & {"write_text", "write_bytes"}, path


def test_the_window_exports_through_the_same_home(build: BuildFolder, tmp_path: Path) -> None:
    from stillbox.analysis.box.topic import BOX
    from stillbox.analysis.topic import File
    from stillbox.gui.results.exports import document_of, files_of

    files = (
        File("--csv", "table", TABLE, lambda _, path: write_output(path, TABLE, "a,b\n")),
        File("--spice", "net", NETLIST, lambda _, path: write_output(path, NETLIST, ".end\n")),
    )
    for export in files_of(replace(BOX, files=files), cast(Any, None)):
        name = f"x{export.suffixes[0]}"
        with pytest.raises(StillboxError, match="holds nothing but takes"):
            export.write(build.path / "takes" / name)
        (tmp_path / name).write_text("precious")
        with pytest.raises(StillboxError, match="give another name"):
            export.write(tmp_path / name)
        (tmp_path / name).unlink()
        export.write(tmp_path / name)
    settings = shutil.copy(build.path / "takes" / "0001-in-box-stock-A.json", tmp_path / "sidecar.json")
    with pytest.raises(StillboxError, match="is not a document of results"):
        document_of(replace(BOX, document=lambda _: {"build": "x"}), cast(Any, None)).write(Path(settings))
