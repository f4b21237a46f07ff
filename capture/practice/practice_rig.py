"""The practice rig: a simulated jig with a simulated speaker, which stands in for a sound card.

It obeys the contract of `capture.sound.audio_device` block by block, so a stop, a full disk or a crash meet it in the
middle as they meet a sound card. The path of a sample: output stage, source resistance, reference resistor, leads and
clips, loading and gains of the inputs, their noise and hum, clipping, converters with their latency.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.errors import StillboxError
from stillbox.capture.practice.practice_speakers import (
    BARE_BOX,
    SPEAKERS,
    PracticeSpeaker,
    sound_pressure_pa_per_v,
    speaker_named,
)
from stillbox.capture.sound.audio_device import (
    RATES_HZ,
    RECORDED_CHANNELS,
    BlockSink,
    Clips,
    DeviceInfo,
    OutputFeed,
    Playback,
    StreamReport,
    StreamState,
)
from stillbox.capture.sound.sound_permit import SoundPermit

RIG_NAME = "practice rig"
DEFAULT_SPEAKER = BARE_BOX
BLOCK_FRAMES = 1024
RESPONSE_S = 1.3
LONG_STREAM_S = 1.5
"""Faults of the recording itself strike streams longer than this: sweeps, not the check before them."""

Fault = Literal[
    "open clips",
    "shorted clips",
    "swapped channels",
    "dead channel 1",
    "dead channel 2",
    "muted output",
    "inverted channel",
    "large reference",
    "small reference",
    "hum 50 Hz",
    "hum 60 Hz",
    "noise",
    "hot inputs",
    "automatic gain",
    "sample-rate conversion",
    "dropout",
    "overflow",
    "device loss",
]
FAULTS: tuple[str, ...] = get_args(Fault)


@dataclass(frozen=True)
class RigParts:
    """What the jig and the sound card of the rig are made of; the defaults are those of middling hardware.

    Attributes
    ----------
    loudest_volts : float
        Output at full scale, V rms.
    input_peak_volts : float
        Peak voltage at which the inputs clip, V.
    second_gain : float
        Gain of input 2 re input 1.
    noise_dbfs, hum_dbfs : float
        Rms of each input re full scale; hum only where it is switched on.
    """

    reference_ohm: float = 10.0
    source_ohm: float = 0.5
    lead_ohm: float = 0.06
    input_ohm: float = 100e3
    loudest_volts: float = 1.4
    input_peak_volts: float = 1.4
    second_gain: float = 1.01
    noise_dbfs: float = -100.0
    loud_noise_dbfs: float = -30.0
    hum_dbfs: float = -45.0
    coupling_hz: float = 2.0
    latency_frames: int = 480
    microphone_v_per_pa: float = 0.2


class PracticeRig:
    """One practice rig with what is on its clips.

    Parameters
    ----------
    speaker : str or PracticeSpeaker
        A name of SPEAKERS, or a speaker of one's own.
    faults : iterable of str
        Of FAULTS.
    real_pace : bool
        Take as long as a sound card would.
    seed : int or None
        Of noise and of the moments at which faults strike; None for another one each time.
    fault_streams : int or None
        How many long streams the faults of the recording strike; None for all.
    listener : callable
        Gets every block that goes out, shape (frames,), full scale = 1.
    """

    def __init__(
        self,
        speaker: str | PracticeSpeaker = DEFAULT_SPEAKER,
        faults: Iterable[str] = (),
        *,
        real_pace: bool = False,
        seed: int | None = None,
        fault_streams: int | None = None,
        parts: RigParts | None = None,
        listener: Callable[[NDArray[np.float32]], None] = lambda _: None,
    ) -> None:
        self.speaker_name = speaker if isinstance(speaker, str) else "of its own"
        self._speaker = speaker_named(speaker) if isinstance(speaker, str) else speaker
        self._listener = listener
        self._faults = frozenset(faults)
        unknown = self._faults.difference(FAULTS)
        if unknown:
            raise StillboxError(f"the practice rig has no fault '{min(unknown)}'", f"choose of {', '.join(FAULTS)}")
        self._real_pace = real_pace
        self._rng = np.random.default_rng(seed)
        self._faulty_streams_left = math.inf if fault_streams is None else fault_streams
        self.parts = parts or RigParts()
        self._clips = Clips("in-box")
        self._responses: dict[int, NDArray[np.float64]] = {}

    @property
    def info(self) -> DeviceInfo:
        return DeviceInfo(
            name=", ".join((f"{RIG_NAME}: {self.speaker_name}", *sorted(self._faults))),
            host_api="none",
            kind="practice rig",
            input_channels=RECORDED_CHANNELS,
            output_channels=1,
            default_rate_hz=48_000,
            rates_hz=RATES_HZ,
            loudest_volts=self.parts.loudest_volts,
            harmless=True,
        )

    def connect(self, clips: Clips) -> None:
        if clips != self._clips:
            self._clips = clips
            self._responses.clear()

    def require_rate(self, sample_rate_hz: int) -> None:
        if sample_rate_hz not in RATES_HZ:
            rates = ", ".join(map(str, RATES_HZ))
            raise StillboxError(f"the practice rig has no rate of {sample_rate_hz} Hz", f"choose one of {rates}")

    def play_and_record(
        self, permit: SoundPermit, playback: Playback, sink: BlockSink, state: StreamState
    ) -> StreamReport:
        permit.require(self.info.key, playback.samples, playback.sample_rate_hz)
        self.require_rate(playback.sample_rate_hz)
        feed = OutputFeed(playback.samples, playback.sample_rate_hz, permit.limit.peak)
        try:
            return self._run(playback, feed, sink, state)
        except BaseException:
            # As a sound card does: whatever went wrong, the output fades out before anyone hears of it.
            state.request_stop()
            self._run(playback, feed, lambda _: None, state)
            raise

    def _run(self, playback: Playback, feed: OutputFeed, sink: BlockSink, state: StreamState) -> StreamReport:
        rate_hz, total = playback.sample_rate_hz, playback.total_frames
        path = _SignalPath(self._response(rate_hz), self, rate_hz)
        loss = self._next_loss(playback)
        out = np.zeros(BLOCK_FRAMES, dtype=np.float32)
        began_s = time.monotonic()
        done = recorded = 0
        while done < total and not (state.stop_requested and feed.finished):
            if state.stop_requested:
                feed.stop()
            feed.fill(out)
            self._listener(out)
            block = path.through(out)[: total - done]
            done += len(block)
            if loss is not None:
                block = loss.of(block, done)
                if loss.kind == "device loss" and done >= loss.frame:
                    return StreamReport(recorded, device_lost=True)
            state.add_block(block)
            state.progress = done / total
            sink(block)
            recorded += len(block)
            if self._real_pace:
                time.sleep(max(0.0, began_s + done / rate_hz - time.monotonic()))
        return StreamReport(
            recorded,
            input_overflows=int(loss is not None and loss.kind == "overflow"),
            stopped=state.stop_requested,
            reported_latency_s=self.parts.latency_frames / rate_hz,
        )

    def has(self, fault: Fault) -> bool:
        return fault in self._faults

    @property
    def noise_rng(self) -> np.random.Generator:
        return self._rng

    def _next_loss(self, playback: Playback) -> _Loss | None:
        kinds = self._faults.intersection(("dropout", "overflow", "device loss"))
        too_short = playback.total_frames < LONG_STREAM_S * playback.sample_rate_hz
        if not kinds or too_short or self._faulty_streams_left <= 0:
            return None
        self._faulty_streams_left -= 1
        sounding = np.flatnonzero(playback.samples)[[0, -1]]
        frame = int(np.interp(self._rng.uniform(0.3, 0.7), [0, 1], sounding)) + self.parts.latency_frames
        return _Loss(min(kinds), frame, int(self._rng.integers(64, 4000)))

    def _response(self, rate_hz: int) -> NDArray[np.float64]:
        """Impulse responses from the output to both inputs, shape (2, taps), full scale to full scale."""
        if rate_hz not in self._responses:
            taps = 2 ** round(math.log2(RESPONSE_S * rate_hz))
            frequency_hz = np.arange(1, taps // 2 + 1) * rate_hz / taps
            first, second = self._node_voltages(frequency_hz)
            converters = self._converters(frequency_hz, rate_hz)
            spectrum = np.zeros((2, taps // 2 + 1), dtype=complex)
            spectrum[:, 1:] = np.stack([first, second]) * converters
            self._responses[rate_hz] = np.fft.irfft(spectrum, taps, axis=1)
        return self._responses[rate_hz]

    def _node_voltages(
        self, frequency_hz: NDArray[np.float64]
    ) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        """Voltages that both inputs read for 1 V of the source."""
        parts, clips = self.parts, self._clips
        reference_ohm = parts.reference_ohm * (10.0 if self.has("large reference") else 1.0)
        reference_ohm /= 10.0 if self.has("small reference") else 1.0
        device = self._speaker.impedance_ohm(clips, frequency_hz)
        if self.has("open clips"):
            device = np.full_like(device, np.inf)
        if self.has("shorted clips"):
            device = np.zeros_like(device)
        with np.errstate(divide="ignore", invalid="ignore"):
            admittance = np.where(np.isinf(device), 0, 1 / (device + parts.lead_ohm))
        loading = 1 / parts.input_ohm
        if clips.jig == "high-side":
            upper, lower = np.full_like(device, 1 / reference_ohm), admittance + loading
        else:
            upper, lower = admittance, np.full_like(device, 1 / reference_ohm + loading)
        ratio = upper / (upper + lower)
        if clips.subject == "channel-match":
            ratio = np.ones_like(ratio)
        bridge = upper * lower / (upper + lower)
        first = np.asarray(1 / (1 + parts.source_ohm * (2 * loading + bridge)), dtype=np.complex128)
        second = first * ratio
        if clips.subject == "microphone":
            second = first * self._microphone(frequency_hz)
        second = second * parts.second_gain * (-1 if self.has("inverted channel") else 1)
        gains = (0.0 if self.has("dead channel 1") else 1.0, 0.0 if self.has("dead channel 2") else 1.0)
        first, second = first * gains[0], second * gains[1]
        return (second, first) if self.has("swapped channels") else (first, second)

    def _microphone(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Voltage of a microphone 1 m in front of the speaker, for 1 V at the clips."""
        driver, box = self._speaker.driver_of(self._clips), self._speaker.box_of(self._clips)
        pressure = sound_pressure_pa_per_v(driver, frequency_hz, box, 1.0)
        return np.asarray(self.parts.microphone_v_per_pa * pressure, dtype=np.complex128)

    def _converters(self, frequency_hz: NDArray[np.float64], rate_hz: int) -> NDArray[np.complex128]:
        """Scale, coupling capacitors, filters near half the rate and latency."""
        parts = self.parts
        edges = (0.418, 0.459) if self.has("sample-rate conversion") else (0.476, 0.5)
        across = np.clip((frequency_hz / rate_hz - edges[0]) / (edges[1] - edges[0]), 0, 1)
        s = 1j * frequency_hz / parts.coupling_hz
        scale = parts.loudest_volts * math.sqrt(2) / parts.input_peak_volts
        scale *= 0.0 if self.has("muted output") else 1.0
        delay = np.exp(-2j * np.pi * frequency_hz / rate_hz * parts.latency_frames)
        return np.asarray(scale * s / (1 + s) * (0.5 + 0.5 * np.cos(np.pi * across)) * delay, dtype=np.complex128)


