"""One finished loudspeaker: its impedances, recordings of it, and what is true of it. ``wild_boxes`` draws them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property, partial

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.interpolate import CubicSpline

from reference.wild_air import Complex, Real, piston_in_baffle
from reference.wild_drivers import Driver, DriverTruth, driver_truth, zero_of
from reference.wild_enclosure import Enclosure, Flows
from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.errors import StillboxError
from stillbox.capture.recording.take import Recording, TakeInfo
from stillbox.capture.sweep.excitation import Excitation, excitation_samples, sweep_starts

TAKES = ("free-air", "added-mass", "test-box", "in-box", "in-box-bare", "in-box-closed", "load", "channel-match")
"""What can be recorded. ``in-box``: as its kind says; ``in-box-bare``: the same box before lining and filling;
``in-box-closed``: as ``in-box`` with the port closed by hand at its outer mouth; ``load``: the marked resistor;
``channel-match``: both inputs at the source, so that the load tells the reference resistor and not the gain."""

ABOUT_TAKES = {
    "in-box": ("in-box", "stock"),
    "in-box-bare": ("in-box", "bare"),
    "in-box-closed": ("in-box", "port closed"),
}
"""Subject and state of a take where they are not its own name and none."""

DRIVE_VOLTS = 2.83
MOST_Q = 5000.0
"""A loss with a higher Q is none."""

SPLINE_ERROR, MOST_HALVINGS = 2e-5, 7
"""Of the impedance between the frequencies where it is computed, as a part of it."""


@dataclass(frozen=True)
class Jig:
    """High-side jig and card: the true reference resistor, what is marked on it, the source, the noise."""

    reference_ohm: float
    marked_ohm: float
    tolerance_percent: float
    load_ohm: float
    """True value of the resistor for ``load``; a person has measured it as ``marked_load_ohm``."""
    marked_load_ohm: float
    load_tolerance_percent: float
    source_ohm: float
    noise_dbfs: float


@dataclass(frozen=True)
class BoxTruth:
    """What a perfect measurement of the finished box would find, at rest temperature and without wear.

    Attributes
    ----------
    driver : DriverTruth
        Parameters in free air.
    fb_hz : float or None
        Tuning: lowest frequency at which the impedance that the port's flow meets all round (tube, both ends, inside)
        has no imaginary part while the cone is held still and the leak is shut. None without a port.
    fb_leaking_hz : float or None
        The same with the leak as it is.
    fc_hz : float
        Resonance with the port closed by hand and the leak shut: no imaginary part of the whole mechanical impedance.
    fc_leaking_hz : float
        The same with the leak as it is.
    effective_m3 : float
        Volume of adiabatic air as compliant as all that gives way inside (air, filling, walls) at the same pressure
        everywhere, real part, at fB (fc without a port).
    alpha : float
        Vas over it.
    ql_leak, qa_inside, qf_filling, qp_port : float or None
        At fB (fc): 2 pi f C over the leak's conductance; Im over Re of the compliance's admittance (heat, filling,
        walls); port's mass reactance over the resistance of the flow inside on its way to the port (filling
        passed through), and over the port's own (tube, outer mouth). None where there is no such loss.
    q_total : float or None
        Of the port with the cone held: f/2 dX/df over the resistance of its loop, leak as it is.
    leak_place : str or None
    leak_ohm : float or None
        Resistance of the leak at low frequencies, Pa s/m^3.
    mms_in_box_kg : float
        Moving mass with the load of the air in this box (what is not its compliance) and before it, at half of fs.
    reference_db : float
        Small's reference level in half space: 20 log10 of rho Sd Bl E/(2 pi Re Mms) over 20 uPa at 1 m, Mms of free
        air, E = 2.83 V, Re by itself.
    f3_hz : float or None
        Going up from 15 Hz, the first frequency at which the true level reaches 3 dB below ``reference_db``; None where
        it does not below 500 Hz.
    """

    driver: DriverTruth
    fb_hz: float | None
    fb_leaking_hz: float | None
    fc_hz: float
    fc_leaking_hz: float
    effective_m3: float
    alpha: float
    ql_leak: float | None
    qa_inside: float | None
    qf_filling: float | None
    qp_port: float | None
    q_total: float | None
    leak_place: str | None
    leak_ohm: float | None
    mms_in_box_kg: float
    reference_db: float
    f3_hz: float | None

    @property
    def leaks(self) -> bool:
        return self.leak_place is not None


@dataclass(frozen=True)
class WildBox:
    """A loudspeaker, how it is measured, and what its owner would state of it.

    Attributes
    ----------
    described : BuildDescription
        With errors of reading; ``described_height_m`` stands beside it because build.toml need not know it.
    """

    seed: int
    kind: str
    family: str
    driver: Driver
    enclosure: Enclosure
    test_box: Enclosure
    added_kg: float
    jig: Jig
    described: BuildDescription
    described_height_m: float
    height_m: float
    play_spread: float = 0.004
    warm_spread: float = 0.0005

    def driver_in(self, take: str) -> Driver:
        """The driver as it was in a take: each has its own small change of suspension and temperature."""
        rng = np.random.default_rng([self.seed, 77, TAKES.index(take)])
        return self.driver.after_play(*(rng.normal(0, (self.play_spread, self.warm_spread))))

    def impedance(self, take: str, frequency_hz: Real) -> Complex:
        """Impedance at the clips, ohm, for each frequency above 0 Hz."""
        _check_take(take)
        if take == "channel-match":
            raise StillboxError("nothing is on the clips for channel-match", "choose another take")
        omega = 2 * np.pi * np.asarray(frequency_hz, float)
        if take == "load":
            return np.full(omega.size, self.jig.load_ohm, complex)
        driver, air = self.driver_in(take), self.enclosure.air
        if take in ("free-air", "added-mass"):
            more_kg = self.added_kg if take == "added-mass" else 0.0
            return driver.electrical(omega, driver.in_free_air(omega, air, more_kg))
        box = {"test-box": self.test_box, "in-box-bare": self.enclosure.emptied()}.get(take, self.enclosure)
        load = box.flows(omega, port_closed=take == "in-box-closed").load
        return driver.electrical(omega, driver.mechanical(omega) + driver.sd_m2**2 * load)

    def recording(self, take: str, excitation: Excitation, seed: int) -> Recording:
        """A take of two channels through the jig, as the project keeps it; ``seed`` is that of the noise."""
        subject, state = ABOUT_TAKES.get(take, (take, ""))
        return taken(self.samples(take, excitation, seed), excitation, self.jig, 1 + TAKES.index(take), subject, state)

    def samples(self, take: str, excitation: Excitation, seed: int) -> np.ndarray:
        """The two channels alone, shape (frames, 2): source side of the reference resistor, clips side."""
        rng = np.random.default_rng([self.seed, seed, TAKES.index(take)])
        speaker = None if take == "channel-match" else partial(self.dense_impedance, take)
        return through_jig(self.jig, speaker, excitation, rng)

    def dense_impedance(self, take: str, frequency_hz: Real) -> Complex:
        """Impedance at all lines of a spectrum from 0 Hz on: computed, and a cubic spline between.

        The grid is halved wherever the middle of an interval is not what the spline says.
        """
        grid = np.concatenate([np.geomspace(0.5, 100, 100, endpoint=False), np.geomspace(100, 5000, 900)])
        grid = np.concatenate([grid, np.geomspace(5000, max(frequency_hz[-1], 6000), 100)[1:]])
        values = self.impedance(take, grid)
        unsure = np.arange(grid.size - 1)
        for _ in range(MOST_HALVINGS):
            middles = np.sqrt(grid[unsure] * grid[unsure + 1])
            found = self.impedance(take, middles)
            missed = np.abs(CubicSpline(np.log(grid), values)(np.log(middles)) - found) > SPLINE_ERROR * np.abs(found)
            grid, order = np.unique(np.concatenate([grid, middles]), return_index=True)
            values = np.concatenate([values, found])[order]
            unsure = np.searchsorted(grid, middles[missed])
            unsure = np.unique(np.concatenate([unsure - 1, unsure]))
            if not unsure.size:
                break
        return CubicSpline(np.log(grid), values)(np.log(np.maximum(frequency_hz, grid[0])))

    @cached_property
    def driver_truth(self) -> DriverTruth:
        return driver_truth(self.driver, self.enclosure.air)

    @cached_property
    def truth(self) -> BoxTruth:
        """What is true of driver and box."""
        return _box_truth(self)

    def level_db(self, frequency_hz: Real) -> Real:
        """True level at 1 m in half space for 2.83 V, dB over 20 uPa: all volume velocity as one small source."""
        return 20 * np.log10(np.abs(self.pressure(frequency_hz)) / 20e-6)

    def pressure(self, frequency_hz: Real) -> Complex:
        """Its pressure, Pa rms, without the delay of the way."""
        omega = 2 * np.pi * np.asarray(frequency_hz, float)
        flows = self.enclosure.flows(omega)
        mechanical = self.driver.mechanical(omega) + self.driver.sd_m2**2 * flows.load
        current = DRIVE_VOLTS / self.driver.electrical(omega, mechanical)
        cone = self.driver.bl * current / mechanical * self.driver.sd_m2
        return 1j * omega * self.enclosure.air.density * cone * (1 + flows.port + flows.leak) / (2 * np.pi)

    def build_toml(self) -> str:
        """``described`` as the text of a build.toml."""
        import tomlkit

        return tomlkit.dumps(self.described.model_dump(exclude_defaults=True, mode="json"))


def through_jig(
    jig: Jig, impedance: Callable[[Real], Complex] | None, excitation: Excitation, rng: np.random.Generator
) -> np.ndarray:
    """The two channels, shape (frames, 2), with what has that impedance on the clips; None: both at the source."""
    played = excitation_samples(excitation)
    # two seconds more, so that no ringing runs round into the silence before the sweep
    size = next_fast_len(played.size + 2 * excitation.sample_rate_hz, real=True)
    spectrum = rfft(played, size)
    ways: tuple[Complex | float, ...] = (1.0, 1.0)
    if impedance is not None:
        speaker = impedance(np.fft.rfftfreq(size, 1 / excitation.sample_rate_hz))
        spectrum /= speaker + jig.reference_ohm + jig.source_ohm
        ways = (speaker + jig.reference_ohm, speaker)
    channels = np.stack([irfft(spectrum * way, size)[: played.size] for way in ways], axis=1)
    return channels + rng.normal(0, 10 ** (jig.noise_dbfs / 20), channels.shape)


def taken(
    samples: np.ndarray, excitation: Excitation, jig: Jig, number: int, subject: str, state: str
) -> Recording:
    """Samples with their sidecar."""
    info = TakeInfo(
        number=number,
        subject=subject,  # type: ignore[arg-type]
        state=state,
        created=datetime(2024, 1, 1, tzinfo=UTC),
        jig="high-side",
        load_ohm=jig.marked_load_ohm if subject == "load" else None,
        load_tolerance_percent=jig.load_tolerance_percent if subject == "load" else None,
        excitation=excitation,
        sweep_starts=tuple(sweep_starts(excitation)),
        frames=len(samples),
        origin="computed",
        audio_file="none.flac",
        samples_sha256="0" * 64,
    )
    return Recording(info, samples)


def _check_take(take: str) -> None:
    if take not in TAKES:
        raise StillboxError(f"no take '{take}'", f"there are {', '.join(TAKES)}")


def mechanical_in(box: Enclosure, driver: Driver, hz: Real, port_closed: bool = True) -> Complex:
    """Whole mechanical impedance of a driver in a box, N s/m."""
    omega = 2 * np.pi * hz
    flows: Flows = box.flows(omega, port_closed)
    return driver.mechanical(omega) + driver.sd_m2**2 * flows.load


def closed_resonance_hz(box: Enclosure, driver: Driver) -> float:
    """Where the whole mechanical impedance has no imaginary part while the port is closed."""
    found = zero_of(lambda hz: mechanical_in(box, driver, hz).imag, 8.0, 400.0, 120)
    assert found is not None, "no resonance of the closed box"
    return found


def tuning_hz(box: Enclosure) -> float | None:
    """Where the port's loop has no imaginary part while the cone is held; None without a port."""
    if box.port is None:
        return None
    return zero_of(lambda hz: box.port_loop(2 * np.pi * hz).imag, 8.0, 250.0, 120)


