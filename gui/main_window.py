"""The window: bench on the left, results on the right; joins the parts and owns the workers."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import TYPE_CHECKING

from PyQt5.QtCore import QEvent, Qt, QTimer, QUrl, pyqtSignal
from PyQt5.QtGui import QCloseEvent, QDesktopServices, QDragEnterEvent, QDropEvent, QShowEvent
from PyQt5.QtWidgets import QApplication, QFileDialog, QMainWindow, QMenu, QScrollArea, QSplitter

from stillbox.capture.errors import StillboxError
from stillbox.gui.bench.bench_panel import BenchPanel
from stillbox.gui.bench.device_choice import DeviceChoice
from stillbox.gui.bench.first_start import FirstStart
from stillbox.gui.bench.sweep_control import SweepControl
from stillbox.gui.help_pages import HelpPages
from stillbox.gui.menus import fill_menu, make_menus
from stillbox.gui.network_keeping import NetworkKeeping
from stillbox.gui.parts.plain_text import plain_action
from stillbox.gui.parts.theme import apply_theme, theme_named
from stillbox.gui.practising import Practising
from stillbox.gui.reading_control import ReadingControl
from stillbox.gui.results.results_panel import ResultsPanel
from stillbox.gui.transfers import Transfers
from stillbox.gui.work.build_edits import BuildEdits, Wastebasket
from stillbox.gui.work.garbage import GarbageTimer
from stillbox.gui.work.session import Listing, Session, builds_folder, known_devices
from stillbox.gui.work.settings import Settings, write_settings
from stillbox.gui.work.work import Failure, Lane, sentence_of_error

if TYPE_CHECKING:
    from stillbox.capture.recording.take import JigKind, TakeInfo

LOG = logging.getLogger("stillbox")
AUDIO_SUFFIXES = (".wav", ".flac", ".aif", ".aiff")
CLOSE_MS = 50
SCROLL_PX = 14


class MainWindow(QMainWindow):
    """All of it."""

    opened = pyqtSignal(object)

    def __init__(self, settings: Settings, settings_file: Path | None = None) -> None:
        super().__init__()
        self.settings, self._settings_file = settings, settings_file
        self.session: Session | None = None
        self.listing: Listing | None = None
        self._closing = self._sized = self._description_open = False
        self._select_next: list[int] | None = None
        self._garbage = GarbageTimer(self)
        self.lanes = {name: Lane(name) for name in ("capture", "reading", "picture", "files")}
        self.setWindowTitle("Stillbox")
        self.setAcceptDrops(True)
        self.bench = BenchPanel()
        self.results = ResultsPanel(self.lanes["picture"])
        self.first_start = FirstStart()
        self.devices = DeviceChoice(self.bench, settings.device)
        self.help_pages = HelpPages(self, self._jig, self.results.show_trouble)
        self.reading = ReadingControl(self.results, self.lanes["reading"], self)
        self.transfers = Transfers(
            self, lambda: self.session, self.bench, self.reading, self.results, self.lanes, settings
        )
        self.sweeps = SweepControl(self.bench, self.lanes["capture"], self)
        self.edits = BuildEdits(self, self.lanes["files"], self.refresh, self.show_failure, self._say)
        NetworkKeeping(self.results.desk, self.edits, self)
        self.practising = Practising(self.devices, self.lanes["files"], self.open_build, self.show_failure, self)
        self._lay_out()
        owners = (self, self.practising, self.transfers, self.edits, self.help_pages)
        self.actions_by_name, self.menus = make_menus(self, owners)
        self._make_varying_menus()
        self._connect()
        self._restore_settings()
        self.results.show_invitation(self.first_start)
        self.results.sentence.setText("Welcome to Stillbox.")
        self._follow()
        QTimer.singleShot(0, self._start_slow_things)

    def _lay_out(self) -> None:
        scroll = QScrollArea()
        scroll.setWidget(self.bench)
        scroll.setWidgetResizable(True)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarAlwaysOff)
        scroll.setFocusPolicy(Qt.NoFocus)
        self._bench_scroll = scroll
        self.split = QSplitter(Qt.Horizontal)
        self.split.addWidget(scroll)
        self.split.addWidget(self.results)
        self.split.setStretchFactor(0, 0)
        self.split.setStretchFactor(1, 1)
        self.split.setChildrenCollapsible(False)
        self.setCentralWidget(self.split)

    def _make_varying_menus(self) -> None:
        speakers = self.practising.menu(self.menus["Build"])
        self.menus["Build"].insertMenu(self.actions_by_name["ask_import"], speakers)
        self.recent_menu = QMenu("&Recent builds", self)
        self.menus["Build"].insertMenu(self.actions_by_name["ask_import"], self.recent_menu)
        self.recent_menu.aboutToShow.connect(self._fill_recent)
        self.export_menu = QMenu("&Export", self)
        self.menus["Picture"].insertMenu(self.actions_by_name["print_picture"], self.export_menu)
        self.export_menu.aboutToShow.connect(lambda: self.transfers.fill_exports(self.export_menu))
        build_menu = QMenu(self)
        for name in ("new_build", "ask_build", "practise"):
            build_menu.addAction(self.actions_by_name[name])
        build_menu.addMenu(speakers)
        build_menu.addMenu(self.recent_menu)
        self.bench.build_button.setMenu(build_menu)

    def _connect(self) -> None:
        self.bench.sweep_wanted.connect(self.sweep)
        self.bench.stop_wanted.connect(self.stop)
        self.bench.reference_changed.connect(self._set_reference)
        self.bench.device_changed.connect(self.devices.follow)
        self.bench.case_changed.connect(self.devices.show_cautions)
        self.bench.output_button.clicked.connect(lambda: self.sweeps.ask_output_of_chosen(self.session))
        self.bench.takes.chosen.connect(self._takes_chosen)
        self.bench.takes.setContextMenuPolicy(Qt.ActionsContextMenu)
        for name in ("compare", "rename", "remove", "wastebasket"):
            self.bench.takes.addAction(self.actions_by_name[name])
        self.first_start.practice_wanted.connect(self.practising.practise)
        self.first_start.new_wanted.connect(self.new_build)
        self.first_start.open_wanted.connect(self.ask_build)
        self.sweeps.taken.connect(self.taken)
        self.sweeps.trouble.connect(self.results.show_trouble)
        self.sweeps.began.connect(self.results.clear_trouble)
        self.transfers.taken.connect(self.taken)
        self.transfers.wrong.connect(self.show_error)
        for part in (self.transfers, self.reading, self.results.pane):
            part.failed.connect(self.show_failure)
        self.reading.shown.connect(lambda _: self._follow())
        self.results.view_wanted.connect(self._view_wanted)
        self.results.wish_changed.connect(self._wish_changed)
        self.edits.stack.indexChanged.connect(lambda _: self._follow())

    def _jig(self) -> tuple[float | None, JigKind]:
        """Rated ohms of the speaker, where they are known, and the kind of jig that is chosen."""
        rated_ohm = None if self.session is None else self.session.build.description.rated_ohm
        return rated_ohm, self.bench.jig.currentData()

    def _start_slow_things(self) -> None:
        self.reading.load_views()
        self.lanes["capture"].order(known_devices, self.devices.show_devices, self.show_failure)

    def _restore_settings(self) -> None:
        settings = self.settings
        self.set_theme(settings.theme)
        self.results.set_wish(settings.decay_style, settings.time_axis)
        self.bench.unit.setCurrentText(settings.unit)
        self.bench.jig.setCurrentIndex(max(0, self.bench.jig.findData(settings.jig)))
        self.bench.seconds.setCurrentIndex(max(0, self.bench.seconds.findData(settings.seconds)))
        self.bench.hurry.setChecked(settings.hurry)
        screen = QApplication.primaryScreen()
        room = (1366, 768) if screen is None else (screen.availableSize().width(), screen.availableSize().height())
        size = settings.window_size if len(settings.window_size) == 2 else [min(1500, room[0]), min(940, room[1])]
        self.resize(min(size[0], room[0]), min(size[1], room[1]))

    def changeEvent(self, event: QEvent) -> None:
        """Back from the editor: what is known of the box may be different now."""
        super().changeEvent(event)
        back = event.type() == QEvent.ActivationChange and self.isActiveWindow()
        if back and self._description_open and self.session is not None:
            self.session.changed()
            self.refresh()

    def showEvent(self, event: QShowEvent) -> None:
        """Only now is the font known in which the fields must fit."""
        super().showEvent(event)
        if not self._sized:
            self._sized = True
            least = self.bench.minimumSizeHint().width() + SCROLL_PX
            self._bench_scroll.setMinimumWidth(least)
            self.split.setSizes([max(self.settings.bench_width, least), self.width()])

    def keep_settings(self) -> None:
        """Remember how the window was left."""
        settings = self.settings
        settings.window_size = [self.width(), self.height()]
        settings.bench_width = self.split.sizes()[0]
        settings.unit = self.bench.unit.currentText()
        settings.jig = str(self.bench.jig.currentData())
        settings.seconds = float(self.bench.seconds.currentData())
        settings.hurry = self.bench.hurry.isChecked()
        settings.device = self.bench.device.currentText()
        try:
            write_settings(settings, self._settings_file)
        except StillboxError as error:
            LOG.warning("%s", error)

    # Builds

    def new_build(self) -> None:
        """Ask for a new build and open it."""
        from stillbox.capture.build.build_folder import BuildFolder
        from stillbox.gui.bench.new_build_form import NewBuildForm

        form = NewBuildForm(self, builds_folder())
        if form.exec_():
            path, known = form.path, (form.inside_mm(), form.rated_ohm(), form.metres_above_sea())
            self.lanes["files"].order(lambda: BuildFolder.create(path, *known).path, self.open_build, self.show_failure)

    def ask_build(self) -> None:
        """Ask for a folder and open it."""
        name = QFileDialog.getExistingDirectory(self, "Open a build: its folder", str(builds_folder()))
        if name:
            self.open_build(Path(name))

    def open_build(self, path: Path) -> None:
        """Open the build in a folder."""
        if self.sweeps.running:
            self.results.show_trouble("A sweep is running; stop it first, then open another build.")
            return

        def work() -> tuple[Session, Listing]:
            session = Session(path, self._say_of_work)
            return session, session.listing()

        self.lanes["files"].order(work, lambda found: self._opened(*found), self.show_failure)

    def _say(self, text: str) -> None:
        """Say something out of any lane."""
        self.lanes["files"].tell(lambda: self.bench.said.setText(text))

    def _say_of_work(self, text: str) -> None:
        self._say(f"{text[:1].upper()}{text[1:]} …")

    def _opened(self, session: Session, listing: Listing) -> None:
        self.session = session
        self.settings.remember_build(session.build.path)
        self.edits.open(session)
        self.results.clear_trouble()
        self.results.hide_invitation()
        self.reading.clear()
        self.bench.said.setText("Ready.")
        newest = [take.number for take in listing.takes if take.subject == "in-box"] or [
            take.number for take in listing.takes
        ]
        self._select_next = newest[-1:]
        self._show_listing(listing)
        self._suggest(listing)
        self.setWindowTitle(f"{listing.name} – Stillbox")
        self.opened.emit(session)

    def _suggest(self, listing: Listing) -> None:
        """In a new build the driver comes first in free air, for a practice rig that step is one click."""
        subjects = {take.subject for take in listing.takes}
        self.bench.choose_subject("in-box" if "free-air" in subjects else "free-air")
        self.bench.propose_state()

    def refresh(self) -> None:
        """Read the build again, because something in it has changed."""
        session = self.session
        if session is not None:
            self.lanes["files"].order(session.listing, self._show_listing, self.show_failure, topic="listing")

    def _show_listing(self, listing: Listing) -> None:
        self.listing = listing
        self.bench.build_button.setText(plain_action(listing.name))
        self.bench.show_names(listing.takes)
        self.bench.show_reference(listing)
        select, self._select_next = self._select_next, None
        self.bench.takes.show_takes(list(listing.takes), select)
        self._follow()

    def edit_description(self) -> None:
        """Open build.toml in the person's editor."""
        if self.session is not None:
            self._description_open = True
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(self.session.build.path / "build.toml")))

    def _fill_recent(self) -> None:
        paths = [Path(name) for name in self.settings.recent]
        fill_menu(
            self.recent_menu,
            [(f"{path.name}  –  {path.parent}", lambda path=path: self.open_build(path)) for path in paths],  # type: ignore[misc]
        )

    # Takes

    def sweep(self) -> None:
        """Make a take of what is on the clips."""
        if self.session is None:
            self.results.show_trouble("No build is open: open one, make a new one, or practise (Build menu).")
        elif not self.sweeps.running:
            if self.bench.settle_reference():
                LOG.info("reference resistor taken as shown: %s ohm", self.bench.reference.value())
            self.sweeps.begin(self.session)
            self._follow()

    def stop(self) -> None:
        """Fade out what is running."""
        self.sweeps.stop()

    def taken(self, info: TakeInfo) -> None:
        """A take has been added to the build: show it."""
        LOG.info("take %s: %s", info.number, info.address)
        self._select_next = [info.number]
        if info.subject == "free-air":
            self.bench.choose_subject("in-box")
        if self._closing:
            return
        self.refresh()

    def _takes_chosen(self, takes: list[TakeInfo]) -> None:
        self._follow()
        if self.session is None or self._closing:
            return
        if not takes:
            self.reading.clear()
            return
        self.reading.show(self.session, takes[-2:] if len(takes) > 2 else takes)

    def _view_wanted(self, key: str) -> None:
        view = next((view for view in self.reading.views if view.key == key), None)
        takes = self.reading.takes
        if view is None or self.session is None or not takes:
            return
        if view.takes == 2 and len(takes) == 1:
            self.compare()
            return
        wanted = takes[-1:] if view.takes == 1 else takes
        if not view.fits(wanted) and self.listing is not None:
            likeliest = view.likeliest([take for take in self.listing.takes if take.unit == takes[-1].unit])
            wanted = wanted if likeliest is None else [likeliest]
        if wanted != takes and view.fits(wanted):
            self.bench.takes.select_numbers([take.number for take in wanted])
        self.reading.show(self.session, wanted, key)

    def compare(self) -> None:
        """Compare the selected take with the newest one of another state before it; two selected ones as they are."""
        takes = self.bench.takes.selected()
        if len(takes) == 2 and self.session is not None:
            self.reading.show(self.session, takes, "compare")
            return
        partner = self._partner(takes[-1]) if takes else None
        if partner is None:
            self.results.show_trouble(
                "There is nothing to compare with: it takes two sweeps of the same unit in its box, in two states."
            )
            return
        self.bench.takes.select_numbers([partner.number, takes[-1].number])

    def _partner(self, take: TakeInfo) -> TakeInfo | None:
        others = [
            other
            for other in (self.listing.takes if self.listing else ())
            if other.subject == take.subject == "in-box" and other.unit == take.unit and other.state != take.state
        ]
        before = [other for other in others if other.number < take.number]
        chosen = before or others
        return chosen[-1] if chosen else None

    def rename(self) -> None:
        """Ask for another state of the selected take."""
        for take in self.bench.takes.selected()[-1:]:
            self.edits.ask_rename(take)

    def remove(self) -> None:
        """Put the selected takes into the wastebasket."""
        self.edits.remove(self.bench.takes.selected())

    def wastebasket(self) -> None:
        """Show what was removed."""
        dialog = Wastebasket(self, self.listing.removed if self.listing else ())
        if dialog.exec_():
            self.edits.restore(dialog.chosen())

    def undo(self) -> None:
        self.edits.stack.undo()

    def redo(self) -> None:
        self.edits.stack.redo()

    def _set_reference(self, reference_ohm: float, tolerance_percent: float) -> None:
        known = self.listing
        before = (
            None if known is None or known.reference_ohm is None else (known.reference_ohm, known.tolerance_percent)
        )
        self.edits.set_reference(before, reference_ohm, tolerance_percent)

    # Recordings dropped on the window

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        data = event.mimeData()
        if data is not None and any(url.toLocalFile().lower().endswith(AUDIO_SUFFIXES) for url in data.urls()):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        data = event.mimeData()
        paths = [] if data is None else [Path(url.toLocalFile()) for url in data.urls()]
        event.acceptProposedAction()
        for path in paths:
            if path.suffix.lower() in AUDIO_SUFFIXES:
                # After the drag has ended, or the other program would wait for the form.
                QTimer.singleShot(0, lambda path=path: self.transfers.import_file(path))

    # Picture

    def _wish_changed(self) -> None:
        self.settings.decay_style = str(self.results.decay_style.currentData())
        self.settings.time_axis = str(self.results.time_axis.currentData())

    def next_finding(self) -> None:
        self.results.findings.step(1)

    def previous_finding(self) -> None:
        self.results.findings.step(-1)

    def zoom_in(self) -> None:
        self.results.pane.zoom(0.7)

    def zoom_out(self) -> None:
        self.results.pane.zoom(1 / 0.7)

    def reset_zoom(self) -> None:
        self.results.pane.reset_zoom()

    def toggle_decay(self) -> None:
        field = self.results.decay_style
        field.setCurrentIndex(1 - field.currentIndex())

    def toggle_time(self) -> None:
        field = self.results.time_axis
        field.setCurrentIndex(1 - field.currentIndex())

    def focus_picture(self) -> None:
        self.results.pane.setFocus()
        self.results.pane.move_cursor(1.0)

    def toggle_theme(self) -> None:
        self.set_theme("light" if self.settings.theme == "dark" else "dark")

    def set_theme(self, name: str) -> None:
        """Light or dark."""
        theme = theme_named(name)
        self.settings.theme = theme.name
        application = QApplication.instance()
        assert isinstance(application, QApplication)
        apply_theme(application, theme)
        self.bench.set_theme(theme)
        self.results.set_theme(theme)

    # Faults and the end

    def show_failure(self, failure: Failure) -> None:
        """Say why something has no result."""
        self.results.show_trouble(failure.sentence)

    def show_error(self, error: BaseException) -> None:
        """A fault that no part caught: said, never thrown at the person."""
        self.results.show_trouble(sentence_of_error(error))

    def _follow(self) -> None:
        """Enable what can be done now."""
        takes = self.bench.takes.selected()
        stack = self.edits.stack
        able = {
            "compare": bool(takes),
            "rename": len(takes) == 1,
            "remove": bool(takes),
            "wastebasket": self.session is not None,
            "ask_import": self.session is not None,
            "edit_description": self.session is not None,
            "ask_air": self.session is not None,
            "ask_notebook": self.session is not None,
            "undo": stack.canUndo(),
            "redo": stack.canRedo(),
            "print_picture": self.reading.results is not None,
        }
        for name, enabled in able.items():
            self.actions_by_name[name].setEnabled(enabled)
        for name, verb, words in (("undo", "&Undo", stack.undoText()), ("redo", "Re&do", stack.redoText())):
            self.actions_by_name[name].setText(f"{verb} {words}" if words else verb)

    def closeEvent(self, event: QCloseEvent) -> None:
        """A running sweep fades out first; nothing is asked."""
        if self.sweeps.running and not self.sweeps.overdue:
            self._closing = True
            self.sweeps.stop()
            event.ignore()
            QTimer.singleShot(CLOSE_MS, self._close_again)
            return
        self._closing = True
        self.keep_settings()
        # The stack clears itself when it goes, and would call a window that has gone before it.
        self.edits.stack.indexChanged.disconnect()
        self.hide()
        for lane in self.lanes.values():
            lane.end()
        self._garbage.end()
        event.accept()

    def _close_again(self) -> None:
        self.close()
