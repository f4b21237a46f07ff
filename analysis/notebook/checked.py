"""What can be known of an entry at once, before anything is swept."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stillbox.analysis.network.cable import CABLE, read_cable
from stillbox.analysis.network.network import LOSS
from stillbox.analysis.parts.part_codes import read_marking
from stillbox.analysis.system.filling import of_entry
from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.notebook import Entry, begins_at, read_notebook
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
        units = dict.fromkeys(take.unit for take in takes)
        first = next((number for unit in units if (number := begins_at(entry, takes, unit)) is not None), None)
        counts = next((f"take {take.number} ({take.address})" for take in takes if take.number == first), None)
        yield f"entry {entry.number} counts from {counts or 'the next take in the box'} on; if not, --state says it"
    if entry.state is not None and takes and not any(take.state == entry.state for take in takes):
        yield f"no take in the box is of state '{entry.state}' yet: what it did is told once there is one"
    if not any(one.heard for one in read_notebook(folder.path).standing):
        yield (
            "what do you hear? Say what is to become better, before anything is done: "
            f'stillbox log {folder.path} --heard "..."'
        )
