"""What is said of a take that has just been kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stillbox.commands.printing import say

if TYPE_CHECKING:
    from stillbox.capture.build.build_folder import BuildFolder
    from stillbox.capture.recording.take import TakeInfo


def say_notes(folder: BuildFolder, info: TakeInfo) -> None:
    """Print what was noticed in a take, and which earlier one it stands for from now on."""
    from stillbox.capture.build.states import standing_sentence

    standing = standing_sentence(folder.takes(), info)
    for note in (*info.flags, *filter(None, [standing])):
        say(f"note: {note}")