class _SignalPath:
    """From blocks of the output to blocks of the inputs, with all that remembers the past."""

    def __init__(self, responses: NDArray[np.float64], rig: PracticeRig, rate_hz: int) -> None:
        self._rig = rig
        self._rate_hz = rate_hz
        self._convolver = BlockConvolver(responses, BLOCK_FRAMES)
        self._frame = 0
        self._agc = 1.0
        self._phases = rig.noise_rng.uniform(0, 2 * np.pi, 7)

    def through(self, out: NDArray[np.float32]) -> NDArray[np.float32]:
        """Recorded block of the same length, shape (frames, 2)."""
        rig, parts = self._rig, self._rig.parts
        signal = self._convolver(out.astype(np.float64))
        if rig.has("hot inputs"):
            signal = signal * 1000.0
        noise_dbfs = parts.loud_noise_dbfs if rig.has("noise") else parts.noise_dbfs
        signal = signal + 10 ** (noise_dbfs / 20) * rig.noise_rng.standard_normal(signal.shape)
        signal += self._hum(len(out))[:, None]
        if rig.has("automatic gain"):
            signal = self._automatic_gain(signal)
        self._frame += len(out)
        # Converters of 24 bit.
        return np.clip(np.rint(signal * 2**23) / 2**23, -1.0, 1.0 - 2**-23).astype(np.float32)

    def _hum(self, frames: int) -> NDArray[np.float64]:
        mains_hz = 50.0 if self._rig.has("hum 50 Hz") else 60.0 if self._rig.has("hum 60 Hz") else None
        total = np.zeros(frames)
        if mains_hz is None:
            return total
        time_s = (self._frame + np.arange(frames)) / self._rate_hz
        for order, phase in enumerate(self._phases, start=1):
            share = (1.0, 0.25, 0.5, 0.1, 0.3, 0.05, 0.15)[order - 1]
            total += share * np.sin(2 * np.pi * mains_hz * order * time_s + phase)
        return math.sqrt(2) * 10 ** (self._rig.parts.hum_dbfs / 20) * total / 1.2

    def _automatic_gain(self, signal: NDArray[np.float64]) -> NDArray[np.float64]:
        """Pull the louder channel towards -18 dBFS within some 50 ms, by at most 30 dB."""
        rms = math.sqrt(float(np.mean(signal**2, axis=0).max()))
        wanted = min(max(10 ** (-18 / 20) / max(rms, 1e-9), 0.03), 30.0)
        before, self._agc = self._agc, self._agc + (wanted - self._agc) * 0.35
        return signal * np.linspace(before, self._agc, len(signal))[:, None]


