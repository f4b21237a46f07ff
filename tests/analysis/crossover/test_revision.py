"""What a changed crossover explains of what changed at the terminals, and what it does not."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from invented_findings import STD, finding, report

from stillbox.analysis.bench import Bench
from stillbox.analysis.comparison.topic import COMPARISON, ComparisonReport
from stillbox.analysis.crossover.revision import revision_of
from stillbox.analysis.impedance.findings import Cause
from stillbox.analysis.ringing.comparison import Change, Comparison
from stillbox.analysis.watched_build import Netlist
from stillbox.capture.recording.take import TakeInfo

TEXT = "* t\nL1 in w {henry}\nRL1 w x 0.3\nXwoofer x 0 W\nC2 in t 10u\nXtweeter t 0 T\n"


def invented(known: bool, seen: str = "") -> Bench:
    """Two takes under two netlists; the drivers are 6 ohm each, where they are known."""
    netlists = {1: Netlist("0001.cir", "for all takes", TEXT.format(henry="1m")),
                2: Netlist("0002.cir", "from state final on", TEXT.format(henry="2m"))}  # fmt: skip

    def impedance_of(unit: str, driver: str, hz: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
        return (np.full(hz.size, 6 + 0j), np.zeros(hz.size)) if known else None

    bench = SimpleNamespace(
        network_of=netlists.get,
        as_built=lambda take: None,
        kept=lambda what, take, compute: None,
        seen=lambda take: (seen, None),
        impedance_of=impedance_of,
        findings_of=lambda take: report(),
        comparison_of=lambda *takes: Comparison("stock", "final", "A", (), ()),
    )
    return cast(Bench, bench)


TAKES = [cast(TakeInfo, SimpleNamespace(number=number, unit="A", address="")) for number in (1, 2)]


def compared(hz: float, before_ohm: float, after_ohm: float, cause: Cause) -> Comparison:
    first, second = finding(hz, before_ohm, cause=cause), finding(hz, after_ohm, cause=cause)
    change = Change(hz, first, second, "reduced", (after_ohm - before_ohm) / STD, 0.01)
    return Comparison("stock", "final", "A", (change,), ())


def test_what_the_change_alone_does_is_told_at_the_terminals() -> None:
    """A coil of 1 or 2 mH before 6 ohm: at 800 Hz the impedance moves by some ohms, at 40 Hz by hardly any."""
    revision = revision_of(invented(known=True), TAKES, compared(800.0, 3.0, 1.0, "undecided"))
    assert revision is not None and revision.sentences[0] == "the crossover was changed: L1 1 → 2 mH"
    assert "the changed crossover alone moves the impedance by" in revision.explained[800.0]
    revision = revision_of(invented(known=True), TAKES, compared(40.0, 3.0, 1.0, "undecided"))
    assert revision is not None and revision.explained == {}


def test_a_resonance_of_the_driver_seen_through_it_is_not_explained() -> None:
    revision = revision_of(invented(known=True, seen="woofer"), TAKES, compared(800.0, 3.0, 1.0, "wall"))
    assert revision is not None and revision.explained == {}


@pytest.mark.parametrize(("cause", "told"), [("crossover", True), ("wall", False)])
def test_without_the_drivers_only_bumps_of_the_crossover_are_told(cause: Cause, told: bool) -> None:
    revision = revision_of(invented(known=False), TAKES, compared(800.0, 3.0, 1.0, cause))
    assert revision is not None
    assert ("which was changed (L1 1 → 2 mH)" in revision.explained.get(800.0, "")) is told


def test_compare_names_what_differs() -> None:
    """On the terminal, for other programs, and in the report of two states."""
    bench = invented(known=True)
    comparison = bench.comparison_of(*TAKES)
    told = ComparisonReport(bench, (TAKES[0], TAKES[1]), comparison, "", revision_of(bench, TAKES, comparison))
    assert "the crossover was changed: L1 1 → 2 mH" in list(COMPARISON.said(told, False))
    assert COMPARISON.document is not None
    (one,) = COMPARISON.document(told)["network"]["differences"]
    assert one == {"name": "L1", "what": "value", "before": 1e-3, "after": 2e-3, "words": "L1 1 → 2 mH"}
    sections = {section.title: section for section in COMPARISON.sections(bench, TAKES)}
    assert sections["Crossover"].parts[0].sentences == ("the crossover was changed: L1 1 → 2 mH",)
