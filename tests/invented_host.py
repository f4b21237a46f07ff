"""Hosts of the sound library whose processes find the invented card of `invented_sound_card`."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from stillbox.capture.sound import sound_card
from stillbox.capture.sound.sound_host import SoundHost

Fate = Callable[..., SoundHost]


@contextmanager
def invented_hosts(monkeypatch: pytest.MonkeyPatch) -> Iterator[Fate]:
    """Gives a host, with what is to befall the card and after how many seconds; ends all hosts afterwards."""
    card = str(Path(__file__).parent / "invented_sound_card")
    monkeypatch.setenv("PYTHONPATH", card, prepend=os.pathsep)
    hosts: list[SoundHost] = []

    def made(fate: str = "", after_s: float = 0.5) -> SoundHost:
        monkeypatch.setenv("CARD_FATE", fate)
        monkeypatch.setenv("CARD_FATE_S", str(after_s))
        hosts.append(SoundHost())
        monkeypatch.setattr(sound_card, "sound_host", lambda: hosts[-1])
        return hosts[-1]

    yield made
    for host in hosts:
        host.end()
