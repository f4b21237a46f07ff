"""What the table of a crossover's parts shows, and what a person has made of it. No Qt here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from stillbox.analysis.crossover.draft import Draft
from stillbox.analysis.network.network import Network
from stillbox.capture.recording.take import TakeInfo


@dataclass(frozen=True)
class PartsSheet:
    """A crossover as it is kept for a take.

    Attributes
    ----------
    take : TakeInfo
    draft : Draft
        As planned; without parts where no netlist is kept.
    kept : bool
        Whether a netlist is kept for the take.
    keep_words : str
        What keeping another one would do: ``Keep from state lined on``.
    state, unit : str or None
        What it would be kept for.
    drivers : tuple of str
        Names that the build knows.
    title : str
        Of the build, for the head of a netlist.
    planned : Network or None
        With all digits of the netlist that is kept.
    measured : mapping
        By the name of a part: what was measured, and the verdict.
    """

    take: TakeInfo
    draft: Draft
    kept: bool
    keep_words: str
    state: str | None
    unit: str | None
    drivers: tuple[str, ...] = ()
    title: str = ""
    planned: Network | None = None
    measured: Mapping[str, tuple[str, str]] = field(default_factory=dict)

    def is_of(self, other: PartsSheet | None) -> bool:
        """Whether the same is planned for the same take: then what was written on the one goes on with the other."""
        return other is not None and (self.take.number, self.draft) == (other.take.number, other.draft)
