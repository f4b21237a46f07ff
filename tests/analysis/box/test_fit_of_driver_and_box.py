"""What the fits of driver and box tell beside their numbers, in JSON and with --all."""

from __future__ import annotations

import json
from typing import Any

import pytest
from made_once import demonstration

from stillbox.analysis.bench import Bench
from stillbox.analysis.box.box_fit import CLOSED_PORT, remedies
from stillbox.analysis.box.box_report import BoxReport
from stillbox.analysis.box.box_words import box_document
from stillbox.analysis.box.topic import BOX
from stillbox.analysis.driver.driver_words import driver_document
from stillbox.analysis.driver.topic import DRIVER
from stillbox.analysis.topic import Topic


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(demonstration(tmp_path_factory.mktemp("fits") / "build"))


def said(topic: Topic[Any], result: object, everything: bool) -> list[str]:
    return [line for line in topic.said(result, everything) if isinstance(line, str)]


def test_numbers_of_the_driver_are_those_of_the_document(bench: Bench) -> None:
    document = driver_document(DRIVER.compute(bench, {}))
    numbers = {one["name"]: one for one in document["fit"]["numbers"]}
    for name in ("re_ohm", "fs_hz", "qms", "qes", "inductance_1khz_mh"):
        assert numbers[name]["value"] == pytest.approx(document["parameters"][name]["value"], rel=1e-9)
        assert 0 < numbers[name]["std"] <= document["parameters"][name]["std"] * (1 + 1e-9)
    assert "creep_factor" not in document["parameters"]
    assert numbers["creep_factor"] == pytest.approx(
        {"name": "creep_factor", "value": 0.0, "std": None, "reason": "left out", "bound": None, "off_std": 0.0}
    )
    json.dumps(document, allow_nan=False)


@pytest.fixture(scope="module")
def lined(bench: Bench) -> Any:
    return BOX.compute(bench, {"state": "lined"})


def test_numbers_of_the_box_are_those_of_the_document(lined: Any) -> None:
    document = box_document(lined.box)
    numbers = {one["name"]: one for one in document["fit"]["numbers"]}
    for name in ("alpha", "fb_hz"):
        assert numbers[name]["value"] == pytest.approx(document["parameters"][name]["value"], rel=1e-9)
    for name in ("absorption", "port", "leakage"):
        told = document["losses"][name]
        expected = 0.0 if told is None or told["reciprocal"] is None else told["reciprocal"]["value"]
        assert numbers[name]["value"] == pytest.approx(expected, abs=1e-9)
    assert document["fit"]["converged"]


def test_what_cannot_be_told_apart_says_what_would_part_it(lined: Any) -> None:
    """Filling and port both damp the tuning: without a take with the port closed the one passes for the other."""
    fit = box_document(lined.box)["fit"]
    pairs = {frozenset(one["names"]): one["coefficient"] for one in fit["correlations"]}
    assert abs(pairs[frozenset(("absorption", "port"))]) >= 0.9
    assert any(CLOSED_PORT in sentence and "1/QA and 1/QP" in sentence for sentence in fit["sentences"])


def test_the_take_that_was_made_is_not_asked_for_again(lined: Any) -> None:
    report: BoxReport = lined.box
    assert not report.port_closed
    assert CLOSED_PORT in remedies(report.fit, port_closed=False).values()
    assert CLOSED_PORT not in remedies(report.fit, port_closed=True).values()


def test_all_of_it_is_said_where_that_is_asked_for(bench: Bench, lined: Any) -> None:
    for topic, result in ((DRIVER, DRIVER.compute(bench, {})), (BOX, lined)):
        short, whole = said(topic, result, False), said(topic, result, True)
        assert "the fit:" in whole and "the fit:" not in short
        assert set(short) < set(whole)
        assert topic.document is not None
        sentences = topic.document(result)["fit"]["sentences"]
        assert [line for line in whole if line not in short] == ["the fit:", *(f"  - {one}" for one in sentences)]
