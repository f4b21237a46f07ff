"""Where pictures go: onto paper, or into the window. Nothing slow is loaded here."""

from __future__ import annotations

from dataclasses import dataclass

PICTURE_DPI = 160.0
"""Dots to an inch of pictures in files."""
SCREEN_DPI = 96.0
"""Pixels of the window to an inch, whatever the screen makes of them."""
LEFT_PX, RIGHT_PX = 62, 56
"""Beside the panels in the window."""


@dataclass(frozen=True)
class Medium:
    """Sizes and margins. Lengths but for those of letters are in the medium's own unit.

    Attributes
    ----------
    per_inch : float
        Units to an inch.
    dpi : float
        Dots to an inch of what is drawn.
    width : float
    height : float or None
        None: as high as the panels ask for.
    left, right, head, foot, gap : float
        Beside, above and below the panels, and between them.
    most_labels : int or None
        So many marks, the first ones, carry words; None: as many as usual.
    title_pt : float
        Letters of the title; 0 where it stands elsewhere.
    name_pt : float
        Letters of the titles of panels.
    """

    per_inch: float
    dpi: float
    width: float
    height: float | None
    left: float
    right: float
    head: float
    foot: float
    gap: float
    most_labels: int | None
    title_pt: float
    name_pt: float

    def of_points(self, length_pt: float) -> float:
        """A length in units."""
        return length_pt / 72 * self.per_inch


def paper(width_in: float) -> Medium:
    """A page or a file: with a title, as high as the panels are, in inches."""
    return Medium(
        per_inch=1.0, dpi=PICTURE_DPI, width=width_in, height=None,
        left=0.62, right=0.7, head=0.42, foot=0.5, gap=0.15,
        most_labels=None, title_pt=12.5, name_pt=10.5,
    )  # fmt: skip


def screen(size: tuple[int, int], scale: float = 1.0) -> Medium:
    """A part of the window with a list beside it that names all marks, in pixels of the window.

    ``scale`` pixels of the screen make one of these.
    """
    width, height = size
    return Medium(
        per_inch=SCREEN_DPI, dpi=SCREEN_DPI * scale, width=width, height=height,
        left=LEFT_PX, right=RIGHT_PX, head=6, foot=44, gap=12,
        most_labels=3 if height < 520 else 5 if height < 760 else 8, title_pt=0.0, name_pt=9.0,
    )  # fmt: skip
