"""Pictures: drawn without warnings, with every mark, word and panel in place. No pixels are compared."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import invented_speaker
import matplotlib
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Annotation, Text

from stillbox.analysis.drawing.cause_signs import CAUSE_SIGNS
from stillbox.analysis.drawing.layout import lay_out, picture_bytes, save_picture
from stillbox.analysis.drawing.medium import paper
from stillbox.analysis.drawing.panels import PictureDescription
from stillbox.analysis.drawing.picture_curves import magnitude_difference, magnitude_std_ohm, phase_std_deg
from stillbox.analysis.drawing.picture_decay import draw_heat, draw_ridges
from stillbox.analysis.drawing.picture_marks import (
    FOOT_ROWS,
    LABEL_GAP_PT,
    LANE_PT,
    MOST_LABELS,
    OVERHANG_PT,
    SMALL_MARKER_PT,
    Mark,
    foot_rows,
    marks_of_findings,
    place_labels,
)
from stillbox.analysis.drawing.picture_style import (
    AFTER,
    ALONE,
    BEFORE,
    HEAT,
    TEXT_PT,
    figure_bytes,
    frequency_axis,
    new_figure,
    text_width_pt,
    tick_text,
)
from stillbox.analysis.drawing.pictures import (
    PicturedState,
    picture_of_curve,
    picture_of_decay,
    picture_of_difference,
    picture_of_findings,
    picture_overlay,
)
from stillbox.analysis.impedance.findings import Finding
from stillbox.analysis.maths.number_words import frequency_words
from stillbox.analysis.ringing.comparison import Change, Comparison, Verdict
from stillbox.analysis.waterfall.decay import cumulative_spectral_decay
from stillbox.analysis.waterfall.decay_response import decay_of_response, decay_on_log_grid, decay_response
from stillbox.capture.errors import StillboxError

VENTED_AFTER = ((22.4, 5.0, 27.0), (60.0, 3.9, 23.0))


def pictured(parts: tuple, motional: tuple, name: str, seed: int) -> PicturedState:
    fit = invented_speaker.fit(parts, motional)
    response = decay_response(invented_speaker.spectrum(fit, seed=seed), fit)
    return PicturedState(
        name,
        invented_speaker.curve(fit, seed=seed),
        invented_speaker.report(fit, name),
        decay_on_log_grid(response, slices=60, span_s=0.1, points=240),
    )


STOCK = pictured(invented_speaker.BARE, invented_speaker.VENTED, "stock", 1)
LINED = pictured(invented_speaker.LINED, VENTED_AFTER, "lined", 2)


def change(before: Finding | None, after: Finding | None, verdict: Verdict) -> Change:
    named = before or after
    assert named is not None
    return Change(named.resonance.frequency_hz, before, after, verdict, -12.0, 0.008)


def comparison() -> Comparison:
    assert STOCK.findings is not None and LINED.findings is not None
    before, after = STOCK.findings.findings, LINED.findings.findings
    changes = (
        change(before[0], after[0], "reduced"),
        change(before[1], None, "gone"),
        change(before[2], None, "gone"),
        change(before[3], after[1], "unchanged"),
    )
    return Comparison("stock", "lined", "A", changes, ())


def on_paper(picture: PictureDescription, width_in: float | None = None) -> Figure:
    return lay_out(picture, replace(paper(width_in or picture.width_in), dpi=100.0)).figure


def words(figure: Figure) -> list[str]:
    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


def markers(figure: Figure) -> list[str]:
    """Causes of the marks in the row of labels."""
    lines = [line for axes in figure.axes for line in axes.lines]
    return [str(line.get_gid())[5:] for line in lines if str(line.get_gid()).startswith("mark ")]


def panels(figure: Figure) -> list[Axes]:
    """Axes from top to bottom that show data over frequency."""
    return [axes for axes in figure.axes if axes.axison and axes.get_xscale() == "log"]


def test_the_picture_of_one_state() -> None:
    figure = on_paper(picture_of_findings("bench-pair, unit A", [STOCK]))
    assert markers(figure) == ["wall", "standing wave", "standing wave", "driver"]
    shown = words(figure)
    for label in ("178 Hz wall", "287 Hz standing wave", "512 Hz standing wave", "1.18 kHz driver"):
        assert label in shown
    for label in ("bench-pair, unit A", "Impedance, Ω", "Height, Ω", "Time, ms", "Frequency, Hz", "decay, stock"):
        assert label in shown
    assert "Phase (thin line)" in shown
    assert figure_bytes(figure, ".png").startswith(b"\x89PNG")


@pytest.mark.parametrize("decay_style", ["ridges", "heat"])
def test_the_picture_of_two_states(decay_style: str) -> None:
    figure = on_paper(picture_of_findings("pair", [STOCK, LINED], comparison(), decay_style=decay_style))
    shown = words(figure)
    for label in ("178 Hz wall: reduced", "287 Hz standing wave: gone", "1.18 kHz driver: unchanged"):
        assert label in shown
    assert "decay, stock" in shown and "decay, lined" in shown
    curves = [line for axes in figure.axes for line in axes.lines if line.get_label() in ("stock", "lined")]
    assert [line.get_color() for line in curves] == [BEFORE.colour, AFTER.colour]
    assert curves[0].get_linestyle() != curves[1].get_linestyle()
    figure_bytes(figure, ".png")


def test_every_mark_runs_through_every_panel() -> None:
    figure = on_paper(picture_of_findings("pair", [STOCK, LINED], comparison()))
    frequencies = [178.0, 287.0, 512.0, 1180.0]
    with_marks = 0
    for axes in panels(figure):
        segments = [
            part for lines in axes.collections if isinstance(lines, LineCollection) for part in lines.get_segments()
        ]
        upright = [float(part[0, 0]) for part in segments if part[0, 0] == part[-1, 0]]
        if len(upright) >= len(frequencies):
            for frequency_hz in frequencies:
                assert any(abs(place / frequency_hz - 1) < 1e-6 for place in upright)
            with_marks += 1
    assert with_marks == 4  # impedance, heights, two decays


def test_panels_share_the_frequency_axis() -> None:
    figure = on_paper(picture_of_findings("pair", [STOCK, LINED], comparison(), decay_style="heat"))
    figure_bytes(figure, ".png")
    boxes = [axes.get_position() for axes in panels(figure)]
    assert len(boxes) >= 4
    assert {axes.get_xlim() for axes in panels(figure)} == {panels(figure)[0].get_xlim()}
    np.testing.assert_allclose([box.x0 for box in boxes], boxes[0].x0, atol=1e-6)
    np.testing.assert_allclose([box.x1 for box in boxes], boxes[0].x1, atol=1e-6)


def test_nothing_is_cut_off_or_printed_over_another() -> None:
    for figure in (
        on_paper(picture_of_findings("A build with quite a long name, unit A", [STOCK, LINED], comparison())),
        on_paper(picture_of_findings("narrow", [STOCK, LINED], comparison()), 7.0),
        on_paper(picture_of_curve("curve", STOCK.curve, STOCK.findings.findings if STOCK.findings else ())),
    ):
        figure.canvas.draw()
        renderer = figure.canvas.get_renderer()
        texts = [text for text in figure.findobj(Text) if text.get_text() and text.get_visible()]
        labels = [text for text in texts if re.search(r"\d (k?)Hz \w", text.get_text())]
        boxes = [text.get_window_extent(renderer) for text in labels]
        for index, box in enumerate(boxes):
            assert box.x0 >= 0 and box.x1 <= figure.bbox.width and box.y1 <= figure.bbox.height
            assert not any(box.overlaps(other) for other in boxes[index + 1 :])


def test_labels_keep_clear_of_texts_and_lines() -> None:
    """Many close resonances: no text may cross another text, nor the line of another mark."""
    rng = np.random.default_rng(5)
    low_hz, high_hz, width_pt = 15.0, 20_000.0, 700.0
    for _ in range(20):
        frequencies = np.sort(np.exp(rng.uniform(np.log(60), np.log(5_000), MOST_LABELS)))
        fit = invented_speaker.fit(tuple((frequency, 10.0, 0.5) for frequency in frequencies))
        marks = marks_of_findings(invented_speaker.report(fit).findings)
        labels = place_labels(marks, low_hz, high_hz, width_pt)
        assert len(labels) == MOST_LABELS
        places = []
        for label in labels:
            line = np.log(label.mark.frequency_hz / low_hz) / np.log(high_hz / low_hz) * width_pt
            width = text_width_pt(label.mark.label, TEXT_PT)
            begin = line - LABEL_GAP_PT - width if label.leftward else line + LABEL_GAP_PT
            assert begin >= 0 and begin + width <= width_pt + OVERHANG_PT
            places.append((line, begin, begin + width, label.lane))
        for index, (_, begin, end, lane) in enumerate(places):
            for other, (line, other_begin, other_end, other_lane) in enumerate(places):
                if other == index:
                    continue
                assert not (lane == other_lane and begin < other_end and other_begin < end)
                assert not (begin < line < end and other_lane >= lane)


def test_only_the_first_resonances_carry_words_but_all_carry_marks() -> None:
    """The first of the list, whatever their height."""
    parts = tuple((100.0 * 1.25**place, 12.0, 0.05 * (place + 1)) for place in range(16))
    fit = invented_speaker.fit(parts)
    figure = on_paper(picture_of_curve("many", invented_speaker.curve(fit), invented_speaker.report(fit).findings))
    assert len(markers(figure)) == 16
    labels = [text for text in words(figure) if text.endswith("undecided")]
    assert len(labels) == MOST_LABELS
    assert frequency_words(parts[0][0]) + " undecided" in labels
    assert frequency_words(parts[-1][0]) + " undecided" not in labels


def test_three_states_are_refused() -> None:
    with pytest.raises(StillboxError, match="one state or two, not 3"):
        picture_of_findings("three", [STOCK, STOCK, LINED])


def test_a_speaker_without_findings() -> None:
    fit = invented_speaker.fit(())
    state = PicturedState("bare driver", invented_speaker.curve(fit), invented_speaker.report(fit))
    figure = on_paper(picture_of_findings("nothing to see", [state]))
    assert markers(figure) == []
    figure_bytes(figure, ".png")


def test_causes_differ_by_marker_and_not_by_colour_alone() -> None:
    assert len({style.marker for style in CAUSE_SIGNS.values()}) == len(CAUSE_SIGNS) == 7
    assert len({style.colour for style in CAUSE_SIGNS.values()}) == 7
    assert len({(style.dashes, style.width) for style in (BEFORE, AFTER)}) == 2


# Machado, Oliveira, Fernandes, IEEE Trans. Vis. Comput. Graph. 15(6) 1291-1298, 2009, severity 1 [M].
COLOUR_BLINDNESS = {
    "none": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}


def cielab(colour: str, blindness: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* (D65) of an sRGB colour (IEC 61966-2-1) as a colour-blind eye sees it."""
    coded = np.array(to_rgb(colour))
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    seen = np.clip(blindness @ linear, 0.0, 1.0)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = to_xyz @ seen / np.array([0.9505, 1.0, 1.089])
    bent = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * bent[1] - 16, 500 * (bent[0] - bent[1]), 200 * (bent[1] - bent[2])])


