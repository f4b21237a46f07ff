"""Published alignments: every row of the tables, to the digits printed there."""

from __future__ import annotations

import numpy as np
import pytest

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

LOSSLESS = 1e12

# Closed boxes: Small, JAES 20(10) 798-808, 1972 [M]; project check values, section 3.
CLOSED = (
    (0.5, 1.5538, 0.0, None),
    (0.5774, 1.2720, 0.0, None),
    (0.7071, 1.0000, 0.0, None),
    (0.8, 0.8972, 0.213, 2.138),
    (0.9, 0.8295, 0.688, 1.616),
    (1.0, 0.7862, 1.249, 1.414),
    (1.1, 0.7567, 1.833, 1.305),
    (1.2, 0.7358, 2.412, 1.238),
    (1.5, 0.6993, 4.033, 1.134),
    (2.0, 0.6736, 6.301, 1.069),
)


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


# B4: Small, "Vented-Box Loudspeaker Systems" I, JAES 21, 1973 [M]; project check values, section 2.
B4 = (
    (LOSSLESS, 0.3827, 1.4142),
    (20.0, 0.3901, 1.2861),
    (15.0, 0.3927, 1.2444),
    (10.0, 0.3979, 1.1629),
    (7.0, 0.4048, 1.0613),
    (5.0, 0.4144, 0.9316),
    (3.0, 0.4386, 0.6543),
)


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


@pytest.mark.parametrize(
    ("ql", "qt", "alpha", "h", "f3"),
    [(7.0, 0.3312, 1.9076, 0.97354, 1.4941), (LOSSLESS, 0.3162, 2.3333, 0.9759, 1.4959)],
)
def test_bessel(ql: float, qt: float, alpha: float, h: float, f3: float) -> None:
    # First row from the same page of alignment tables; second re-derived in the project check values.
    found = bl4(ql)
    assert found.qt == pytest.approx(qt, abs=5.1e-5)
    assert found.alpha == pytest.approx(alpha, abs=5.1e-5)
    assert found.h == pytest.approx(h, abs=5.1e-6 if ql == 7.0 else 5.1e-5)
    assert found.f3_over_fs == pytest.approx(f3, abs=5.1e-5)


# QB3: Thiele, "Loudspeakers in Vented Boxes", JAES 19, 1971, table I [M] for the rows marked T; project check values.
QB3 = (
    (LOSSLESS, 0.370, 1.0285, 1.5944, 1.0625),
    (LOSSLESS, 0.350, 1.0784, 1.9188, 1.1679),
    (LOSSLESS, 0.303, 1.2244, 2.9469, 1.4481),
    (LOSSLESS, 0.300, 1.2354, 3.0293, 1.4679),
    (LOSSLESS, 0.259, 1.4133, 4.4563, 1.7721),
    (LOSSLESS, 0.209, 1.7298, 7.4543, 2.2738),
    (LOSSLESS, 0.180, 1.9968, 10.4449, 2.6792),
    (7.0, 0.40, 1.0106, 1.1141, 1.0214),
    (7.0, 0.37, 1.0834, 1.4905, 1.1651),
    (7.0, 0.35, 1.1395, 1.7964, 1.2702),
    (7.0, 0.32, 1.2376, 2.3667, 1.4439),
    (7.0, 0.30, 1.3145, 2.8452, 1.5732),
    (7.0, 0.25, 1.5629, 4.5822, 1.9667),
    (7.0, 0.20, 1.9393, 7.7775, 2.5289),
)
THIELE = ((0.303, 1.23, 2.95, 1.45), (0.259, 1.42, 4.46, 1.77), (0.209, 1.73, 7.48, 2.28), (0.180, 2.00, 10.48, 2.68))


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


# C4: Thiele 1971 [M]; project check values, section 2. QT, h, alpha, f3/fs without losses and for QL 7; ripple.
C4 = (
    (0.8, (0.4148, 0.9282, 1.0547, 0.8671), (0.4410, 0.9189, 0.7451, 0.8627), 0.003),
    (0.6, (0.4650, 0.8288, 0.7289, 0.7282), (0.4988, 0.8051, 0.4679, 0.7177), 0.068),
    (0.5, (0.5053, 0.7702, 0.5890, 0.6582), (0.5465, 0.7364, 0.3517, 0.6436), 0.214),
    (0.4, (0.5685, 0.7087, 0.4697, 0.5904), (0.6231, 0.6614, 0.2513, 0.5703), 0.586),
)


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
