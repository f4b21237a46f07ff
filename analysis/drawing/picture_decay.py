"""Decay as layered ridges with hidden lines, and as a heat map; time runs downwards, away from the impedance."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.ticker import FixedLocator, FuncFormatter

from stillbox.analysis.drawing.picture_style import (
    BLIND,
    HEAT,
    PAPER,
    SMALL_PT,
    SOFT_INK,
    StateStyle,
    backed,
    name_ordinate,
    signed_text,
    text_width_pt,
    tint,
)
from stillbox.analysis.waterfall.decay import BoolArray, CumulativeDecay
from stillbox.capture.arrays import FloatArray

RANGE_DB = 40.0
"""Levels are shown down to this far below the flat first slice."""
HEADROOM_DB = 10.0
LAYERS = 44
LAYER_HEIGHT = 11.0
"""Height of the level range in units of the distance of two layers."""
GRID_POINTS = 500
BLIND_WORDS = "outside the decay's band"
SCALE_TICKS_DB = (-40, -30, -20, -10, 0)
SCALE_PT, SCALE_GAP_PT, SCALE_WIDTH_PT = 50.0, 7.0, 8.0
"""Room for the scale of a heat map, its distance and its width."""
LEVEL_STEPS_DB = (-30.0, -20.0, -10.0)


def resampled(decay: CumulativeDecay, low_hz: float, high_hz: float) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Logarithmic grid, level in dB and what of it means something, shapes (n,), (n_t, n), (n_t, n)."""
    grid_hz = decay.frequency_hz
    if not _is_logarithmic(grid_hz):
        lowest = max(low_hz, grid_hz[grid_hz > 0][0])
        grid_hz = np.geomspace(lowest, min(high_hz, decay.frequency_hz[-1]), GRID_POINTS)
    level_db = np.stack([np.interp(grid_hz, decay.frequency_hz, row) for row in decay.level_db])
    meaningful = np.stack([np.interp(grid_hz, decay.frequency_hz, row) for row in decay.meaningful]) > 0.5
    return grid_hz, level_db, meaningful


def _is_logarithmic(frequency_hz: FloatArray) -> bool:
    if frequency_hz[0] <= 0:
        return False
    steps = np.diff(np.log(frequency_hz))
    return bool(np.ptp(steps) < 1e-6)


def slice_axis(decay: CumulativeDecay) -> tuple[FloatArray, str]:
    """Starts of the slices in ms or in cycles, with the axis label."""
    if decay.cycles is not None:
        return decay.cycles, "Time, cycles"
    return 1e3 * decay.time_s, "Time, ms"


def draw_ridges(axes: Axes, decay: CumulativeDecay, style: StateStyle, range_db: float = RANGE_DB) -> None:
    """Layered ridges: each slice hides what lies behind it; later slices lie lower and in front."""
    grid_hz, level_db, meaningful = resampled(decay, *axes.get_xlim())
    starts, label = slice_axis(decay)
    rows = layers_of(starts)
    height = LAYER_HEIGHT * np.clip(level_db + range_db, 0.0, range_db + HEADROOM_DB) / range_db
    height = np.where(meaningful, height, 0.0)
    for layer, row in enumerate(rows):
        base = -float(layer)
        depth = layer / max(len(rows) - 1, 1)
        visible = np.where(height[row] > 0, base + height[row], np.nan)
        zorder = 1.0 + layer / len(rows)
        if layer:  # the first slice lies flat behind all others and hides nothing
            axes.fill_between(
                grid_hz,
                base,
                base + height[row],
                where=height[row] > 0,
                facecolor=tint(style.colour, 0.06 + 0.3 * depth),
                edgecolor="none",
                zorder=zorder,
            )
        axes.plot(grid_hz, visible, color=tint(style.colour, 0.75 + 0.25 * depth), linewidth=0.7, zorder=zorder)
    axes.set_ylim(-len(rows) - 0.5, LAYER_HEIGHT * (1 + HEADROOM_DB / range_db))
    _time_ticks(axes, starts[rows], label)
    _scale_bar(axes, range_db)
    layer_of = np.interp(starts, starts[rows], -np.arange(len(rows), dtype=float))
    _hatch_blind(axes, decay, layer_of)


def layers_of(starts: FloatArray) -> list[int]:
    """Rows to draw: the first (whole response) and evenly chosen later ones."""
    first_later = int(np.searchsorted(starts, 0.0))
    first_later = max(first_later, 1)
    count = min(LAYERS, starts.size - first_later)
    later = np.unique(np.rint(np.linspace(first_later, starts.size - 1, count)).astype(int))
    return [0, *(int(row) for row in later)]


def _time_ticks(axes: Axes, starts: FloatArray, label: str) -> None:
    """Ticks of the time axis at the feet of the layers."""
    later = starts[1:]
    step = _tick_step(float(later[-1] - later[0]))
    wanted = np.arange(np.ceil(later[0] / step) * step, later[-1] + 0.01 * step, step)
    feet = np.interp(wanted, later, -1.0 - np.arange(later.size))
    texts = {float(foot): f"{value:g}" for foot, value in zip(feet, wanted, strict=True)}
    axes.yaxis.set_major_locator(FixedLocator(list(texts)))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: texts.get(float(value), "")))
    name_ordinate(axes, label)