def _box_truth(wild: WildBox) -> BoxTruth:
    box, driver, air = wild.enclosure, wild.driver, wild.enclosure.air
    tight, free = box.sealed(), wild.driver_truth
    fb_hz, fc_hz = tuning_hz(tight), closed_resonance_hz(tight, driver)
    fb_leaking = tuning_hz(box) if box.leak else fb_hz
    fc_leaking = closed_resonance_hz(box, driver) if box.leak else fc_hz
    at_hz = fb_hz or fc_hz
    omega = np.array([2 * np.pi * at_hz])
    compliance = complex(box.compliance(omega)[0])
    effective = air.bulk_pa * compliance.real
    slow = np.pi * np.array([free.fs_hz])
    inner = tight.inner_impedance(slow)[0, 0, 0] - 1 / (1j * slow[0] * tight.compliance(slow)[0])
    air_load = (inner + piston_in_baffle(slow, driver.radius_m, air)[0]).imag / slow[0]
    reference = air.density * driver.sd_m2 * driver.bl * DRIVE_VOLTS / (2 * np.pi * driver.re_ohm * free.mms_kg)
    reference_db = 20 * np.log10(reference / 20e-6)
    conductance = box.leak.impedance(omega, air)[0] if box.leak else None
    return BoxTruth(
        driver=free,
        fb_hz=fb_hz,
        fb_leaking_hz=fb_leaking,
        fc_hz=fc_hz,
        fc_leaking_hz=fc_leaking,
        effective_m3=effective,
        alpha=free.vas_m3 / effective,
        ql_leak=None if conductance is None else float(omega[0] * compliance.real / (1 / conductance).real),
        qa_inside=_quality(compliance.real, -compliance.imag),
        **_port_losses(wild, fb_hz, compliance),
        leak_place=box.leak.place if box.leak else None,
        leak_ohm=float(box.leak.resistance(air)) if box.leak else None,
        mms_in_box_kg=float(driver.dry_kg + driver.sd_m2**2 * air_load),
        reference_db=float(reference_db),
        f3_hz=zero_of(lambda hz: wild.level_db(hz) - reference_db + 3, 15.0, 500.0, 500),
    )


def _quality(stored: float, lost: float) -> float | None:
    """Quotient of the two; None where nothing is lost that counts."""
    return float(stored / lost) if lost > stored / MOST_Q else None


def _port_losses(wild: WildBox, fb_hz: float | None, compliance: complex) -> dict[str, float | None]:
    """qf_filling, qp_port, q_total at the tuning."""
    box = wild.enclosure
    if fb_hz is None:
        return {"qf_filling": None, "qp_port": None, "q_total": None}
    tight = box.sealed()
    omega = 2 * np.pi * fb_hz * np.array([0.999, 1.0, 1.001])
    reactance = 1 / (omega[1] * abs(compliance))  # that of the mass at the tuning
    inner = tight.inner_impedance(omega)[1, 1, 1]
    on_the_way = inner.real - (1 / (1j * omega[1] * compliance)).real
    port_own = tight.port_loop(omega)[1].real - inner.real
    loop = box.port_loop(omega)
    slope = (loop[2].imag - loop[0].imag) / (0.002 * omega[1])
    return {
        "qf_filling": _quality(reactance, on_the_way),
        "qp_port": _quality(reactance, port_own),
        "q_total": float(omega[1] * slope / (2 * loop[1].real)),
    }
