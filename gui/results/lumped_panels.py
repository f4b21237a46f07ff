"""Panels, places and exports that the views of driver and box share. No Qt here."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from stillbox.analysis.bass.picture_bass import BassPanel, NamedCurves, draw_bass
from stillbox.analysis.drawing.picture_marks import Mark
from stillbox.analysis.drawing.picture_style import INK, TEXT_PT, state_styles
from stillbox.analysis.driver.picture_fitted import Fitted, draw_fitted, draw_misfit, misfit_percent
from stillbox.analysis.maths.number_words import frequency_words
from stillbox.analysis.topic import Result, Topic
from stillbox.capture.files.output_file import NETLIST, PICTURE, RESULTS, TABLE, write_output
from stillbox.gui.parts.words import ohm_words
from stillbox.gui.results.view import Curve, Export, PanelRequest

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from stillbox.analysis.impedance.impedance import ImpedanceCurve
    from stillbox.capture.arrays import ComplexArray, FloatArray

SHARES = {"level": 1.5, "delay": 1.0, "excursion": 1.1, "air speed": 1.2}
"""Where the picture is low the group delay gives way first."""
SHORT_LABELS = {"level": "Level, dB", "delay": "Delay, ms", "excursion": "Cone, mm", "air speed": "Port, m/s"}
"""The panels are low; the list says the rest."""


def place(name: str, frequency_hz: float, colour: str = INK, state: str = "") -> Mark:
    """A named line; ``state`` says of which of two."""
    words = f"{name} {frequency_words(frequency_hz)}"
    return Mark(frequency_hz, None, f"{words}, {state}" if state else words, colour=colour)


def fitted_panel(fitted: Sequence[Fitted], share: float = 2.6) -> PanelRequest:
    """Measured impedance and the model over it."""
    curves: list[Curve] = []
    for one in fitted:
        words = f"{one.name} " if one.name else ""
        if one.curve is not None:
            curves += _read(f"{words}|Z|", one.curve.frequency_hz, one.curve.impedance_ohm)
        if one.frequency_hz is not None and one.model_ohm is not None:
            # The phase of the model would say the same once more, but where nothing was measured.
            curves += _read(f"{words}model |Z|", one.frequency_hz, one.model_ohm)[: 1 if one.curve is not None else 2]
    return PanelRequest(share, lambda axes: draw_fitted(axes, fitted), tuple(curves), least_px=120)


def _read(name: str, frequency_hz: FloatArray, impedance_ohm: ComplexArray) -> list[Curve]:
    phase = np.degrees(np.angle(impedance_ohm))
    return [
        Curve(name, frequency_hz, np.abs(impedance_ohm), lambda value: ohm_words(value, 4)),
        Curve(name.replace("|Z|", "phase"), frequency_hz, phase, lambda value: f"{value:+.1f}°"),
    ]


def misfit_panel(first: Fitted, count: int) -> PanelRequest:
    """What the model leaves of the first of ``count`` curves."""
    curve, model_ohm = first.curve, first.model_ohm
    assert curve is not None and model_ohm is not None
    misfit, _ = misfit_percent(curve, model_ohm)
    read = (
        Curve("misfit in size", curve.frequency_hz, misfit.real, lambda value: f"{value:+.2g} %"),
        Curve("in phase", curve.frequency_hz, misfit.imag, lambda value: f"{value:+.2g} %"),
    )

    def draw(axes: Axes) -> None:
        draw_misfit(axes, curve, model_ohm, state_styles(count)[0])

    return PanelRequest(1.1, draw, read, least_px=64)


def bass_panel(panel: BassPanel, named: Sequence[NamedCurves], limits: Mapping[str, tuple[float, str]]) -> PanelRequest:
    """One quantity of the bass."""
    read = []
    for name, curves in named:
        values = panel.values(curves)
        assert values is not None
        words = f"{name}: {panel.name}" if len(named) > 1 else panel.name
        read.append(Curve(words, curves.frequency_hz, values, _with_unit(panel)))

    def draw(axes: Axes) -> None:
        draw_bass(axes, panel, named, limits)
        axes.set_ylabel(SHORT_LABELS[panel.key], fontsize=TEXT_PT)

    return PanelRequest(SHARES[panel.key], draw, tuple(read), least_px=64)


def _with_unit(panel: BassPanel) -> Callable[[float], str]:
    return lambda value: f"{value:.3g} {panel.unit}".replace("-", "\N{MINUS SIGN}")


def text_export(words: str, suffix: str, text: Callable[[], str]) -> Export:
    """A file of text, made when it is written; the suffix says the kind."""
    kind = next(kind for kind in (TABLE, NETLIST, RESULTS) if suffix in kind.suffixes)
    return Export(words, (suffix,), lambda path: write_output(path, kind, text()))


def document_of(topic: Topic[Result], result: Result) -> Export:
    """The JSON document of a topic as its command prints it."""
    document = topic.document
    assert document is not None

    def text() -> str:
        return json.dumps(document(result), indent=2, allow_nan=False) + "\n"

    return text_export(f"{topic.title} for other programs", ".json", text)


def files_of(topic: Topic[Result], result: Result) -> list[Export]:
    """The files of a topic as its command writes them, but for the picture, which is that of the view."""
    return [
        Export(file.words, file.kind.suffixes, partial(file.write, result))
        for file in topic.files
        if file.kind is not PICTURE
    ]


def impedance_table(fitted: Fitted) -> str:
    """Measured and fitted impedance side by side as CSV, on the grid of the measurement."""
    curve, model_ohm = fitted.curve, fitted.model_ohm
    assert curve is not None and model_ohm is not None
    rows = ["frequency_hz,measured_re_ohm,measured_im_ohm,model_re_ohm,model_im_ohm"]
    for frequency_hz, measured, model in zip(curve.frequency_hz, curve.impedance_ohm, model_ohm, strict=True):
        values = (measured.real, measured.imag, model.real, model.imag)
        rows.append(f"{frequency_hz:.6g}," + ",".join(f"{value:.8g}" for value in values))
    return "\n".join([*rows, ""])


def write_impedance(curve: ImpedanceCurve) -> Export:
    """The measured impedance as the command line writes it."""
    from stillbox.analysis.curve.curve_files import write_curve_csv

    return Export("Impedance as a table", (".csv",), lambda path: write_curve_csv(Path(path), curve))
