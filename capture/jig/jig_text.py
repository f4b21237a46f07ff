"""The guide to the jig as text."""

from __future__ import annotations

from stillbox.capture.jig.jig_guide import (
    Attenuator,
    JigLevels,
    ReferenceChoice,
    attenuator_for,
    best_reference,
    evaluate_reference,
    proposed_reference,
)
from stillbox.capture.recording.take import JigKind
from stillbox.capture.sweep.usual_take import SECONDS, SWEEPS

_HIGH_SIDE = """\
Wiring (high-side: both inputs are measured against ground)

    output ---o---[ reference resistor ]---o--- clip +
              |                            |
           input 1                      input 2          speaker between the clips
                                                         (input 2 at the clip, not somewhere on its lead)
    ground ---o----------------------------o--- clip -
              (grounds of output and of both inputs)"""

_LOW_SIDE = """\
Wiring (low-side: both inputs are measured against ground)

    output ---o--- clip +
              |
           input 1     speaker between the clips

                   clip - ---o---[ reference resistor ]---o--- ground
                             |                            (grounds of output and of both inputs)
                          input 2"""

_WIRING: dict[JigKind, str] = {"high-side": _HIGH_SIDE, "low-side": _LOW_SIDE}

_STANDARDS = """\
Calibration takes, best made once per jig and again after any change
  channel-match  both inputs on the source side of the resistor, speaker on the clips: gains of the inputs
  open           nothing on the clips, leads as they will lie: loading by the inputs
  short          both clips on one piece of bare copper wire, 1 mm or thicker and no longer than needed, side by
                 side: leads and contacts
  load           a resistor of known value near {load:g} ohm: metal film of 1 % or better, or ten of {ten:g} ohm in
                 parallel (their errors average out); measure it with four wires if you can, and type its value
  check          another resistor as check-resistor, of another value than the load: it must read within what is
                 printed beside it (the load sets the ohm, so it cannot prove it)"""


def jig_text(levels: JigLevels, amplifier: tuple[float, float] | None = None) -> str:
    """The whole guide.

    Parameters
    ----------
    amplifier : (float, float), optional
        Rated power in W and its load in ohm, where an amplifier drives the jig.
    """
    proposed = proposed_reference(levels)
    parts = [_WIRING[levels.jig], _reference_text(levels, proposed), _levels_text(levels, proposed)]
    if amplifier is not None:
        parts.append(_amplifier_text(attenuator_for(*amplifier, levels.input_volts), amplifier[0]))
    parts.append(_STANDARDS.format(load=proposed.reference_ohm, ten=10 * proposed.reference_ohm))
    return "\n\n".join(parts)


def _reference_text(levels: JigLevels, proposed: ReferenceChoice) -> str:
    exact_ohm, best = best_reference(levels)
    rule = evaluate_reference(levels, levels.rated_ohm)
    more = 100 * (rule.uncertainty / best.uncertainty - 1)
    noise = f"{_percent(proposed.uncertainty)} of uncertainty in the impedance, {_percent(proposed.worst)} at worst"
    cost = 100 * (proposed.uncertainty / best.uncertainty - 1)
    return (
        f"Reference resistor for a speaker rated {levels.rated_ohm:g} ohm\n"
        f"  take {proposed.reference_ohm:g} ohm (E12); noise is least at {exact_ohm:.3g} ohm, where it is {cost:.0f} % "
        "less\n  (the smaller the resistor, the steadier the voltage at the clips)\n"
        f"    noise then leaves {noise}\n"
        f"    ({SWEEPS} sweeps of {SECONDS:g} s, noise of {levels.noise_dbfs:g} dBFS on each input)\n"
        f"  rule of thumb: as large as the rated impedance, {levels.rated_ohm:g} ohm: {_percent(rule.uncertainty)}, "
        f"{more:.0f} % more\n"
        "  its tolerance goes straight into the ohms: take 1 % or better, or measure it; non-inductive (metal film)"
    )


def _levels_text(levels: JigLevels, best: ReferenceChoice) -> str:
    watts = 2 * max(best.shorted_watts, best.resistor_watts)
    rating = next((rated for rated in (0.25, 0.5, 1, 2, 5, 10, 25, 50) if rated >= watts), watts)
    low, high = best.clips_volts
    return (
        "Voltages and powers to expect\n"
        f"  source {best.source_volts:.3g} V rms (of {levels.output_volts:g} V; inputs used to half of their "
        f"{levels.input_volts:g} V)\n"
        f"  at the clips {low:.3g} to {high:.3g} V rms, open {best.source_volts:.3g} V\n"
        f"  speaker at most {_watts(best.speaker_watts)}, resistor {_watts(best.resistor_watts)}, with the clips "
        f"shorted {_watts(best.shorted_watts)}: a resistor rated {rating:g} W stays cool"
    )


def _amplifier_text(divider: Attenuator, watts: float) -> str:
    return (
        f"Attenuator before each input, for an amplifier of {watts:g} W ({divider.amplifier_volts:.3g} V rms at "
        "rated power)\n\n"
        f"    jig ---[ {divider.series_ohm:g} ohm ]---o--- input\n"
        "                          |\n"
        f"                   [ {divider.shunt_ohm:g} ohm ]\n"
        "                          |\n"
        "    ground ---------------o--- ground of the input\n\n"
        f"  divides by {divider.division:.3g}; series resistor {_watts(divider.series_watts)} at rated power; 1 % "
        "metal film, one divider for each input\n"
        "  the amplifier's minus terminal must be grounded; bridged and class-D outputs often are not: use none of "
        "these\n"
        "  the channel-match and open takes remove what the dividers differ by and how they load the jig"
    )


def _percent(relative: float) -> str:
    return f"{100 * relative:.2g} %"


def _watts(watts: float) -> str:
    return f"{watts:.2g} W" if watts >= 0.1 else f"{1000 * watts:.2g} mW"
