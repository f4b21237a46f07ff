"""Level meters of both inputs: bar, held peak, and a light that stays on once an input has clipped."""

from __future__ import annotations

import math
import time

from PyQt5.QtCore import QRectF, QSize, Qt
from PyQt5.QtGui import QColor, QPainter, QPaintEvent, QPen
from PyQt5.QtWidgets import QSizePolicy, QWidget

from stillbox.gui.parts.theme import LIGHT, Theme
from stillbox.gui.parts.words import MEANING

LOWEST_DBFS = -60.0
HOLD_S = 1.5
FALL_DB_PER_S = 30.0
CLIPPED = 0.99
"""Peaks from here on light the clip light, full scale = 1."""


class Meters(QWidget):
    """Two meters below each other."""

    def __init__(self) -> None:
        super().__init__()
        self.theme: Theme = LIGHT
        self.updates = 0
        self.setToolTip(
            f"Peak of each input. {MEANING['dBFS']} The thin line is the peak held; the square lights up and says "
            "CLIP when an input was overloaded in this sweep."
        )
        self.setAccessibleName("Levels of both inputs")
        self.setSizePolicy(QSizePolicy.Expanding, QSizePolicy.Fixed)
        self.clear()

    def clear(self) -> None:
        """Nothing heard yet."""
        self.level_dbfs = [LOWEST_DBFS, LOWEST_DBFS]
        self.held_dbfs = [LOWEST_DBFS, LOWEST_DBFS]
        self.clipped = [False, False]
        self._held_since = [0.0, 0.0]
        self._last_s = time.monotonic()
        self.update()

    def rest(self) -> None:
        """Nothing runs: what was held stays to be read."""
        self.level_dbfs = [LOWEST_DBFS, LOWEST_DBFS]
        self.update()

    def show_peaks(self, peaks: tuple[float, float]) -> None:
        """Peaks of the inputs since the last call, full scale = 1."""
        now_s = time.monotonic()
        fall_db = FALL_DB_PER_S * (now_s - self._last_s)
        self._last_s = now_s
        for index, peak in enumerate(peaks):
            level = max(LOWEST_DBFS, 20 * math.log10(max(peak, 1e-9)))
            self.level_dbfs[index] = max(level, self.level_dbfs[index] - fall_db)
            if level >= self.held_dbfs[index] or now_s - self._held_since[index] > HOLD_S:
                self.held_dbfs[index], self._held_since[index] = level, now_s
            self.clipped[index] |= peak >= CLIPPED
        self.updates += 1
        self.update()

    def sizeHint(self) -> QSize:
        return QSize(240, 40)

    def paintEvent(self, _: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.Antialiasing)
        theme = self.theme
        text_px, light_px, value_px = 22, 36, 70
        bar_px = self.width() - text_px - light_px - value_px
        for index in (0, 1):
            top, height = 3 + index * 20, 13.0
            painter.setPen(QColor(theme.soft))
            painter.drawText(QRectF(0, top - 2, text_px, 18), Qt.AlignVCenter, str(index + 1))
            painter.setPen(Qt.NoPen)
            painter.setBrush(QColor(theme.rule))
            painter.drawRoundedRect(QRectF(text_px, top, bar_px, height), 3, 3)
            painter.setBrush(QColor(theme.accent))
            painter.drawRoundedRect(QRectF(text_px, top, bar_px * self._share(self.level_dbfs[index]), height), 3, 3)
            if self.held_dbfs[index] > LOWEST_DBFS:
                painter.setPen(QPen(QColor(theme.ink), 2))
                place = round(text_px + bar_px * self._share(self.held_dbfs[index]))
                painter.drawLine(place, top, place, round(top + height))
            painter.setPen(QColor(theme.ink))
            held = self.held_dbfs[index]
            words = f"{held:.0f} dBFS".replace("-", "\N{MINUS SIGN}") if held > LOWEST_DBFS else "–"
            painter.drawText(
                QRectF(text_px + bar_px, top - 2, value_px - 4, 18), int(Qt.AlignVCenter | Qt.AlignRight), words
            )
            light = QRectF(self.width() - light_px + 2, top - 1, light_px - 3, 15)
            painter.setPen(QPen(QColor(theme.stop if self.clipped[index] else theme.rule), 1))
            painter.setBrush(QColor(theme.stop) if self.clipped[index] else Qt.NoBrush)
            painter.drawRoundedRect(light, 3, 3)
            painter.setPen(QColor(theme.paper if self.clipped[index] else theme.soft))
            font = painter.font()
            font.setPointSizeF(6.5)
            painter.save()
            painter.setFont(font)
            painter.drawText(light, Qt.AlignCenter, "CLIP" if self.clipped[index] else "clip")
            painter.restore()

    @staticmethod
    def _share(level_dbfs: float) -> float:
        return min(1.0, max(0.0, 1 - level_dbfs / LOWEST_DBFS))
