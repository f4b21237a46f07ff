"""How a run shares the modules of tests out to its workers: one plays and waits, the others compute.

What waits for a sound card, a server or a window takes long but little of the processor. It stays on the first worker,
module after module, so that no two such tests disturb each other; the other workers give way to it.
"""

from __future__ import annotations

import os
from pathlib import PurePath

from xdist.scheduler import LoadFileScheduling
from xdist.workermanage import WorkerController

WAITING = (
    "test_real_audio",
    "test_window_gate",
    "test_stop_signals",
    "test_sound_process",
    "test_live_take",
    "test_jack_server",
)
"""Modules of the first worker, in this order."""

FIRST_WORKER = "gw0"
GIVES_WAY = 10
"""Steps of priority (nice) that the other workers are below the first."""


class OneWaits(LoadFileScheduling):
    """Each module on one worker, those that wait on the first."""

    @property
    def nodes(self) -> list[WorkerController]:
        """Workers by their names: the first gets what comes first."""
        return sorted(super().nodes, key=lambda node: str(node.gateway.id))

    def _split_scope(self, nodeid: str) -> str:
        module: str = super()._split_scope(nodeid)
        return "waiting" if PurePath(module).stem in WAITING else module


def give_way() -> None:
    """Let the first worker go before, in one of the others."""
    if os.environ.get("PYTEST_XDIST_WORKER", FIRST_WORKER) != FIRST_WORKER:
        os.nice(GIVES_WAY)
