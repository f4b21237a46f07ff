"""Exported files, read back by others: scikit-rf for Touchstone, the csv and json modules for the rest."""

from __future__ import annotations

import csv
import io
import json
import os
from pathlib import Path

import invented_speaker
import numpy as np
import pytest
import skrf

from stillbox.analysis.comparison.comparison_document import comparison_document
from stillbox.analysis.curve.curve_files import (
    CURVE_COLUMNS,
    curve_csv,
    curve_touchstone,
    write_curve_csv,
    write_touchstone,
)
from stillbox.analysis.decay.decay_files import decay_csv, write_decay_csv
from stillbox.analysis.findings.findings_document import findings_document
from stillbox.analysis.ringing.comparison import Change, Comparison
from stillbox.analysis.waterfall.decay import cumulative_spectral_decay
from stillbox.analysis.waterfall.decay_response import decay_on_log_grid, decay_response
from stillbox.capture.errors import StillboxError
from stillbox.capture.files.whole_file import write_whole

FIT = invented_speaker.fit()
CURVE = invented_speaker.curve(FIT)


def test_a_file_needs_a_name() -> None:
    with pytest.raises(StillboxError, match="is no name of a file"):
        write_whole(Path(), "x")


def test_curve_csv_holds_the_curve() -> None:
    text = curve_csv(CURVE)
    assert text.splitlines()[0] == "frequency_hz,resistance_ohm,reactance_ohm,resistance_std_ohm,reactance_std_ohm"
    rows = np.array([[float(cell) for cell in row] for row in list(csv.reader(io.StringIO(text)))[1:]])
    np.testing.assert_allclose(rows[:, 0], CURVE.frequency_hz, rtol=1e-8)
    np.testing.assert_allclose(rows[:, 1] + 1j * rows[:, 2], CURVE.impedance_ohm, rtol=1e-8)
    np.testing.assert_allclose(rows[:, 3] ** 2, CURVE.covariance_ohm2[:, 0, 0], rtol=1e-7)
    np.testing.assert_allclose(rows[:, 4] ** 2, CURVE.covariance_ohm2[:, 1, 1], rtol=1e-7)


