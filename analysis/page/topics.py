"""The topics, listed once, in the order in which the report tells them. A new topic is a package and a line here."""

from __future__ import annotations

from typing import Any

from stillbox.analysis.bass.topic import BASS
from stillbox.analysis.box.topic import BOX
from stillbox.analysis.checking.topic import CHECK
from stillbox.analysis.comparison.topic import COMPARISON
from stillbox.analysis.crossover.topic import CROSSOVER
from stillbox.analysis.curve.topic import CURVE
from stillbox.analysis.decay.topic import DECAY
from stillbox.analysis.driver.topic import DRIVER
from stillbox.analysis.findings.topic import FINDINGS
from stillbox.analysis.notebook.topic import NOTEBOOK
from stillbox.analysis.part.topic import PART
from stillbox.analysis.topic import Topic

TOPICS: tuple[Topic[Any], ...] = (
    NOTEBOOK, COMPARISON, FINDINGS, CURVE, DECAY, DRIVER, BOX, BASS, CROSSOVER, CHECK, PART,
)  # fmt: skip