@pytest.mark.parametrize("blindness", COLOUR_BLINDNESS.values(), ids=COLOUR_BLINDNESS)
def test_colours_keep_apart_for_the_colour_blind(blindness: np.ndarray) -> None:
    """A distance of 20 is seen at a glance; about 2.3 is the least that can be told side by side."""
    sets = ([sign.colour for sign in CAUSE_SIGNS.values()], [BEFORE.colour, AFTER.colour])
    for colours in sets:
        for one, other in itertools.combinations(colours, 2):
            assert np.linalg.norm(cielab(one, blindness) - cielab(other, blindness)) > 20


def test_the_heat_map_darkens_evenly() -> None:
    """Relative luminance falls from paper to ink without a turn, so grey print keeps the order."""
    linear = np.asarray(HEAT(np.linspace(0, 1, 64)))[:, :3] ** 2.2
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    assert np.all(np.diff(luminance) < 0)


def test_curve_with_detection_limit() -> None:
    assert STOCK.findings is not None
    figure = on_paper(picture_of_curve("stock", STOCK.curve, STOCK.findings.findings, STOCK.findings.detection_limit))
    assert "too small to be seen beside what was found" in words(figure)
    assert markers(figure) == ["wall", "standing wave", "standing wave", "driver"]


def test_overlay_and_difference() -> None:
    overlay = on_paper(picture_overlay("both", STOCK, LINED, comparison()))
    assert "287 Hz standing wave: gone" in words(overlay)
    assert not any("decay" in text for text in words(overlay))
    difference = on_paper(picture_of_difference("what changed", STOCK, LINED, comparison()))
    assert "lined minus stock" in words(difference)
    assert "287 Hz standing wave: gone" in words(difference)
    figure_bytes(difference, ".png")


