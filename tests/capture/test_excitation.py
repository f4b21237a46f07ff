"""The excitation: published harmonic delays, the synchronised property, fades, and its files."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import soundfile
from reference.published import HARMONIC_DELAYS

from stillbox.capture.errors import StillboxError
from stillbox.capture.sweep.excitation import (
    Excitation,
    default_high_hz,
    excitation_samples,
    make_excitation,
    read_excitation,
    sweep_samples,
    sweep_starts,
    write_excitation,
)


@pytest.mark.parametrize(("low_hz", "high_hz", "seconds", "constant_s", "advances_s"), HARMONIC_DELAYS)
def test_published_harmonic_delays(
    low_hz: float, high_hz: float, seconds: float, constant_s: float, advances_s: tuple[float, ...]
) -> None:
    excitation = Excitation(low_hz=low_hz, high_hz=high_hz, seconds=seconds, repeats=1, silence_after_s=1.0)
    assert excitation.rate_constant_s == pytest.approx(constant_s, abs=6e-7)
    for order, advance_s in enumerate(advances_s, start=2):
        assert excitation.harmonic_advance_s(order) == pytest.approx(advance_s, abs=6e-6)


@pytest.mark.parametrize("low_hz", [9.7, 20.0, 33.3])
def test_harmonics_are_the_sweep_itself_earlier(low_hz: float) -> None:
    # sin(3 p) = 3 sin p - 4 sin^3 p: the third harmonic of x must be x at L ln 3 later, for any f1, f2 and T (Novak,
    # Lotton, Simon 2015). The length is chosen so that this is a whole number of frames.
    rate_hz, shift = 48_000, 20_000
    constant_s = shift / rate_hz / math.log(3)
    seconds = constant_s * math.log(20_000 / low_hz)
    excitation = Excitation(low_hz=low_hz, high_hz=20_000, seconds=seconds, level_dbfs=0, repeats=1)
    sweep = sweep_samples(excitation)
    low_full_hz, high_full_hz = excitation.full_level_band_hz
    first = math.ceil(constant_s * math.log(low_full_hz / low_hz) * rate_hz)
    last = math.floor(constant_s * math.log(high_full_hz / low_hz) * rate_hz)
    plain = sweep[first : last - shift]
    np.testing.assert_allclose(3 * plain - 4 * plain**3, sweep[first + shift : last], atol=2e-9)


def test_frequency_follows_the_clock() -> None:
    # Zero crossings between t1 and t2 number 2 L (f(t2) - f(t1)): the integral of 2 f.
    excitation = Excitation(low_hz=20, high_hz=20_000, seconds=2, sample_rate_hz=192_000, level_dbfs=-6, repeats=1)
    sweep = sweep_samples(excitation)
    first, last = round(0.5 * 192_000), round(1.5 * 192_000)
    crossings = np.count_nonzero(np.diff(np.signbit(sweep[first:last])))
    constant_s = 2 / math.log(1000)
    f1, f2 = (20 * math.exp(time_s / constant_s) for time_s in (0.5, 1.5))
    assert crossings == pytest.approx(2 * constant_s * (f2 - f1), abs=1.01)


def test_fades_level_and_silence() -> None:
    excitation = Excitation(low_hz=10, high_hz=20_000, seconds=1.5, level_dbfs=-10, repeats=3, silence_after_s=0.4)
    samples, starts = excitation_samples(excitation), sweep_starts(excitation)
    assert len(samples) == excitation.total_frames
    assert len(starts) == 3
    for start in starts:
        sweep = samples[start : start + excitation.sweep_frames]
        np.testing.assert_array_equal(sweep, sweep_samples(excitation))
        assert np.abs(sweep).max() == pytest.approx(10**-0.5, rel=1e-3)
        assert abs(sweep[0]) < 1e-12
        assert np.abs(sweep[-3:]).max() < 1e-3
        assert not samples[start - round(0.4 * 48_000) : start].any()
    assert not samples[starts[-1] + excitation.sweep_frames :].any()
    # Between the fades every wave reaches the level.
    constant_s = excitation.rate_constant_s
    low_hz, high_hz = excitation.full_level_band_hz
    middle = sweep[math.ceil(constant_s * math.log(low_hz / 10) * 48_000) :][: round(0.2 * 48_000)]
    assert np.abs(middle).max() == pytest.approx(10**-0.5, rel=1e-4)
    assert high_hz < 20_000


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
def test_wav_and_json_round_trip(tmp_path: Path, rate_hz: int) -> None:
    excitation = Excitation(
        high_hz=default_high_hz(rate_hz), sample_rate_hz=rate_hz, seconds=0.7, level_dbfs=-3, repeats=2
    )
    json_path = write_excitation(excitation, tmp_path / "sweep.wav")
    assert json_path == tmp_path / "sweep.json"
    assert read_excitation(json_path) == excitation
    with soundfile.SoundFile(str(tmp_path / "sweep.wav")) as file:
        assert (file.samplerate, file.channels, file.subtype) == (rate_hz, 1, "PCM_24")
        samples = file.read()
    np.testing.assert_allclose(samples, excitation_samples(excitation), atol=1.01 * 2**-23)


def test_default_band_stays_below_the_converters_filter() -> None:
    assert default_high_hz(44_100) == pytest.approx(20_947.5)
    assert default_high_hz(48_000) == pytest.approx(22_800)
    assert default_high_hz(192_000) == 24_000


@pytest.mark.parametrize(
    ("field", "value", "told"),
    [
        ("low_hz", 0.0, "low_hz"),
        ("high_hz", 24_001.0, "above half of the sample rate 48000"),
        ("high_hz", 12.0, "leaves no band"),
        ("seconds", 0.1, "seconds"),
        ("seconds", math.nan, "seconds"),
        ("level_dbfs", 0.1, "level_dbfs"),
        ("repeats", 0, "repeats"),
        ("sample_rate_hz", 22_050, "sample_rate_hz"),
        ("sample_rate_hz", 384_000, "sample_rate_hz"),
    ],
)
def test_nonsense_is_refused_with_field_and_value(field: str, value: float, told: str) -> None:
    with pytest.raises(StillboxError) as caught:
        make_excitation(**{field: value})
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"stillbox": "take"}, "does not describe an excitation"),
        ({"format": 2}, "format"),
        ({"seconds": "long"}, "seconds"),
        ({"colour": "red"}, "colour"),
        ({"high_hz": 30_000.0}, "high_hz"),
    ],
)
def test_foreign_json_is_refused(tmp_path: Path, change: dict[str, object], told: str) -> None:
    json_path = write_excitation(Excitation(seconds=0.3, repeats=1, silence_after_s=1.0), tmp_path / "sweep.wav")
    document = json.loads(json_path.read_text())
    json_path.write_text(json.dumps(document | change))
    with pytest.raises(StillboxError) as caught:
        read_excitation(json_path)
    assert told in str(caught.value)
    assert str(json_path) in str(caught.value)


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(StillboxError, match=r"cannot write .*: there is no folder .*missing; make it"):
        write_excitation(Excitation(seconds=0.3, repeats=1, silence_after_s=1.0), tmp_path / "missing" / "sweep.wav")
