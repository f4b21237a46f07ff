"""The practice rig: a simulated jig with a simulated speaker, which stands in for a sound card.

It obeys the contract of `capture.sound.audio_device` block by block, so a stop, a full disk or a crash meet it in the
middle as they meet a sound card. The path of a sample: output stage, source resistance, reference resistor, leads and
clips, loading and gains of the inputs, their noise and hum, clipping, converters with their latency.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from stillbox.capture.arrays import ComplexArray
from stillbox.capture.errors import StillboxError
from stillbox.capture.practice.block_convolver import BlockConvolver, impulse_responses, without_ahead
from stillbox.capture.practice.iron_core import IronPath, IronResponses
from stillbox.capture.practice.practice_jig import JigVoltages, RigParts, from_device, from_source
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
            netlist=self._speaker.planned_netlist,
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
            hz = _bins_hz(rate_hz)
            read = from_source(self._jig_parts(), self._clips.jig, self._on_clips(hz))
            inputs = self._at_inputs(hz, read.first, self._second(hz, read))
            scale = 0.0 if self.has("muted output") else self.parts.loudest_volts * math.sqrt(2)
            self._responses[rate_hz] = impulse_responses(scale * inputs * self._converters(hz, rate_hz))
        return self._responses[rate_hz]

    def _second(self, frequency_hz: NDArray[np.float64], read: JigVoltages) -> ComplexArray:
        """What is on input 2: the jig, input 1 too, or a microphone."""
        if self._clips.subject == "channel-match":
            return read.first
        return read.first * self._microphone(frequency_hz) if self._clips.subject == "microphone" else read.second

    def iron(self, rate_hz: int) -> IronResponses | None:
        """How a coil with iron is driven and heard, where one is on the clips."""
        coil = self._speaker.iron_coil(self._clips, _bins_hz(rate_hz))
        if coil is None or self.has("open clips") or self.has("shorted clips"):
            return None
        hz, jig = _bins_hz(rate_hz), self._clips.jig
        parts, place = self._jig_parts(), coil.place
        driven = from_source(parts, jig, place.terminals_ohm)
        # What the core adds is a voltage in series with the coil: the derivative of L times the excess flux.
        volts = 2j * np.pi * hz * coil.inductance_h
        heard = from_device(parts, jig, place.terminals_ohm)
        own = place.share**2 * heard.clips_a - place.within_siemens
        scale = 0.0 if self.has("muted output") else self.parts.loudest_volts * math.sqrt(2)
        inputs = volts * place.share * self._at_inputs(hz, heard.first, heard.second)
        # One half of the latency before the coil and one behind it: filters ring ahead of their time.
        half = self._converters(hz, rate_hz, 0.5)
        return IronResponses(
            coil.core,
            impulse_responses((scale * place.share * driven.clips_a * half)[None], direct=True),
            without_ahead(impulse_responses((volts * own)[None])),
            impulse_responses(inputs * half),
        )

    def _jig_parts(self) -> RigParts:
        factor = (10.0 if self.has("large reference") else 1.0) / (10.0 if self.has("small reference") else 1.0)
        return replace(self.parts, reference_ohm=factor * self.parts.reference_ohm)

    def _on_clips(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        if self.has("open clips"):
            return np.full(frequency_hz.shape, complex(math.inf))
        if self.has("shorted clips"):
            return np.zeros(frequency_hz.shape, dtype=np.complex128)
        return np.asarray(self._speaker.impedance_ohm(self._clips, frequency_hz))

    def _at_inputs(
        self, hz: NDArray[np.float64], first: ComplexArray, second: ComplexArray
    ) -> NDArray[np.complex128]:
        """What voltages at both inputs read, full scale = 1, with the faults of their wiring; shape (2, n)."""
        over = 1j * hz / self.parts.coupling_hz
        coupled = over / (1 + over) / self.parts.input_peak_volts
        first, second = first * coupled, second * coupled
        second = second * self.parts.second_gain * (-1 if self.has("inverted channel") else 1)
        first = first * (0.0 if self.has("dead channel 1") else 1.0)
        second = second * (0.0 if self.has("dead channel 2") else 1.0)
        return np.asarray(np.stack((second, first) if self.has("swapped channels") else (first, second)))

    def _microphone(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Voltage of a microphone 1 m in front of the speaker, for 1 V at the clips."""
        driver, box = self._speaker.driver_of(self._clips), self._speaker.box_of(self._clips)
        pressure = sound_pressure_pa_per_v(driver, frequency_hz, box, 1.0)
        return np.asarray(self.parts.microphone_v_per_pa * pressure, dtype=np.complex128)

    def _converters(
        self, frequency_hz: NDArray[np.float64], rate_hz: int, part_of_latency: float = 1.0
    ) -> NDArray[np.complex128]:
        """Filters near half the rate, and latency."""
        edges = (0.418, 0.459) if self.has("sample-rate conversion") else (0.476, 0.5)
        across = np.clip((frequency_hz / rate_hz - edges[0]) / (edges[1] - edges[0]), 0, 1)
        delay_frames = part_of_latency * self.parts.latency_frames
        delay = np.exp(-2j * np.pi * frequency_hz / rate_hz * delay_frames)
        return np.asarray((0.5 + 0.5 * np.cos(np.pi * across)) * delay, dtype=np.complex128)


class _SignalPath:
    """From blocks of the output to blocks of the inputs, with all that remembers the past."""

    def __init__(self, responses: NDArray[np.float64], rig: PracticeRig, rate_hz: int) -> None:
        self._rig = rig
        self._rate_hz = rate_hz
        self._convolver = BlockConvolver(responses, BLOCK_FRAMES)
        iron = rig.iron(rate_hz)
        self._iron = None if iron is None else IronPath(iron, BLOCK_FRAMES)
        self._frame = 0
        self._agc = 1.0
        self._phases = rig.noise_rng.uniform(0, 2 * np.pi, 7)

    def through(self, out: NDArray[np.float32]) -> NDArray[np.float32]:
        """Recorded block of the same length, shape (frames, 2)."""
        rig, parts = self._rig, self._rig.parts
        signal = self._convolver(out.astype(np.float64))
        if self._iron is not None:
            signal = signal + self._iron(out.astype(np.float64))
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


@dataclass(frozen=True)
class _Loss:
    """Recorded frames that go missing from ``frame`` on."""

    kind: str
    frame: int
    frames: int

    def of(self, block: NDArray[np.float32], done: int) -> NDArray[np.float32]:
        place = np.arange(done - len(block), done)
        return block[(place < self.frame) | (place >= self.frame + self.frames)]


def _bins_hz(rate_hz: int) -> NDArray[np.float64]:
    """Frequencies above 0 of a response of some RESPONSE_S."""
    taps = 2 ** round(math.log2(RESPONSE_S * rate_hz))
    return np.asarray(np.arange(1, taps // 2 + 1) * rate_hz / taps)


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
