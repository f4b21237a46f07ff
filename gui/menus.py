"""Every action of the window with its shortcut, and the menus that show them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PyQt5.QtGui import QKeySequence
from PyQt5.QtWidgets import QAction, QMainWindow, QMenu

from stillbox.gui.parts.plain_text import plain_action

SEPARATOR = ("", "", "")

MENUS: tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...] = (
    (
        "&Build",
        (
            ("&New …", "Ctrl+N", "new_build"),
            ("&Open …", "Ctrl+O", "ask_build"),
            ("&Practise on the simulated speaker", "Ctrl+P", "practise"),
            SEPARATOR,
            ("&Take in a recording …", "Ctrl+I", "ask_import"),
            ("&Edit what is known of the box", "Ctrl+E", "edit_description"),
            ("&Air of this build …", "Ctrl+Shift+A", "ask_air"),
            ("Note&book …", "Ctrl+Shift+N", "ask_notebook"),
            SEPARATOR,
            ("&Quit", "Ctrl+Q", "close"),
        ),
    ),
    (
        "&Take",
        (
            ("&Sweep", "F5", "sweep"),
            ("S&top", "Esc", "stop"),
            SEPARATOR,
            ("&Compare with the one before", "Ctrl+K", "compare"),
            ("&Rename the state …", "F2", "rename"),
            ("To the &wastebasket", "Del", "remove"),
            ("Waste&basket …", "Ctrl+B", "wastebasket"),
            SEPARATOR,
            ("&Undo", "Ctrl+Z", "undo"),
            ("Re&do", "Ctrl+Shift+Z", "redo"),
        ),
    ),
    (
        "&Picture",
        (
            ("&Next line of the list", "Ctrl+Right", "next_finding"),
            ("Line &before", "Ctrl+Left", "previous_finding"),
            SEPARATOR,
            ("Zoom &in", "Ctrl++", "zoom_in"),
            ("Zoom &out", "Ctrl+-", "zoom_out"),
            ("&Whole axis", "Ctrl+0", "reset_zoom"),
            ("&Ridges or heat map", "Ctrl+H", "toggle_decay"),
            ("&Milliseconds or cycles", "Ctrl+T", "toggle_time"),
            ("&Put the cursor into the picture", "Ctrl+J", "focus_picture"),
            SEPARATOR,
            ("Pri&nt …", "Ctrl+Shift+P", "print_picture"),
            ("&Dark or light", "Ctrl+D", "toggle_theme"),
        ),
    ),
    (
        "&Help",
        (
            ("How to build the &jig", "F1", "show_jig"),
            ("&Cautions", "Ctrl+F1", "show_cautions"),
            ("&Keys and mouse", "Shift+F1", "show_keys"),
            ("Open the &log", "Ctrl+L", "open_log"),
            ("&About Stillbox", "", "show_about"),
        ),
    ),
)


def make_menus(window: QMainWindow, owners: Sequence[object]) -> tuple[dict[str, QAction], dict[str, QMenu]]:
    """Fill the menu bar with what the owners can do.

    Returns
    -------
    actions : dict
        By the name of what they call.
    menus : dict
        By their titles.
    """
    bar = window.menuBar()
    assert bar is not None
    actions: dict[str, QAction] = {}
    menus: dict[str, QMenu] = {}
    for title, entries in MENUS:
        menu = bar.addMenu(title)
        assert menu is not None
        for words, keys, name in entries:
            if not name:
                menu.addSeparator()
                continue
            action = QAction(words, window)
            if keys:
                action.setShortcut(QKeySequence(keys))
            action.triggered.connect(_without_state(_method(owners, name)))
            menu.addAction(action)
            actions[name] = action
        menu.setToolTipsVisible(True)
        menus[title.replace("&", "")] = menu
    return actions, menus


def _method(owners: Sequence[object], name: str) -> Callable[[], object]:
    """The method of that name of the first owner that has it."""
    owner = next(owner for owner in owners if hasattr(owner, name))
    method: Callable[[], object] = getattr(owner, name)
    return method


def _without_state(function: Callable[[], object]) -> Callable[[bool], None]:
    def call(_: bool = False) -> None:
        function()

    return call


def keys_text() -> str:
    """All shortcuts as HTML."""
    rows = [
        f"<tr><td style='padding-right:22px'><b>{keys}</b></td><td>{words.replace('&', '')}</td></tr>"
        for _, entries in MENUS
        for words, keys, _ in entries
        if keys
    ]
    rows += [
        f"<tr><td style='padding-right:22px'><b>{keys}</b></td><td>{words}</td></tr>"
        for keys, words in (
            ("← →", "Move the cursor (Shift: an octave's twelfth)"),
            ("↑ ↓", "Move the time cursor through the decay"),
            ("Wheel", "Zoom about the pointer"),
            ("Drag", "Pan; in the decay: move the time cursor"),
            ("Shift+drag", "Zoom to a range"),
            ("Double click", "Whole axis"),
            ("Tab", "Next field; Alt and the underlined letter jump to a field"),
        )
    ]
    return f"<table>{''.join(rows)}</table>"


def fill_menu(menu: QMenu, entries: Sequence[tuple[str, Callable[[], None]]]) -> None:
    """Replace what a menu holds."""
    menu.clear()
    for words, function in entries:
        action = menu.addAction(plain_action(words))
        if action is not None:
            action.triggered.connect(_without_state(function))
    if not entries:
        empty = menu.addAction("nothing yet")
        if empty is not None:
            empty.setEnabled(False)