@pytest.mark.parametrize("name", ["speaker.z1p", "speaker.s1p", "SPEAKER.S1P"])
def test_scikit_rf_reads_the_touchstone_file(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    write_touchstone(path, CURVE, "bench-pair\nin-box/stock/A")
    text = path.read_text()
    assert text.splitlines()[:4] == ["! written by Stillbox", "! bench-pair", "! in-box/stock/A", "# Hz Z RI R 1"]
    network = skrf.Network(str(path))
    assert network.nports == 1
    np.testing.assert_allclose(network.f, CURVE.frequency_hz, rtol=1e-8)
    np.testing.assert_allclose(network.z[:, 0, 0], CURVE.impedance_ohm, rtol=1e-7)


def test_touchstone_file_needs_its_suffix(tmp_path: Path) -> None:
    with pytest.raises(StillboxError, match=r"\.z1p or \.s1p, not '\.txt'"):
        write_touchstone(tmp_path / "speaker.txt", CURVE)
    assert list(tmp_path.iterdir()) == []


def test_a_comment_cannot_break_out_of_its_lines() -> None:
    lines = curve_touchstone(CURVE, "one\n1 2 3\r\nfour").splitlines()
    assert [line[0] for line in lines[:5]] == ["!", "!", "!", "!", "#"]


def test_decay_csv_has_a_line_for_each_point() -> None:
    decay = decay_on_log_grid(decay_response(invented_speaker.spectrum(FIT), FIT), slices=7, points=30)
    rows = list(csv.DictReader(io.StringIO(decay_csv(decay))))
    assert list(rows[0]) == ["time_s", "frequency_hz", "level_db", "noise_floor_db", "meaningful"]
    assert len(rows) == 7 * 30
    row = rows[3 * 30 + 11]
    assert float(row["time_s"]) == pytest.approx(decay.time_s[3], rel=1e-6)
    assert float(row["frequency_hz"]) == pytest.approx(decay.frequency_hz[11], rel=1e-6)
    assert float(row["level_db"]) == pytest.approx(20 * np.log10(decay.magnitude[3, 11]), abs=1e-3)
    assert row["meaningful"] == str(int(decay.meaningful[3, 11]))
    assert {row["meaningful"] for row in rows} == {"0", "1"}


def test_decay_csv_in_cycles_has_them_first() -> None:
    response = decay_response(invented_speaker.spectrum(FIT), FIT)
    decay = decay_on_log_grid(response, cycles=np.array([-3.0, 0.0, 4.0]), points=20)
    rows = list(csv.DictReader(io.StringIO(decay_csv(decay))))
    assert next(iter(rows[0])) == "cycles"
    assert float(rows[-1]["cycles"]) == 4.0
    last_hz, last_s = float(rows[-1]["frequency_hz"]), float(rows[-1]["time_s"])
    assert last_hz * last_s == pytest.approx(4.0, rel=0.4)  # rounded to whole samples at the highest frequency


def test_an_unknown_noise_floor_is_left_empty() -> None:
    decay = cumulative_spectral_decay(np.ones(16), 100.0, slices=2)
    assert all(row["noise_floor_db"] == "" for row in csv.DictReader(io.StringIO(decay_csv(decay))))


def test_findings_document_has_the_agreed_keys() -> None:
    document = json.loads(json.dumps(findings_document(invented_speaker.report(FIT))))
    keys = ["build", "state", "unit", "of", "summary", "good_enough", "findings"]
    assert list(document) == [*keys, "at_terminals", "detection_limit", "warnings"]
    assert list(document["findings"][0]) == [
        "frequency_hz",
        "frequency_std_hz",
        "q",
        "q_std",
        "height_ohm",
        "height_std_ohm",
        "noise",
        "repeats",
        "cause",
        "confidence",
        "evidence",
        "advice",
        "rings_out_s",
    ]
    assert [round(finding["frequency_hz"]) for finding in document["findings"]] == [178, 287, 512, 1180]
    assert document["findings"][1]["q"] == pytest.approx(16.0)
    assert document["findings"][1]["height_ohm"] == pytest.approx(1.9)
    assert document["findings"][1]["cause"] == "standing wave"
    assert list(document["detection_limit"]) == ["frequency_hz", "height_ohm"]
    assert len(document["detection_limit"]["height_ohm"]) == len(document["detection_limit"]["frequency_hz"]) > 0


def test_comparison_document_has_the_agreed_keys() -> None:
    before, after = invented_speaker.report(FIT).findings[1:3], invented_speaker.report(FIT, "lined").findings[3:]
    changes = (
        Change(287.0, before[0], None, "gone", -150.0, 0.009),
        Change(512.0, before[1], before[1], "unchanged", 0.0, 0.01),
        Change(1180.0, None, after[0], "new", 80.0, 0.011),
    )
    comparison = Comparison("stock", "lined", "A", changes, (), ("a warning",))
    document = json.loads(json.dumps(comparison_document(comparison)))
    assert {key: document[key] for key in ("before", "after", "unit", "warnings")} == {
        "before": "stock",
        "after": "lined",
        "unit": "A",
        "warnings": ["a warning"],
    }
    keys = ["frequency_hz", "before", "after", "verdict", "significance", "detection_limit_ohm"]
    assert [list(change) for change in document["changes"]] == [keys] * 3
    gone, unchanged, new = document["changes"]
    assert gone["after"] is None and new["before"] is None
    assert gone["before"] == unchanged["before"] | {
        key: gone["before"][key]
        for key in ("frequency_hz", "frequency_std_hz", "q", "q_std", "height_ohm", "noise", "evidence")
    }
    assert [change["verdict"] for change in document["changes"]] == ["gone", "unchanged", "new"]
    assert gone["detection_limit_ohm"] == 0.009 and gone["significance"] == -150.0


def test_files_appear_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "curve.csv"
    before = f"{CURVE_COLUMNS}\n10,1,0,0,0\n"
    path.write_text(before)

    def full_disk(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(StillboxError, match="No space left on device"):
        write_curve_csv(path, CURVE)
    assert path.read_text() == before
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("place", ["nowhere/curve.csv", "a-file/curve.csv"])
def test_a_folder_that_is_none(tmp_path: Path, place: str) -> None:
    (tmp_path / "a-file").write_text("")
    decay = cumulative_spectral_decay(np.ones(16), 100.0, slices=2)
    with pytest.raises(StillboxError, match="cannot write"):
        write_decay_csv(tmp_path / place, decay)
