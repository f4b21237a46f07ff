"""Published alignments: every row of the tables, to the digits printed there."""

from __future__ import annotations

import numpy as np
import pytest
from reference.published import B4, BL4, C4, CLOSED, LOSSLESS, QB3, THIELE

from stillbox.analysis.physics.alignments import (
    IN_WORDS,
    alignment_for,
    b4,
    bl4,
    c4,
    closed_alignment,
    coefficients,
    qb3,
)
from stillbox.capture.errors import StillboxError


@pytest.mark.parametrize(("qtc", "f3", "peak", "at"), CLOSED)
def test_closed_boxes(qtc: float, f3: float, peak: float, at: float | None) -> None:
    # 0.5774 and 0.7071 stand for 1/sqrt 3 and 1/sqrt 2.
    exact = {0.5774: 3**-0.5, 0.7071: 2**-0.5}.get(qtc, qtc)
    found = closed_alignment(exact)
    assert found.f3_over_fc == pytest.approx(f3, abs=5.1e-5)
    assert found.peak_db == pytest.approx(peak, abs=5.1e-4)
    assert found.peak_over_fc is None if at is None else found.peak_over_fc == pytest.approx(at, abs=5.1e-4)


def test_names_of_closed_boxes() -> None:
    names = [closed_alignment(q).name for q in (0.4, 0.5, 0.577, 0.64, 0.707, 1.0)]
    assert names == [
        "overdamped", "critically damped", "BL2 (Bessel)", "between BL2 and B2", "B2 (Butterworth)", "C2 (Chebyshev)"
    ]  # fmt: skip


@pytest.mark.parametrize(("ql", "qt", "alpha"), B4)
def test_b4(ql: float, qt: float, alpha: float) -> None:
    found = b4(ql)
    assert (found.h, found.f3_over_fs) == (1.0, 1.0)
    assert found.qt == pytest.approx(qt, abs=5.1e-5)
    assert found.alpha == pytest.approx(alpha, abs=5.1e-5)
    # Maximally flat: 1/|G|^2 = 1 + w^-8.
    a1, a2, a3 = coefficients(found.qt, 1.0, found.alpha, ql)
    assert (a1**2 - 2 * a2, a2**2 + 2 - 2 * a1 * a3, a3**2 - 2 * a2) == pytest.approx((0, 0, 0), abs=1e-6)


def test_b4_row_of_the_alignment_tables() -> None:
    # sites.google.com/site/diyloudspeakerdesign, alignment tables: QL 7, f10/fs 0.7598 = (1/9)^(1/8).
    a = coefficients(b4(7.0).qt, 1.0, b4(7.0).alpha, 7.0)
    s = 1j * 0.7598
    level = 20 * np.log10(abs(s**4 / (s**4 + a[0] * s**3 + a[1] * s**2 + a[2] * s + 1)))
    assert level == pytest.approx(-10.0, abs=5e-3)


@pytest.mark.parametrize(("ql", "qt", "alpha", "h", "f3"), BL4)
def test_bessel(ql: float, qt: float, alpha: float, h: float, f3: float) -> None:
    found = bl4(ql)
    assert found.qt == pytest.approx(qt, abs=5.1e-5)
    assert found.alpha == pytest.approx(alpha, abs=5.1e-5)
    assert found.h == pytest.approx(h, abs=5.1e-6 if ql == 7.0 else 5.1e-5)
    assert found.f3_over_fs == pytest.approx(f3, abs=5.1e-5)


@pytest.mark.parametrize(("ql", "qt", "h", "alpha", "f3"), QB3)
def test_qb3(ql: float, qt: float, h: float, alpha: float, f3: float) -> None:
    found = qb3(qt, ql)
    for value, printed in ((found.h, h), (found.alpha, alpha), (found.f3_over_fs, f3)):
        assert value == pytest.approx(printed, abs=5.1e-5)


@pytest.mark.parametrize(("qt", "h", "alpha", "f3"), THIELE)
def test_qb3_against_thieles_own_digits(qt: float, h: float, alpha: float, f3: float) -> None:
    # Printed from a QT of three digits: the last digit of the table may move with it.
    found = qb3(qt, LOSSLESS)
    assert (found.h, found.alpha, found.f3_over_fs) == pytest.approx((h, alpha, f3), rel=6e-3)


@pytest.mark.parametrize(("k", "lossless", "lossy", "ripple"), C4)
def test_c4(k: float, lossless: tuple[float, ...], lossy: tuple[float, ...], ripple: float) -> None:
    for ql, row in ((LOSSLESS, lossless), (7.0, lossy)):
        found = c4(k, ql)
        assert (found.qt, found.h, found.alpha, found.f3_over_fs) == pytest.approx(row, abs=5.1e-5)
        assert found.ripple_db == pytest.approx(ripple, abs=5.1e-4)


def test_a_published_chebyshev_row() -> None:
    # es.scribd.com/document/700105709: QL 7, QTS 0.60: h 0.68, alpha 0.275, f3/fs 0.588, ripple 0.46 dB.
    found = alignment_for(0.60, 7.0)
    assert found is not None
    assert found.name == "C4"
    assert (found.h, found.alpha) == (pytest.approx(0.68, abs=5e-3), pytest.approx(0.275, abs=5e-4))
    assert (found.f3_over_fs, found.ripple_db) == (pytest.approx(0.588, abs=5e-4), pytest.approx(0.46, abs=5e-3))


@pytest.mark.parametrize(("qt", "name"), [(0.25, "QB3"), (0.40481, "B4"), (0.45, "C4")])
def test_the_family_follows_the_drivers_q(qt: float, name: str) -> None:
    found = alignment_for(qt, 7.0)
    assert found is not None
    assert found.name == name
    assert found.qt == pytest.approx(qt, rel=1e-3)
    assert {name, bl4(7.0).name} <= set(IN_WORDS)


def test_what_no_alignment_can_do() -> None:
    assert alignment_for(2.0, 7.0) is None
    assert alignment_for(0.05, 7.0) is None
    with pytest.raises(StillboxError, match="QB3 asks"):
        qb3(0.6, 7.0)
    with pytest.raises(StillboxError, match="Chebyshev"):
        c4(1.2, 7.0)
    with pytest.raises(StillboxError, match="Qtc"):
        closed_alignment(0.0)