def test_difference_of_the_curves() -> None:
    frequency_hz, difference, std_ohm = magnitude_difference(STOCK.curve, LINED.curve)
    at = int(np.argmin(np.abs(frequency_hz - 287.0)))
    assert difference[at] == pytest.approx(-1.9, abs=0.15)
    # Two noises of 4 mohm, half of the power along the phasor.
    np.testing.assert_allclose(std_ohm, 4e-3, rtol=1e-6)


def test_uncertainty_of_magnitude_and_phase_by_simulation() -> None:
    curve = STOCK.curve
    rng = np.random.default_rng(11)
    for place in (20, 300, 800):
        covariance = curve.covariance_ohm2[place]
        draws = rng.multivariate_normal(
            [curve.impedance_ohm[place].real, curve.impedance_ohm[place].imag], covariance, 40_000
        )
        values = draws[:, 0] + 1j * draws[:, 1]
        assert magnitude_std_ohm(curve)[place] == pytest.approx(np.std(np.abs(values)), rel=0.02)
        assert phase_std_deg(curve)[place] == pytest.approx(np.std(np.degrees(np.angle(values))), rel=0.02)


@pytest.mark.parametrize("decay_style", ["ridges", "heat"])
def test_decay_in_cycles_and_on_an_even_grid(decay_style: str) -> None:
    fit = invented_speaker.fit()
    response = decay_response(invented_speaker.spectrum(fit), fit)
    in_cycles = decay_on_log_grid(response, cycles=np.linspace(-3, 40, 50), points=150)
    figure = on_paper(picture_of_decay("decay", in_cycles, styles=(decay_style,)))
    assert "Time, cycles" in words(figure)
    even = decay_of_response(response, slices=50)
    picture_bytes(picture_of_decay("decay", even, styles=(decay_style,)), ".png")


