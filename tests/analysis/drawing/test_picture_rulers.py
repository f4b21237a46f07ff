"""Axes drawn at once look as matplotlib's own, and their names stay inside the picture."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from stillbox.analysis.drawing.picture_rulers import use_rulers
from stillbox.analysis.drawing.picture_style import (
    frequency_axis,
    name_ordinate,
    new_figure,
    plain_axes,
    plain_ohm_axis,
)


def panel(left: float = 0.2) -> tuple[Figure, Axes]:
    figure = new_figure(5, 3, 100)
    axes = figure.add_axes((left, 0.2, 0.6, 0.7))
    plain_axes(axes)
    frequency_axis(axes, 20, 20_000)
    axes.set_ylim(2, 90)
    plain_ohm_axis(axes)
    name_ordinate(axes, "Impedance, Ω")
    return figure, axes


def ink(figure: Figure) -> np.ndarray:
    """How dark each pixel is, 0 to 1."""
    canvas = figure.canvas
    assert isinstance(canvas, FigureCanvasAgg)
    canvas.draw()
    return 1 - np.asarray(canvas.buffer_rgba())[..., :3].mean(axis=2) / 255


def apart(one: np.ndarray, other: np.ndarray) -> float:
    """Share of the ink of both that is not at the same place, to a pixel."""
    near = np.max([np.roll(other, (y, x), (0, 1)) for y in (-1, 0, 1) for x in (-1, 0, 1)], axis=0)
    return float(np.sum(np.clip(one - near, 0, None)) / np.sum(one))


def test_they_look_as_the_axes_that_they_stand_for() -> None:
    (plain, _), (ruled, axes), (empty, bare) = panel(), panel(), panel()
    use_rulers(ruled)
    bare.xaxis.set_visible(False)
    before, after, without = ink(plain), ink(ruled), ink(empty)
    assert not axes.xaxis.get_visible() and not axes.yaxis.get_visible()
    assert apart(before, after) < 0.03 and apart(after, before) < 0.03
    assert apart(before, without) > 0.2
    assert abs(np.sum(after) / np.sum(before) - 1) < 0.05  # lines are as heavy


def test_the_right_side_and_a_panel_that_hides_its_axis() -> None:
    (plain, one), (ruled, other) = panel(), panel()
    for axes in (one, other):
        axes.tick_params(axis="x", which="both", labelbottom=False, length=0)
        beside = axes.twinx()
        plain_axes(beside)
        beside.xaxis.set_visible(False)
        beside.set_ylim(-95, 95)
        name_ordinate(beside, "Phase")
    use_rulers(ruled)
    before, after = ink(plain), ink(ruled)
    assert apart(before, after) < 0.03 and apart(after, before) < 0.03


def test_a_name_stays_inside_where_the_margin_is_narrow() -> None:
    (plain, _), (ruled, _) = panel(left=0.06), panel(left=0.06)
    use_rulers(ruled)
    strip = slice(1, 15)
    kept = ink(ruled)[:, strip].sum()
    assert ink(ruled)[:, 0].max() < 0.02
    assert kept > 1.5 * ink(plain)[:, strip].sum()
