"""The session's bench is that of the build as it is now, whatever happens while it is renewed."""

from __future__ import annotations

import threading
from dataclasses import FrozenInstanceError, replace
from pathlib import Path

import pytest
from recorded import RecordedBuild

from stillbox.analysis.bench import Bench
from stillbox.analysis.drawing.panels import Panel
from stillbox.capture.sweep.excitation import Excitation
from stillbox.gui.results.view import Results, Row
from stillbox.gui.work.session import Session

SHORT = Excitation(seconds=2.0, silence_before_s=0.5, silence_after_s=0.5, repeats=1)


@pytest.fixture
def build(tmp_path: Path) -> RecordedBuild:
    build = RecordedBuild.create(tmp_path / "build", SHORT)
    build.add(8.0, "in-box", state="stock")
    return build


def test_a_take_swept_while_the_bench_renews_is_there_the_next_time(
    build: RecordedBuild, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = Session(build.folder.path)
    assert len(session.bench().takes) == 1
    renewed = Bench.renewed

    def interrupted(bench: Bench) -> Bench:
        new = renewed(bench)
        assert len(new.takes) == 1  # the disk has been read
        build.add(8.0, "in-box", state="lined")
        session.changed()
        return new

    monkeypatch.setattr(Bench, "renewed", interrupted)
    session.changed()
    session.bench()
    monkeypatch.undo()
    assert [take.state for take in session.bench().takes] == ["stock", "lined"]
    same = session.bench()
    assert session.bench() is same, "nothing has changed since"


def test_a_renewal_that_fails_is_tried_again(build: RecordedBuild, monkeypatch: pytest.MonkeyPatch) -> None:
    session = Session(build.folder.path)
    old = session.bench()
    session.changed()

    def fails(_: Bench) -> Bench:
        raise OSError("the disk sleeps")

    with monkeypatch.context() as patch:
        patch.setattr(Bench, "renewed", fails)
        with pytest.raises(OSError, match="sleeps"):
            session.bench()
    assert session.bench() is not old


def test_threads_that_ask_at_once_get_one_bench(build: RecordedBuild) -> None:
    session, found = Session(build.folder.path), list[Bench]()
    threads = [threading.Thread(target=lambda: found.append(session.bench())) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert len(found) == 8 and len({id(one) for one in found}) == 1


def test_what_goes_from_lane_to_lane_cannot_be_changed() -> None:
    asked = {"volume_percent": 50.0}
    results = Results("A sentence.", rows=(Row(None, "", "fs", "40 Hz"),), asked=asked)
    asked["volume_percent"] = 70.0
    assert results.asked == {"volume_percent": 50.0} and replace(results, sentence="").asked == results.asked
    with pytest.raises(TypeError):
        results.asked["volume_percent"] = 1.0  # type: ignore[index]
    for one in (results, Panel(print, 1.0, 1.0)):
        with pytest.raises(FrozenInstanceError):
            one.title = "other"  # type: ignore[misc]