def test_what_is_not_measured_is_hatched() -> None:
    rate_hz = 8_000.0
    decay = cumulative_spectral_decay(np.exp(-np.arange(400) / 40.0), rate_hz, slices=30, duration_s=0.045)
    for draw in (lambda axes: draw_ridges(axes, decay, ALONE), lambda axes: draw_heat(axes, decay)):
        axes = new_figure(6, 4).add_subplot()
        frequency_axis(axes, 15.0, 4_000.0)
        draw(axes)
        assert any(artist.get_hatch() for artist in [*axes.patches, *axes.collections])


def test_later_ridges_hide_earlier_ones() -> None:
    axes = new_figure(6, 4).add_subplot()
    frequency_axis(axes, 15.0, 10_000.0)
    assert STOCK.decay is not None
    draw_ridges(axes, STOCK.decay, ALONE)
    lines = [line for line in axes.lines if len(line.get_xdata()) > 10]
    assert len(lines) > 30
    orders = [line.get_zorder() for line in lines]
    assert orders == sorted(orders)
    feet = [float(np.nanmin(line.get_ydata())) for line in lines if np.any(np.isfinite(line.get_ydata()))]
    assert feet == sorted(feet, reverse=True)
    fills = axes.collections
    assert {fill.get_zorder() for fill in fills} >= set(orders[1:])


@pytest.mark.parametrize(
    ("frequency_hz", "text", "tick"),
    [(20, "20 Hz", "20"), (87.31, "87.3 Hz", "87.31"), (500, "500 Hz", "500"), (1_180, "1.18 kHz", "1.18k")],
)
def test_frequencies_in_words(frequency_hz: float, text: str, tick: str) -> None:
    assert frequency_words(frequency_hz) == text
    assert tick_text(frequency_hz) == tick


def test_ticks_are_in_engineering_form() -> None:
    figure = on_paper(picture_of_curve("curve", STOCK.curve))
    figure.canvas.draw()
    ticks = [label.get_text() for label in panels(figure)[-1].get_xticklabels()]
    for tick in ("20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"):
        assert tick in ticks


def arrows(axes: Axes) -> list[tuple[float, float]]:
    """Ends of the arrows in a panel."""
    return [text.xy for text in axes.texts if isinstance(text, Annotation) and text.arrow_patch is not None]


