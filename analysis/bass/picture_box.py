"""A box as a picture: measured impedance with the fitted model over it, and its bass below."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from matplotlib.figure import Figure

from stillbox.analysis.bass.picture_bass import HIGH_HZ, LOW_HZ, NamedCurves, draw_bass, known_panels
from stillbox.analysis.drawing.picture_marks import Mark, draw_mark_lines
from stillbox.analysis.drawing.pictures import marked_panels
from stillbox.analysis.driver.picture_fitted import IMPEDANCE_IN, WIDTH_IN, Fitted, draw_fitted

BASS_IN = 1.5


def picture_of_box(
    title: str,
    fitted: Sequence[Fitted],
    named: Sequence[NamedCurves],
    marks: Sequence[Mark],
    limits: Mapping[str, tuple[float, str]] | None = None,
) -> Figure:
    """Impedance of a box, measured and by its lumped model, and its bass below: of one state or two."""
    panels = known_panels(named)
    heights = [IMPEDANCE_IN, *([BASS_IN] * len(panels))]
    figure, (impedance, *rest) = marked_panels(title, marks, heights, LOW_HZ, HIGH_HZ, WIDTH_IN)
    draw_fitted(impedance, fitted)
    for axes, panel in zip(rest, panels, strict=True):
        draw_bass(axes, panel, named, limits)
    for axes in (impedance, *rest):
        draw_mark_lines(axes, marks)
    return figure
