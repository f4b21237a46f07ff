"""What a person sees before there is a build: the shortest way to a first result, and what the real thing takes."""

from __future__ import annotations

from PyQt5.QtCore import Qt, pyqtSignal
from PyQt5.QtWidgets import QHBoxLayout, QPushButton, QScrollArea, QVBoxLayout, QWidget

from stillbox.gui.parts.plain_text import OwnTextLabel, PlainLabel

SHOPPING = """
<h3>For your own speakers you need</h3>
<ul>
<li><b>A sound card</b> with one output and two line inputs that record at the same time.</li>
<li><b>A reference resistor</b>: 10 Ω for 8 Ω speakers (<i>Help ▸ How to build the jig</i> proposes one for others),
1 %, metal film, 0.5 W or more. Measure it if you can.</li>
<li><b>A second resistor you know</b>, 8.2 Ω or so, 1 % or better, to calibrate, and a third of another value to
prove it.</li>
<li><b>Two clips, shielded cable</b> for both inputs, solder, and a multimeter for the output's voltage.</li>
<li>A headphone output drives the jig well. With a power amplifier, only behind the attenuator that
<nobr><tt>stillbox jig --amplifier-watts W</tt></nobr> works out.</li>
</ul>
<h3>Solder it like this</h3>
<p>Output → reference resistor → clip +. Ground → clip −. Input 1 at the output side of the resistor, input 2 at
clip +. All grounds joined. The drawing on the left shows it for whatever is on the clips.</p>
<p>Then: <i>Build ▸ New</i>, calibrate (open, short, load), sweep the driver in free air, sweep the box.</p>
"""


class FirstStart(QWidget):
    """The invitation."""

    practice_wanted = pyqtSignal()
    new_wanted = pyqtSignal()
    open_wanted = pyqtSignal()

    def __init__(self) -> None:
        super().__init__()
        title = PlainLabel("Find out what rings in your speaker.")
        title.setObjectName("sentence")
        short = PlainLabel(
            "Try it without any hardware: the practice rig is a simulated speaker whose walls ring. "
            "Click below, then Sweep twice, driver and box: what rings, and why, appears here."
        )
        short.setWordWrap(True)
        self.practice = QPushButton("&Practise on the simulated speaker")
        self.practice.setObjectName("sweep")
        self.practice.clicked.connect(self.practice_wanted)
        self.new = QPushButton("&New build …")
        self.new.clicked.connect(self.new_wanted)
        self.open = QPushButton("&Open a build …")
        self.open.clicked.connect(self.open_wanted)
        others = QHBoxLayout()
        others.addWidget(self.new)
        others.addWidget(self.open)
        others.addStretch(1)
        shopping = OwnTextLabel(SHOPPING)
        shopping.setAlignment(Qt.AlignTop)
        scroll = QScrollArea()
        scroll.setWidget(shopping)
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QScrollArea.NoFrame)
        shopping.setObjectName("shopping")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(18, 12, 18, 12)
        layout.setSpacing(10)
        for part in (title, short, self.practice):
            layout.addWidget(part)
        layout.addLayout(others)
        layout.addWidget(scroll, 1)
