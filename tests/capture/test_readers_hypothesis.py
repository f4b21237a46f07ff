"""Any bytes in any file that is read: a clear error or success, never another exception, never a write elsewhere."""

from __future__ import annotations

import atexit
import io
import json
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import numpy as np
import soundfile
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.capture.build.take_import import import_take
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.audio_file import read_audio, read_header
from stillbox.capture.sweep.excitation import Excitation, read_excitation, write_excitation

SWEEP = Excitation(seconds=0.3, silence_before_s=0.2, silence_after_s=0.2, repeats=1)
SIDECAR = "0001-in-box-stock-A.json"
AUDIO = "0001-in-box-stock-A.flac"

thorough = settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
quick = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=30),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=10), inner, max_size=4),
    max_leaves=8,
)


@cache
def template() -> Path:
    """A folder with a build of one take, made once and copied for each example."""
    folder = Path(tempfile.mkdtemp(prefix="stillbox-test-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    (folder / "letter.txt").write_text("precious")
    BuildFolder.create(folder / "build", inside_mm=(460, 300, 230), rated_ohm=8).add_take(
        0.1 * np.random.default_rng(0).standard_normal((40_000, 2)),
        "PCM_24",
        subject="in-box",
        state="stock",
        excitation=SWEEP,
        sweep_starts=[9_600],
        origin="a.wav",
    )
    return folder


@contextmanager
def a_build_among_others() -> Iterator[tuple[Path, BuildFolder]]:
    """A build with one take, beside files that nobody may touch; checks at the end that nobody did."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copytree(template(), folder, dirs_exist_ok=True)
        yield folder, BuildFolder.open(folder / "build")
        assert sorted(path.name for path in folder.iterdir()) == ["build", "letter.txt"]
        assert (folder / "letter.txt").read_text() == "precious"


def sentence_or_success(action: Callable[[], object]) -> None:
    try:
        action()
    except StillboxError as error:
        message = str(error)
        assert "\n" not in message
        assert ";" in message, f"no remedy in: {message}"
        message.encode("utf-8")


def mutated(good: bytes) -> st.SearchStrategy[bytes]:
    """The good bytes with a few changed, cut off or put in."""

    def change(edits: list[tuple[int, bytes, int]], length: int) -> bytes:
        content = bytearray(good)
        for place, new, taken in edits:
            content[place : place + taken] = new
        return bytes(content[:length])

    edit = st.tuples(st.integers(0, len(good)), st.binary(max_size=8), st.integers(0, 8))
    whole = st.just(10**9)
    return st.builds(change, st.lists(edit, max_size=4), whole | st.integers(0, len(good)))


# Sidecars


@quick
@given(content=st.binary(max_size=300) | json_values.map(lambda value: json.dumps(value).encode()))
@example(content=b'{"stillbox": "take", "format": 1}')
def test_any_sidecar(content: bytes) -> None:
    with a_build_among_others() as (_, build):
        (build.path / "takes" / SIDECAR).write_bytes(content)
        assert build.takes() == []
        assert build.damaged()
        sentence_or_success(lambda: build.find_take("1"))


@thorough
@given(data=st.data())
def test_any_value_in_a_sidecar(data: st.DataObject) -> None:
    with a_build_among_others() as (folder, build):
        path = build.path / "takes" / SIDECAR
        document = json.loads(path.read_text())
        key = data.draw(st.sampled_from([*document, "excitation.seconds", "excitation.high_hz", "new"]))
        elsewhere = st.sampled_from(["../letter.txt", str(folder / "letter.txt"), "..", "0001-in-box-stock-A.wav"])
        value = data.draw(json_values | elsewhere)
        if key.startswith("excitation."):
            document["excitation"][key.split(".")[1]] = value
        else:
            document[key] = value
        path.write_text(json.dumps(document))
        infos, faults = build.takes(), build.damaged()
        assert bool(infos) != bool(faults)
        for info in infos:
            json.dumps(info.model_dump(mode="json"), allow_nan=False).encode("utf-8")
            f"{info.created.astimezone():%Y-%m-%d}".encode()
            sentence_or_success(lambda info=info: build.load(info))  # type: ignore[misc]
        # Whatever lies there, the next take gets a number of its own and is whole.
        silence = np.zeros((40_000, 2))
        new = build.add_take(silence, "PCM_16", subject="part", excitation=SWEEP, sweep_starts=[0], origin="x")
        assert new.number == 2
        assert new in build.takes()


# What people write


DESCRIPTION = b"inside_mm = [460, 300, 230]\nrated_ohm = 8\n[driver]\ndiameter_mm = 165\n"


@thorough
@given(content=st.binary(max_size=300) | mutated(DESCRIPTION))
@example(content=b"[" * 5000)
@example(content=b"a." * 5000 + b"a = 1")
@example(content=b"rated_ohm = 1e999")
@example(content=b"temperature_c = 2024-01-01")
@example(content=b"rated_ohm = " + b"9" * 5000)
@example(content=b"rated_ohm = 0x" + b"f" * 9000)
def test_any_description(content: bytes) -> None:
    with a_build_among_others() as (_, build):
        (build.path / "build.toml").write_bytes(content)
        sentence_or_success(lambda: BuildFolder.open(build.path).description)
        assert len(build.takes()) == 1


@thorough
@given(content=st.binary(max_size=200) | mutated(b"reference_ohm = 10.0\nreference_tolerance_percent = 1.0\n"))
@example(content=b"")
@example(content=b"reference_ohm = nan")
def test_any_calibration(content: bytes) -> None:
    with a_build_among_others() as (_, build):
        (build.path / "calibration.toml").write_bytes(content)
        sentence_or_success(lambda: build.calibration)


@thorough
@given(value=json_values, key=st.sampled_from([*SWEEP.model_dump(), "stillbox", "format", "new"]))
def test_any_value_in_an_excitation(value: object, key: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = write_excitation(SWEEP, Path(name) / "sweep.wav")
        path.write_text(json.dumps(json.loads(path.read_text()) | {key: value}))
        sentence_or_success(lambda: read_excitation(path))


@quick
@given(content=st.binary(max_size=300))
def test_any_excitation(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "sweep.json"
        path.write_bytes(content)
        sentence_or_success(lambda: read_excitation(path))


# Audio


def audio_bytes(container: str, subtype: str) -> bytes:
    buffer = io.BytesIO()
    samples = 0.1 * np.random.default_rng(0).standard_normal((700, 2))
    soundfile.write(buffer, samples, 48_000, format=container, subtype=subtype)
    return buffer.getvalue()


GOOD_AUDIO = {
    "wav": audio_bytes("WAV", "PCM_24"),
    "float": audio_bytes("WAV", "FLOAT"),
    "flac": audio_bytes("FLAC", "PCM_24"),
    "aiff": audio_bytes("AIFF", "PCM_16"),
}


def header_mutated(good: bytes) -> st.SearchStrategy[bytes]:
    """Most changes among the first hundred bytes, where the header is."""
    return mutated(good[:100]).map(lambda head: head + good[100:]) | mutated(good)


changed_audio = st.one_of([header_mutated(good) for good in GOOD_AUDIO.values()])


@settings(thorough, max_examples=250)
@given(content=st.binary(max_size=200) | changed_audio)
def test_any_audio(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "a.wav"
        path.write_bytes(content)
        sentence_or_success(lambda: read_header(path))
        sentence_or_success(lambda: read_audio(path, (1, 2)))


@quick
@given(
    content=header_mutated(GOOD_AUDIO["wav"]), suffix=st.sampled_from([".wav", ".flac", ".raw", ".mp3", ".aiff", ""])
)
def test_any_import(content: bytes, suffix: str) -> None:
    with a_build_among_others() as (_, build), tempfile.TemporaryDirectory() as name:
        path = Path(name) / f"a{suffix}"
        path.write_bytes(content)
        sentence_or_success(lambda: import_take(build, path, SWEEP, "part"))
        assert len(build.takes()) == 1


@quick
@given(content=header_mutated(GOOD_AUDIO["flac"]))
def test_any_samples_of_a_take(content: bytes) -> None:
    with a_build_among_others() as (_, build):
        info = build.takes()[0]
        (build.path / "takes" / AUDIO).write_bytes(content)
        assert len(build.takes()) + len(build.damaged()) == 1
        sentence_or_success(lambda: build.load(info))


@quick
@given(
    subject=st.sampled_from(["in-box", "part", "load", "soup", ""]) | st.text(max_size=10),
    state=st.none() | st.text(max_size=50),
    unit=st.text(max_size=50),
    ohm=st.none() | st.floats(),
)
@example(subject="part", state="../../x", unit="A", ohm=None)
@example(subject="part", state="", unit="\ud800", ohm=None)
@example(subject="part", state="", unit="A\n", ohm=None)
def test_any_names(subject: str, state: str | None, unit: str, ohm: float | None) -> None:
    with a_build_among_others() as (_, build):

        def add() -> None:
            build.add_take(
                np.zeros((40_000, 2)),
                "PCM_16",
                subject=subject,  # type: ignore[typeddict-item]
                state=state or "",
                unit=unit,
                load_ohm=ohm,
                excitation=SWEEP,
                sweep_starts=[0],
                origin="x",
            )

        sentence_or_success(add)
        assert build.damaged() == []
