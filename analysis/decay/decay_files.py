"""A decay as a table for other programs."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from stillbox.analysis.maths.table import text_of_lines
from stillbox.analysis.waterfall.decay import CumulativeDecay
from stillbox.capture.files.output_file import TABLE, TABLE_HEADS, write_output

DECAY_COLUMNS = TABLE_HEADS["decay"]
CYCLE_COLUMNS = TABLE_HEADS["decay in cycles"]


def decay_csv(decay: CumulativeDecay) -> str:
    """The decay as CSV text, one line for each slice and frequency.

    ``meaningful`` is 1 where the record supports the point and it is clear of the noise, else 0; an unknown noise
    floor is left empty.
    """
    shape = decay.level_db.shape
    time_s = np.broadcast_to(decay.time_s[:, None] if decay.time_s.ndim == 1 else decay.time_s, shape)
    floor_db = decay.noise_floor_db
    # One format for a whole slice: a decay has up to a million lines.
    line = "%.7g,{:.7g},%.3f," + ("" if floor_db is None else "%.2f") + ",%d"
    lines = [line.format(frequency_hz) for frequency_hz in decay.frequency_hz]
    columns = [time_s, decay.level_db, *([] if floor_db is None else [floor_db]), decay.meaningful]
    rows = []
    for row in range(shape[0]):
        cycles = "" if decay.cycles is None else f"{decay.cycles[row]:.6g},"
        values = np.stack([column[row] for column in columns], axis=1, dtype=float)
        rows.append("\n".join(cycles + text for text in lines) % tuple(values.ravel().tolist()))
    return text_of_lines(DECAY_COLUMNS if decay.cycles is None else CYCLE_COLUMNS, rows)


def write_decay_csv(path: Path, decay: CumulativeDecay) -> None:
    """Write `decay_csv` to a file."""
    write_output(path, TABLE, decay_csv(decay))
