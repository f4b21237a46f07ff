"""What can be known of an entry at once, before anything is swept."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stillbox.analysis.network.cable import CABLE, read_cable
from stillbox.analysis.network.network import LOSS
from stillbox.analysis.parts.part_codes import read_marking
from stillbox.analysis.system.filling import of_entry
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.notebook import Entry, read_notebook
from stillbox.capture.errors import StillboxError


def checked_parts(parts: Sequence[str]) -> None:
    """StillboxError where the value of an exchanged part cannot be read: ``C2=8.2u``, ``L1.loss=0.2``."""
    for text in parts:
        name, sign, value = (word.strip() for word in text.partition("="))
        if not sign or not name:
            raise StillboxError(f"--part '{text[:60]}' is no exchanged part", "write NAME=VALUE, as in C2=8.2u")
        if name.casefold() == CABLE:
            read_cable(value)
            continue
        kind = {"c": "capacitor", "l": "coil", "r": "resistor"}.get(name[:1].casefold())
        read_marking(value, "resistor" if name.casefold().endswith(LOSS) else kind)  # type: ignore[arg-type]


def entry_notes(folder: BuildFolder, entry: Entry) -> Iterator[str]:
    """What should be known of an entry that has just been written."""
    if entry.withdrawn is not None:
        return
    takes = [take for take in folder.takes() if take.subject == "in-box"]
    if entry.material:
        found = of_entry(entry)
        if isinstance(found, str):
            yield found
    if entry.is_work and entry.state is None and takes:
        yield f"entry {entry.number} belongs to the next take in the box; give --state if it was swept already"
    if entry.state is not None and takes and not any(take.state == entry.state for take in takes):
        yield f"no take in the box is of state '{entry.state}' yet: what it did is told once there is one"
    if not any(one.heard for one in read_notebook(folder.path).standing):
        yield (
            "what do you hear? Say what is to become better, before anything is done: "
            f'stillbox log {folder.path} --heard "..."'
        )
