"""Builds that are made once in a run are whole, and everybody's copy is their own."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from made_once import copy_of, made_once
from practice_takes import practice_takes

from stillbox.capture.build.build_folder import BuildFolder


def test_it_is_made_once_and_copied(tmp_path: Path) -> None:
    made: list[Path] = []

    def make(target: Path) -> None:
        made.append(target)
        target.mkdir()
        (target / "file").write_text("as made")

    for number in range(2):  # as by two workers
        with made_once(tmp_path / "kept"):
            copy = copy_of("name", tmp_path / f"copy {number}", make)
        assert (copy / "file").read_text() == "as made"
        (copy / "file").write_text("changed")
    assert len(made) == 1
    with made_once(tmp_path / "kept"):
        copy_of("other", tmp_path / "copy 2", make)
    assert len(made) == 2


def test_who_asks_while_it_is_made_waits_and_what_failed_is_made_again(tmp_path: Path) -> None:
    begun, made = threading.Event(), list[Path]()

    def make(target: Path) -> None:
        begun.set()
        made.append(target)
        target.mkdir()
        (target / "file").write_text("half")
        if len(made) == 1:
            raise OSError("the disk is full")
        (target / "file").write_text("whole")

    with made_once(tmp_path / "kept"):
        with pytest.raises(OSError, match="full"):
            copy_of("name", tmp_path / "none", make)
        assert not (tmp_path / "none").exists()
        first = threading.Thread(target=copy_of, args=("name", tmp_path / "first", make))
        first.start()
        assert begun.wait(5)
        second = copy_of("name", tmp_path / "second", make)
        first.join()
    assert len(made) == 2
    assert [(path / "file").read_text() for path in (tmp_path / "first", second)] == ["whole", "whole"]


def test_a_practice_build_is_the_same_wherever_it_is_asked_for(tmp_path: Path) -> None:
    takes = (("free-air", None), ("free-air", None))
    builds = [BuildFolder.open(practice_takes(tmp_path / name, takes)) for name in ("first", "second")]
    first, second = ([take.samples_sha256 for take in build.takes()] for build in builds)
    assert first == second and len(set(first)) == 2, "what is swept again has other noise"
    assert builds[0].takes() == builds[1].takes()
    assert {build.path.name for build in builds} == {"practice, bare box"}
    assert builds[0].description.name == "practice, bare box"