class BlockConvolver:
    """Convolution of a stream with long responses, block by block, without delay (partitioned overlap-save).

    Parameters
    ----------
    responses : ndarray, shape (channels, taps)
    block_frames : int
        Length of every block.
    """

    def __init__(self, responses: NDArray[np.float64], block_frames: int) -> None:
        channels, taps = responses.shape
        self._frames = block_frames
        self._count = -(-taps // block_frames)
        padded = np.zeros((channels, self._count * block_frames))
        padded[:, :taps] = responses
        pieces = padded.reshape(channels, self._count, block_frames)
        self._pieces = np.fft.rfft(pieces, 2 * block_frames, axis=2).transpose(1, 0, 2)
        self._history = np.zeros((self._count, block_frames + 1), dtype=complex)
        self._newest = 0
        self._last = np.zeros(block_frames)

    def __call__(self, block: NDArray[np.float64]) -> NDArray[np.float64]:
        """Next block of the result, shape (frames, channels)."""
        self._newest = (self._newest - 1) % self._count
        self._history[self._newest] = np.fft.rfft(np.concatenate([self._last, block]))
        self._last = block.copy()
        order = (self._newest + np.arange(self._count)) % self._count
        spectrum = np.einsum("pcf,pf->cf", self._pieces, self._history[order])
        return np.fft.irfft(spectrum, 2 * self._frames, axis=1)[:, self._frames :].T


@dataclass(frozen=True)
class _Loss:
    """Recorded frames that go missing from ``frame`` on."""

    kind: str
    frame: int
    frames: int

    def of(self, block: NDArray[np.float32], done: int) -> NDArray[np.float32]:
        place = np.arange(done - len(block), done)
        return block[(place < self.frame) | (place >= self.frame + self.frames)]


def rig_named(name: str, real_pace: bool = False) -> PracticeRig:
    """The rig that a device name means: ``practice rig``, ``practice rig: leaky``, ``practice rig: leaky, noise``."""
    beginning, _, wishes = name.partition(":")
    if beginning.strip().lower() != RIG_NAME:
        raise StillboxError(f"'{name}' is no device", f"name a speaker of the practice rig as in '{rig_names()[0]}'")
    speaker, *faults = [part.strip() for part in wishes.split(",")] if wishes.strip() else [DEFAULT_SPEAKER]
    return PracticeRig(speaker, faults, real_pace=real_pace)


def rig_names() -> list[str]:
    """Device names of the rigs without faults."""
    return [f"{RIG_NAME}: {speaker}" for speaker in SPEAKERS]


def rig_rows() -> list[tuple[str, str]]:
    """Each name with what the speaker is, in words."""
    return [(f"{RIG_NAME}: {name}", speaker.story) for name, speaker in SPEAKERS.items()]
