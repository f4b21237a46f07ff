"""The look of the window: calm colours, light and dark, one accent; meanings are never carried by colour alone."""

from __future__ import annotations

from dataclasses import dataclass

from PyQt5.QtGui import QColor, QPalette
from PyQt5.QtWidgets import QApplication


@dataclass(frozen=True)
class Theme:
    """Colours of one theme, as ``#rrggbb``."""

    name: str
    ground: str
    paper: str
    ink: str
    soft: str
    rule: str
    accent: str
    on_accent: str
    warn: str
    warn_ground: str
    stop: str
    selected: str


LIGHT = Theme(
    "light",
    "#f2f0ea",
    "#ffffff",
    "#22303a",
    "#55636d",
    "#c9cfd2",
    "#0f6b74",
    "#ffffff",
    "#6b4300",
    "#fbeccb",
    "#8c2f39",
    "#d8ebec",
)
DARK = Theme(
    "dark",
    "#12171a",
    "#181d21",
    "#dde5ea",
    "#a3b0b8",
    "#39444b",
    "#5bbcc4",
    "#0b1a1c",
    "#f0c877",
    "#3a2f17",
    "#e58a92",
    "#1f4045",
)
TEXT_PT = 9.5

THEMES = {theme.name: theme for theme in (LIGHT, DARK)}


def theme_named(name: str) -> Theme:
    """The theme of that name; the light one where there is none."""
    return THEMES.get(name, LIGHT)


def apply_theme(application: QApplication, theme: Theme) -> None:
    """Give the whole application a theme."""
    application.setStyle("Fusion")
    palette = QPalette()
    for role, colour in (
        (QPalette.Window, theme.ground),
        (QPalette.WindowText, theme.ink),
        (QPalette.Base, theme.paper),
        (QPalette.AlternateBase, theme.ground),
        (QPalette.Text, theme.ink),
        (QPalette.Button, theme.paper),
        (QPalette.ButtonText, theme.ink),
        (QPalette.ToolTipBase, theme.paper),
        (QPalette.ToolTipText, theme.ink),
        (QPalette.Highlight, theme.accent),
        (QPalette.HighlightedText, theme.on_accent),
        (QPalette.Link, theme.accent),
    ):
        palette.setColor(role, QColor(colour))
    for role in (QPalette.WindowText, QPalette.Text, QPalette.ButtonText):
        palette.setColor(QPalette.Disabled, role, QColor(theme.soft))
    application.setPalette(palette)
    font = application.font()
    font.setPointSizeF(TEXT_PT)
    application.setFont(font)
    application.setStyleSheet(_SHEET.format(**theme.__dict__))


_SHEET = """
QToolTip {{ background: {paper}; color: {ink}; border: 1px solid {rule}; padding: 4px; }}
QMenuBar {{ background: {ground}; }}
QMenuBar::item {{ padding: 4px 9px; background: transparent; }}
QMenuBar::item:selected, QMenu::item:selected {{ background: {selected}; color: {ink}; }}
QMenu {{ background: {paper}; border: 1px solid {rule}; }}
QMenu::item {{ padding: 5px 26px 5px 18px; }}
QMenu::item:disabled {{ color: {soft}; }}
QLabel#sentence {{ font-size: 12pt; color: {ink}; }}
QLabel#caption {{ color: {soft}; }}
QLabel#caution {{ background: {warn_ground}; color: {warn}; border-radius: 5px; padding: 5px 7px; font-size: 8.5pt; }}
QLabel#trouble {{ background: {warn_ground}; color: {warn}; border-left: 4px solid {warn}; padding: 6px 9px; }}
QLabel#said {{ color: {ink}; }}
QLabel#shopping {{ background: {paper}; }}
QFrame#results {{ background: {paper}; border-left: 1px solid {rule}; }}
QPushButton {{ background: {paper}; color: {ink}; border: 1px solid {rule}; border-radius: 5px; padding: 5px 11px; }}
QPushButton:hover {{ border-color: {accent}; }}
QPushButton:focus {{ border: 2px solid {accent}; padding: 4px 10px; }}
QPushButton:disabled {{ color: {soft}; background: {ground}; }}
QPushButton#sweep {{ background: {accent}; color: {on_accent}; border: none; font-size: 13pt; font-weight: 600;
  padding: 9px 12px; }}
QPushButton#sweep:focus {{ border: 3px solid {ink}; padding: 6px 9px; }}
QPushButton#sweep:disabled {{ background: {rule}; color: {soft}; }}
QPushButton#stop {{ color: {stop}; border: 2px solid {stop}; font-size: 11pt; font-weight: 600; padding: 8px 12px; }}
QPushButton#stop:disabled {{ color: {soft}; border-color: {rule}; }}
QPushButton#choice {{ border-radius: 11px; padding: 3px 12px; }}
QPushButton#choice:checked {{ background: {selected}; border-color: {accent}; font-weight: 600; }}
QProgressBar {{ border: 1px solid {rule}; border-radius: 4px; background: {paper}; color: {ink}; text-align: center;
  max-height: 17px; min-height: 17px; }}
QProgressBar::chunk {{ background: {selected}; }}
QTableView, QListView, QTextBrowser {{ background: {paper}; color: {ink}; border: 1px solid {rule}; border-radius: 4px;
  selection-background-color: {selected}; selection-color: {ink}; gridline-color: {ground}; }}
QTableView:focus, QListView:focus {{ border: 2px solid {accent}; }}
QHeaderView::section {{ background: {ground}; color: {soft}; border: none; padding: 3px 5px; }}
QScrollArea, QScrollArea > QWidget > QWidget#bench {{ background: transparent; border: none; }}
QSplitter::handle {{ background: {rule}; }}
"""
