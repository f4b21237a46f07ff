"""Stands in for the library of sound cards in the process that plays: a card whose output is wired to its inputs.

Input 1 hears the output, input 2 half of it, half a block late. What befalls it is in the environment:
``CARD_FATE`` is one of ``abort``, ``hang``, ``silence``, ``abort at start``, ``abort at list``, ``refused list``
(PortAudio says no), ``wrong list`` (a fault of the program's own), ``runs on`` (as if its server had died: silence
as fast as it can), ``no sound`` (what it delivers are no numbers), ``no sound, gone``;
``CARD_FATE_S`` says after how many seconds of a stream; ``CARD_HEARD`` names a file that gets all that is played, and
``CARD_GONE`` one whose being there takes the card off the list.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np

RATE_HZ = 48_000
FATE = os.environ.get("CARD_FATE", "")
FATE_FRAMES = float(os.environ.get("CARD_FATE_S", "0")) * RATE_HZ
NAMES = ["left over", "invented card"]

default = SimpleNamespace(device=[1, 1])


class PortAudioError(Exception):
    """Its arguments: what is wrong, and a number; both are in its text."""

    def __str__(self):
        return f"{self.args[0]} [PaErrorCode {self.args[1]}]"


class CallbackStop(Exception):
    pass


class CallbackAbort(Exception):
    pass


def query_hostapis():
    return [{"name": "invented"}]


def query_devices(index=None):
    if FATE == "abort at list":
        os.abort()
    if FATE == "refused list":
        raise PortAudioError("Error querying device -1", -9996)
    if FATE == "wrong list":
        raise TypeError("list indices must be integers")
    there = [
        {
            "name": name,
            "hostapi": 0,
            "max_input_channels": 2 * number,
            "max_output_channels": 2,
            "default_samplerate": float(RATE_HZ),
            "default_high_input_latency": 0.02,
            "default_high_output_latency": 0.02,
        }
        for number, name in enumerate(NAMES)
    ]
    if Path(os.environ.get("CARD_GONE", "/nowhere")).exists():
        there.pop()
    return there if index is None else there[index]


def check_output_settings(device, channels, dtype, samplerate):
    if samplerate != RATE_HZ:
        raise PortAudioError("Invalid sample rate", -9997)


def check_input_settings(device, channels, dtype, samplerate):
    check_output_settings(device, channels, dtype, samplerate)


class Stream:
    def __init__(self, samplerate, blocksize, device, channels, dtype, latency, callback):
        if device != (1, 1):
            raise PortAudioError(f"not this one {device}", -9996)
        self.latency = latency
        self.active = False
        self._frames, self._callback = blocksize, callback
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self):
        if FATE == "abort at start":
            os.abort()
        self.active = True
        self._thread.start()

    def stop(self):
        self._thread.join()

    def close(self):
        pass

    def _run(self):
        with Path(os.environ.get("CARD_HEARD", os.devnull)).open("ab", buffering=0) as file:
            self._play(file)

    def _play(self, file):
        late = np.zeros((self._frames // 2, 2), dtype=np.float32)
        out = np.zeros((self._frames, 2), dtype=np.float32)
        done, status = 0, SimpleNamespace(input_overflow=False, output_underflow=False)
        began_s = time.monotonic()
        try:
            while True:
                heard = np.concatenate([late, out[: -len(late)]])
                late = out[-len(late):].copy()
                recorded = np.stack([heard[:, 0], 0.5 * heard[:, 0]], axis=1)
                reached = done >= FATE_FRAMES > 0
                if reached and FATE.startswith("no sound"):
                    recorded[:] = np.nan
                if reached and FATE.endswith("gone"):
                    Path(os.environ["CARD_GONE"]).touch()
                self._callback(recorded, out, self._frames, None, status)
                file.write(out[:, 0].tobytes())
                done += self._frames
                if reached and FATE == "runs on":
                    continue
                if reached and FATE in ("abort", "hang", "silence"):
                    if FATE == "abort":
                        os.abort()
                    if FATE == "hang":
                        os.kill(os.getpid(), signal.SIGSTOP)  # nothing of the process moves any more
                    time.sleep(600)  # silence: it never calls again
                time.sleep(max(0.0, began_s + done / RATE_HZ - time.monotonic()))
        except (CallbackStop, CallbackAbort):
            pass
        self.active = False