def _tick_step(span: float) -> float:
    """A round step that gives four to nine ticks."""
    rough = span / 5
    decade = 10.0 ** np.floor(np.log10(rough))
    return float(decade * min((1, 2, 5, 10), key=lambda step: abs(np.log(step * decade / rough))))


def _scale_bar(axes: Axes, range_db: float) -> None:
    """How high 20 dB are, and where the first slice lies."""
    unit = LAYER_HEIGHT / range_db
    top = LAYER_HEIGHT
    place = axes.get_yaxis_transform()
    axes.plot([0.012, 0.012], [top - 20 * unit, top], transform=place, color=SOFT_INK, linewidth=1.2, zorder=5)
    axes.text(0.02, top, "20 dB", transform=place, va="top", fontsize=SMALL_PT, color=SOFT_INK, zorder=5)
    axes.text(0.02, top, "0 dB", transform=place, va="bottom", fontsize=SMALL_PT, color=SOFT_INK, zorder=5)


def draw_heat(axes: Axes, decay: CumulativeDecay, range_db: float = RANGE_DB) -> ScalarMappable:
    """Heat map with lines of equal level each 10 dB; returns what a colour bar needs."""
    grid_hz, level_db, meaningful = resampled(decay, *axes.get_xlim())
    starts, label = slice_axis(decay)
    later = starts >= 0
    shown = np.ma.masked_array(level_db[later], ~meaningful[later])
    scale = Normalize(-range_db, 0.0, clip=True)
    mesh = axes.pcolormesh(
        grid_hz, starts[later], shown, cmap=HEAT, norm=scale, shading="nearest", rasterized=True, zorder=1
    )
    steps = [step for step in LEVEL_STEPS_DB if shown.count() and shown.min() < step < shown.max()]
    if steps and shown.shape[0] > 1:
        axes.contour(
            grid_hz,
            starts[later],
            np.where(meaningful[later], level_db[later], -2 * range_db),
            levels=steps,
            colors=[PAPER if step > -25 else SOFT_INK for step in steps],
            linewidths=0.6,
            linestyles="solid",
            zorder=2,
        )
    axes.set_ylim(float(starts[-1]), 0.0)
    name_ordinate(axes, label)
    axes.grid(visible=False)  # it would show in pieces, where nothing lies over it
    _hatch_blind(axes, decay, starts)
    return mesh


def draw_scale(axes: Axes, mesh: ScalarMappable) -> None:
    """What the colours of a heat map mean, beside it, where the margin has room for it."""
    points = 72 / axes.figure.dpi
    if points * (axes.figure.bbox.width - axes.bbox.x1) < SCALE_PT:
        return
    width_pt = points * axes.bbox.width
    place = axes.inset_axes((1 + SCALE_GAP_PT / width_pt, 0.0, SCALE_WIDTH_PT / width_pt, 1.0))
    bar = axes.figure.colorbar(mesh, cax=place)
    bar.set_label("Level, dB", fontsize=SMALL_PT, color=SOFT_INK)
    bar.set_ticks(SCALE_TICKS_DB, labels=[signed_text(tick) for tick in SCALE_TICKS_DB])
    place.tick_params(labelsize=SMALL_PT, colors=SOFT_INK, width=0.6, length=2)
    bar.outline.set_visible(False)


def _say_blind(axes: Axes, begin_hz: float) -> None:
    """Words in the hatched part left of the band, where they fit."""
    low_hz, high_hz = axes.get_xlim()
    share = np.log(begin_hz / low_hz) / np.log(high_hz / low_hz)
    width_pt = 72 * axes.bbox.width / axes.figure.dpi
    if share * width_pt < text_width_pt(BLIND_WORDS, SMALL_PT) + 8:
        return
    axes.text(
        float(np.sqrt(low_hz * begin_hz)),
        0.06,
        BLIND_WORDS,
        transform=axes.get_xaxis_transform(),
        ha="center",
        fontsize=SMALL_PT,
        color=SOFT_INK,
        bbox=backed(1.5),
        zorder=2.6,
    )


def _hatch_blind(axes: Axes, decay: CumulativeDecay, heights: FloatArray) -> None:
    """Hatch what was not measured (outside the band) and what the record cannot support (below 1/(T - tau))."""
    low_hz, high_hz = axes.get_xlim()
    hatch: dict[str, Any] = {
        "facecolor": "none",
        "edgecolor": BLIND,
        "hatch": "////",
        "linewidth": 0.0,
        "zorder": 2.5,
    }
    left_hz = np.full(heights.size, low_hz)
    for row, valid in enumerate(decay.valid):
        if not valid.any():
            left_hz[row] = high_hz
        elif not valid[0]:
            left_hz[row] = max(low_hz, decay.frequency_hz[int(np.argmax(valid))])
    if decay.band_hz is not None:
        left_hz = np.maximum(left_hz, decay.band_hz[0])
        if decay.band_hz[1] < high_hz:
            axes.axvspan(decay.band_hz[1], high_hz, **hatch)
        _say_blind(axes, decay.band_hz[0])
    if np.ptp(left_hz) == 0:
        axes.axvspan(low_hz, left_hz[0], **hatch)
    else:
        axes.fill_betweenx(heights, low_hz, left_hz, **hatch)
