"""A loudspeaker on a jig as a program of its own, between an output and two inputs of a sound server.

Run as ``python virtual_speaker.py jack SERVER`` or ``python virtual_speaker.py pulse``. The circuit and its truth come
from `reference`; what it does to the sound is convolution with the responses of that circuit.

As a JACK client it has one input and two outputs, which PortAudio lists as a device of its own. Under PulseAudio it
reads what is played to one null sink and plays both channels to another, whose monitor is then recorded.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))

from reference.analytic import impedance_ohm
from reference.jig_circuit import Jig, node_voltages
from reference.speaker_circuit import Cavity, Coil, Driver, Line, SpeakerCircuit, semi_inductance

from stillbox.capture.practice.practice_rig import BlockConvolver

JIG = Jig("high-side", reference_ohm=10.0)
SPEAKER = SpeakerCircuit(
    Driver(Coil(5.9, 0.0001, semi_inductance(0.02, 0.65)), 6.4, 0.014, 0.0009, 1.1, 0.0137),
    Cavity(0.0588, (Line("height", 0.60, 0.15, 60.0),)),
)
NAME = "virtual speaker"
DELAY_FRAMES = 1024
"""So long that what a band limit puts before the impulse stays before it."""
GAIN = 0.5
NOISE = 10 ** (-135 / 20)
SINK_OUT, SINK_BACK = "stillbox_out", "stillbox_back"
PULSE_BLOCK = 1024
PULSE_RESERVE_MS = 150


def truth_ohm(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Impedance of the circuit."""
    return impedance_ohm(SPEAKER, frequency_hz)


def responses(rate_hz: int) -> NDArray[np.float64]:
    """From the output to both inputs, shape (2, taps), with converters' filters near half the rate."""
    taps = 2**16
    frequency_hz = np.arange(taps // 2 + 1) * rate_hz / taps
    both = np.stack(node_voltages(JIG, truth_ohm(frequency_hz)))
    across = np.clip((frequency_hz / rate_hz - 0.478) / 0.021, 0, 1)
    filters = (0.5 + 0.5 * np.cos(np.pi * across)) * np.exp(-2j * np.pi * frequency_hz / rate_hz * DELAY_FRAMES)
    return np.fft.irfft(GAIN * both * filters, taps, axis=1)


class Speaker:
    """From blocks of the output to blocks of both inputs."""

    def __init__(self, rate_hz: int, block_frames: int) -> None:
        self._convolver = BlockConvolver(responses(rate_hz), block_frames)
        self._rng = np.random.default_rng(1)

    def __call__(self, block: NDArray[np.float32]) -> NDArray[np.float32]:
        answer = self._convolver(block.astype(np.float64))
        return (answer + NOISE * self._rng.standard_normal(answer.shape)).astype(np.float32)


def run_jack(server: str) -> None:
    """Stay between the ports until the server ends."""
    import jack

    client = jack.Client(NAME, no_start_server=True, servername=server)
    source = client.inports.register("in")
    returns = [client.outports.register(f"out_{number}") for number in (1, 2)]
    speaker = Speaker(client.samplerate, client.blocksize)
    ended = threading.Event()
    client.set_shutdown_callback(lambda *_: ended.set())

    @client.set_process_callback
    def process(_: int) -> None:
        answer = speaker(source.get_array())
        for channel, port in enumerate(returns):
            port.get_array()[:] = answer[:, channel]

    with client:
        print("ready", flush=True)
        ended.wait()


def run_pulse() -> None:
    """Copy from one sink to the other until a pipe breaks."""
    speaker = Speaker(48_000, PULSE_BLOCK)
    common = ["--format=float32le", "--rate=48000", "--raw"]
    heard = subprocess.Popen(
        ["parec", *common, "--channels=1", f"--device={SINK_OUT}.monitor", "--latency-msec=20"],
        stdout=subprocess.PIPE,
    )
    played = subprocess.Popen(
        ["pacat", *common, "--channels=2", f"--device={SINK_BACK}", f"--latency-msec={PULSE_RESERVE_MS}"],
        stdin=subprocess.PIPE,
    )
    print("ready", flush=True)
    try:
        while len(data := heard.stdout.read(4 * PULSE_BLOCK)) == 4 * PULSE_BLOCK:
            played.stdin.write(speaker(np.frombuffer(data, dtype="<f4")).tobytes())
            played.stdin.flush()
    except BrokenPipeError:
        pass
    finally:
        heard.terminate()
        played.terminate()


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())  # so that what was started ends too
    run_jack(sys.argv[2]) if sys.argv[1] == "jack" else run_pulse()
