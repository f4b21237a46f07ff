"""The last stage before the output, the way from the callback to the disk, and the practice rig's convolution."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice_sound import play
from scipy.signal import fftconvolve

from stillbox.capture.errors import StillboxError
from stillbox.capture.practice.practice_rig import BlockConvolver, PracticeRig
from stillbox.capture.sound.audio_device import OutputFeed, Playback, StreamReport, StreamState
from stillbox.capture.sound.block_ring import BlockRing, RingEmptier

RATE_HZ = 48_000


def played(feed: OutputFeed, block: int, frames: int, stop_at: int | None = None) -> np.ndarray:
    """What the feed hands out in blocks; the stop comes before the block that holds ``stop_at``."""
    blocks, done = [], 0
    while done < frames:
        if stop_at is not None and done >= stop_at:
            feed.stop()
        out = np.full(block, np.nan, dtype=np.float32)
        feed.fill(out)
        blocks.append(out)
        done += block
    return np.concatenate(blocks)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    limit=st.floats(0, 1),
    block=st.sampled_from([1, 7, 64, 512, 1000, 4096]),
    stop_at=st.one_of(st.none(), st.integers(0, 6000)),
)
def test_no_output_ever_exceeds_the_limit(seed: int, limit: float, block: int, stop_at: int | None) -> None:
    samples = (3 * np.random.default_rng(seed).standard_normal(5000)).astype(np.float32)
    out = played(OutputFeed(samples, RATE_HZ, limit), block, 8000, stop_at)
    assert np.isfinite(out).all()
    assert float(np.abs(out).max()) <= limit
    assert not out[5000 + block :].any()


@pytest.mark.parametrize("block", [64, 512, 1024])
def test_a_stop_fades_within_50_ms_and_without_a_step(block: int) -> None:
    tone = (0.5 * np.sin(2 * np.pi * 50 / RATE_HZ * np.arange(RATE_HZ))).astype(np.float32)
    out = played(OutputFeed(tone, RATE_HZ, 1.0), block, 30_000, stop_at=20_000)
    last = int(np.flatnonzero(out)[-1])
    assert 0 < last - 20_000 < 0.05 * RATE_HZ
    usual = np.abs(np.diff(tone)).max()
    # A raised cosine over 20 ms adds a slope of at most pi/2 of the amplitude per 20 ms.
    assert np.abs(np.diff(out)).max() <= usual + 0.5 * np.pi / 2 / (0.02 * RATE_HZ) * 1.05
    assert np.array_equal(out[:20_000], tone[:20_000])


def test_what_is_no_number_is_never_played() -> None:
    with pytest.raises(StillboxError, match="no numbers"):
        Playback(np.array([0.0, np.nan], dtype=np.float32), RATE_HZ)
    for peak in (1.5, -0.1, float("nan")):
        with pytest.raises(StillboxError, match="limit"):
            play(PracticeRig(), np.zeros(2, dtype=np.float32), peak=peak)


def test_ring_hands_on_every_frame_in_order_while_both_sides_run() -> None:
    ring, state = BlockRing(3000, 2), StreamState()
    taken: list[np.ndarray] = []
    emptier = RingEmptier(ring, lambda block: taken.append(block.copy()), state)
    sent = np.random.default_rng(1).uniform(-1, 1, (60_000, 2)).astype(np.float32)
    for start in range(0, len(sent), 441):
        while 3000 - (ring.written - ring.read) < 441:
            pass
        ring.put(sent[start : start + 441])
    emptier.finish()
    assert np.array_equal(np.concatenate(taken), sent)
    assert ring.lost == 0
    assert max(state.take_peaks()) == pytest.approx(float(np.abs(sent).max()))
    assert state.take_peaks() == (0.0, 0.0)


def test_ring_counts_what_it_has_no_room_for() -> None:
    ring = BlockRing(1000, 2)
    for _ in range(3):
        ring.put(np.ones((400, 2), dtype=np.float32))
    assert (ring.written, ring.lost) == (800, 400)
    assert "too slow" in StreamReport(frames=800, lost_frames=ring.lost).faults[0]


def test_emptier_survives_a_failing_sink_and_mends_garbage() -> None:
    def refuse(_: np.ndarray) -> None:
        raise OSError(28, "No space left on device")

    ring = BlockRing(1000, 2)
    emptier = RingEmptier(ring, refuse, StreamState())
    for _ in range(20):
        ring.put(np.ones((50, 2), dtype=np.float32))
    emptier.finish()
    assert isinstance(emptier.failure, OSError)
    assert ring.read == ring.written

    ring, kept = BlockRing(1000, 2), []
    emptier = RingEmptier(ring, lambda block: kept.append(block.copy()), StreamState())
    ring.put(np.array([[0.1, 0.2], [np.nan, 0.2], [0.3, 1e30], [0.4, -0.5]], dtype=np.float32))
    emptier.finish()
    assert emptier.broken == 2
    assert np.array_equal(np.concatenate(kept), np.array([[0.1, 0.2], [0, 0], [0, 0], [0.4, -0.5]], np.float32))


def test_block_convolution_equals_convolution_at_once() -> None:
    rng = np.random.default_rng(2)
    responses, signal = rng.standard_normal((2, 5000)), rng.standard_normal(20 * 512)
    convolver = BlockConvolver(responses, 512)
    blocks = np.concatenate([convolver(block) for block in signal.reshape(20, 512)])
    expected = np.stack([fftconvolve(signal, response)[: signal.size] for response in responses], axis=1)
    assert np.abs(blocks - expected).max() < 1e-9


def test_rig_fades_out_before_it_passes_on_what_the_sink_raised() -> None:
    heard: list[np.ndarray] = []
    rig = PracticeRig("good box", seed=1, listener=lambda block: heard.append(block.copy()))
    tone = (0.4 * np.sin(2 * np.pi * 100 / RATE_HZ * np.arange(3 * RATE_HZ))).astype(np.float32)
    frames_left = [RATE_HZ]

    def sink(block: np.ndarray) -> None:
        frames_left[0] -= len(block)
        if frames_left[0] < 0:
            raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space"):
        play(rig, tone, sink, peak=0.3)
    out = np.concatenate(heard)
    assert np.abs(out).max() <= 0.3
    assert RATE_HZ < np.flatnonzero(out)[-1] < RATE_HZ + 1024 + 0.05 * RATE_HZ
    assert not out[-32:].any()