def test_arrows_point_from_before_to_after_or_to_the_detection_limit() -> None:
    assert STOCK.findings is not None and LINED.findings is not None
    first, second, third, fourth = STOCK.findings.findings
    wall = replace(LINED.findings.findings[0], resonance=invented_speaker.resonance(181.0, 22.0, 0.05))
    changes = (
        change(first, wall, "reduced"),
        change(second, None, "gone"),
        change(third, None, "unchanged"),  # lost in the noise of the later take: nothing is claimed
        change(None, fourth, "new"),
    )
    figure = on_paper(picture_overlay("both", STOCK, LINED, Comparison("stock", "lined", "A", changes, ())))
    (heights,) = (axes for axes in panels(figure) if axes.get_ylabel() == "Height, Ω")
    assert arrows(heights) == [(pytest.approx(181.0), pytest.approx(0.05)), (pytest.approx(287.0), 0.008)]


@pytest.mark.parametrize("suffix", [".svg", ".png", ".pdf", ".PNG"])
def test_saving(tmp_path: Path, suffix: str) -> None:
    picture = picture_of_curve("curve", STOCK.curve)
    path = tmp_path / f"curve{suffix}"
    save_picture(picture, path)
    head = path.read_bytes()[:8]
    assert head.startswith({".svg": b"<?xml", ".png": b"\x89PNG", ".pdf": b"%PDF"}[suffix.lower()])
    if suffix == ".svg":
        assert ElementTree.parse(path).getroot().tag.endswith("svg")
        first = path.read_bytes()
        save_picture(picture, path)
        assert path.read_bytes() == first


def test_unknown_formats_are_refused(tmp_path: Path) -> None:
    picture = picture_of_curve("curve", STOCK.curve)
    with pytest.raises(StillboxError, match=r"\.svg, \.png or \.pdf, not '\.gif'"):
        save_picture(picture, tmp_path / "curve.gif")
    assert list(tmp_path.iterdir()) == []


def test_global_settings_stay_as_they_are() -> None:
    before = dict(matplotlib.rcParams)
    picture_bytes(picture_of_findings("pair", [STOCK, LINED], comparison()), ".svg")
    assert dict(matplotlib.rcParams) == before


def test_marks_need_no_comparison() -> None:
    marks = [Mark(100.0, "wall", "100 Hz wall", before=STOCK.findings.findings[0])] if STOCK.findings else []
    assert place_labels(marks, 200.0, 20_000.0, 700.0) == ()


def test_a_heat_map_has_no_lines_of_the_grid_beneath() -> None:
    axes = new_figure(6, 4).add_subplot()
    frequency_axis(axes, 15.0, 10_000.0)
    assert STOCK.decay is not None
    draw_heat(axes, STOCK.decay)
    axes.figure.canvas.draw()
    assert not any(line.get_visible() for line in axes.get_xgridlines())


def test_the_axis_of_a_difference_says_where_it_is_linear() -> None:
    figure = on_paper(picture_of_difference("difference", STOCK, LINED))
    (note,) = [text for text in words(figure) if "axis linear within" in text]
    (axes,) = [axes for axes in figure.axes if axes.get_yscale() == "symlog"]
    # Read off the axis itself: within the limit equal steps are equally long, beyond it equal ratios are.
    limit = float(re.search(r"±([\d.]+) Ω", note)[1])  # type: ignore[index]
    heights = axes.transData.transform([(100.0, limit * step) for step in (0.0, 0.5, 1.0, 2.0, 4.0)])[:, 1]
    steps = np.diff(heights)
    assert steps[0] == pytest.approx(steps[1], rel=1e-6)
    assert steps[2] == pytest.approx(steps[3], rel=1e-6)
    assert steps[1] != pytest.approx(steps[2], rel=0.05)


def test_markers_without_words_do_not_touch() -> None:
    marks = [Mark(frequency_hz, "wall", "") for frequency_hz in (2501.0, 1000.0, 2408.0, 2600.0, 5000.0, 5030.0)]
    points_per_log = 120.0
    rows = foot_rows(marks, points_per_log)
    assert (rows[1], rows[4] == rows[5]) == (0, False)
    for (mark, row), (other, other_row) in itertools.combinations(zip(marks, rows, strict=True), 2):
        across_pt = abs(np.log(mark.frequency_hz / other.frequency_hz)) * points_per_log
        upward_pt = LANE_PT * abs(FOOT_ROWS[row] - FOOT_ROWS[other_row])
        assert max(across_pt, upward_pt) > SMALL_MARKER_PT
    assert foot_rows([], 120.0) == []
