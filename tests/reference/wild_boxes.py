"""Random finished loudspeakers of stated kinds, and what their owner would write into build.toml.

``wild_box(seed, kind)`` draws one. It measures itself (``impedance``, ``recording``) and knows what is true of it
(``truth``, ``driver_truth``, ``level_db``); see ``wild_speaker``. Physics: ``wild_enclosure``, ``wild_inside``,
``wild_drivers``, ``wild_air``. Nothing of it shares code or formulas with what is under test.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from reference.wild_air import Air, Fibres, air_at_height
from reference.wild_drivers import Coil, Driver, Edge, driver_truth
from reference.wild_enclosure import Enclosure, Lining, Port, Slit, Walls, tube_mouth
from reference.wild_inside import Cavity, Chain, Opening
from reference.wild_speaker import TAKES, Jig, WildBox
from stillbox.capture.build.build_description import BuildDescription
from stillbox.capture.errors import StillboxError

KINDS = (
    "closed-bare",
    "closed-lined",
    "closed-stuffed",
    "closed-leaky",
    "vented-bare",
    "vented-lined",
    "vented-stuffed",
    "vented-blocked",
    "vented-leaky",
    "vented-lined-leaky",
)
__all__ = ["FAMILIES", "KINDS", "TAKES", "WildBox", "wild_box"]

FAMILIES = ("cavity", "chain")
"""``cavity``: three-dimensional box, layers from front to back. ``chain``: line along the height."""

TUBE_WALL_M = 0.003

FIBRE_KINDS = {  # density of the solid, range of the diameter, range of loose mass in a volume
    "polyester": (1380.0, (15e-6, 40e-6), (4.0, 15.0)),
    "wool": (1300.0, (22e-6, 35e-6), (5.0, 16.0)),
    "glass wool": (2500.0, (6e-6, 11e-6), (6.0, 16.0)),
}


@dataclass(frozen=True)
class _Sizes:
    """Inside of the box and where things sit, m; places are across from the left and down from the top."""

    depth: float
    width: float
    height: float
    cone: tuple[float, float]
    port: tuple[float, float]


def wild_box(seed: int, kind: str, family: str | None = None) -> WildBox:
    """The loudspeaker of a seed.

    Parameters
    ----------
    seed : int
        0 or more. The same seed gives the same driver in every kind.
    kind : one of KINDS
    family : one of FAMILIES or None
        None: drawn, three of five are cavities.
    """
    if kind not in KINDS or family not in (None, *FAMILIES):
        raise StillboxError(f"no wild box '{kind}' of family '{family}'", f"kinds: {', '.join(KINDS)}; {FAMILIES}")
    rng = np.random.default_rng([seed, 11])
    height_m, celsius = float(rng.uniform(0, 1500)), float(rng.uniform(15, 28))
    air = air_at_height(height_m, celsius, float(rng.uniform(0.3, 0.65)))
    vented = kind.startswith("vented")
    driver = _draw_driver(rng, air)
    rng = np.random.default_rng([seed, 12, KINDS.index(kind)])
    drawn_family = FAMILIES[int(rng.random() > (0.25 if kind == "vented-blocked" else 0.6))]
    family = family or drawn_family
    enclosure, sizes, stuffing, lining = _draw_enclosure(rng, driver, air, kind, family, vented)
    side = 2 * driver.radius_m + rng.uniform(0.02, 0.05)
    litres = driver_truth(driver, air).vas_m3 * 1000 / rng.uniform(1.2, 3.0)
    litres = max(litres, 1000 * side**2 * 0.09)
    test_depth = litres / 1000 / side**2
    if test_depth > 1.5 * side:
        side = test_depth = (litres / 1000) ** (1 / 3)
    middle = Opening(0.0, side / 2, side / 2, driver.radius_m)
    test_box = Enclosure(Cavity(test_depth, side, side, (test_depth,), (middle,)), (None,), air, enclosure.walls)
    added_kg = driver_truth(driver, air).mms_kg * rng.uniform(0.5, 0.9)
    stated = _stated(rng, driver, enclosure, sizes, celsius, litres, added_kg, stuffing, lining)
    return WildBox(
        seed=seed,
        kind=kind,
        family=family,
        driver=driver,
        enclosure=enclosure,
        test_box=test_box,
        added_kg=added_kg,
        jig=_draw_jig(rng),
        described=BuildDescription.model_validate(stated),
        described_height_m=round(height_m + rng.uniform(-30, 30), -1),
        height_m=height_m,
    )


def _draw_driver(rng: np.random.Generator, air: Air) -> Driver:
    radius = rng.uniform(0.043, 0.105)
    fs = rng.uniform(46, 85) * (0.043 / radius) ** 0.8
    mms = 0.0042 * (radius / 0.043) ** 2.5 * rng.uniform(0.8, 1.5)
    qms, qes = rng.uniform(2.0, 8.0), rng.uniform(0.3, 0.7)
    re_ohm = rng.choice([3.3, 5.6, 6.2]) * rng.uniform(0.93, 1.07)
    omega = 2 * np.pi * fs
    edges = []
    for _ in range(rng.integers(1, 4)):
        edges.append(Edge(mms * rng.uniform(0.008, 0.05), rng.uniform(350, 1800), rng.uniform(4, 25)))
    creep = rng.uniform(0.0, 0.12)
    # the loss of creep is part of Qms: pi/2 / ln 10 of it for each decade
    rms = omega * mms * max(1 / qms - creep * np.pi / 2 / np.log(10), 0.05)
    return Driver(
        re_ohm=re_ohm,
        coil=_draw_coil(rng, re_ohm),
        bl=float(np.sqrt(omega * mms * re_ohm / qes)),
        dry_kg=mms - 8 / 3 * air.density * radius**3,
        compliance=1 / (omega**2 * mms),
        rms=rms,
        radius_m=radius,
        creep=creep,
        creep_at_hz=fs,
        edges=tuple(edges),
    )


def _draw_coil(rng: np.random.Generator, re_ohm: float) -> Coil:
    henry = re_ohm * rng.uniform(0.5e-4, 1.6e-4)
    kind = str(rng.choice(["power", "semi", "ladder"]))
    if kind == "power":
        exponent = rng.uniform(0.55, 0.85)
        return Coil(kind, (henry * (2 * np.pi * 1000) ** (1 - exponent), exponent))
    if kind == "semi":
        return Coil(
            kind,
            (henry * rng.uniform(0.2, 0.5), henry * rng.uniform(0.8, 3), henry * rng.uniform(60, 150), re_ohm * 8),
        )
    pairs = []
    for corner_hz in np.geomspace(300, 9000, rng.integers(2, 5)) * rng.uniform(0.7, 1.4):
        inductance = henry * rng.uniform(0.3, 1.0)
        pairs += [2 * np.pi * corner_hz * inductance, inductance]
    return Coil(kind, (henry * rng.uniform(0.15, 0.4), *pairs))


def _draw_enclosure(rng, driver, air, kind, family, vented):  # type: ignore[no-untyped-def]
    """The box, its sizes, loose fibre as (grams, material) or None, lining as (area, thickness, porosity) or None."""
    vas = driver_truth(driver, air).vas_m3
    fs = driver_truth(driver, air).fs_hz
    for _ in range(2000):
        volume = float(np.clip(vas / rng.uniform(0.5, 3.2), 0.0035, 0.12))
        sizes = _draw_sizes(rng, volume, driver.radius_m)
        if sizes is None:
            continue
        if not vented:
            port = None
            break
        port = _draw_port(rng, volume, driver.radius_m, sizes, fs * rng.uniform(0.65, 1.35), air, family)
        if port is not None:
            break
    else:
        raise AssertionError("no box fits this driver")
    filling, thicknesses, lining, stuffing, felt = _draw_filling(rng, kind, family, sizes, port, driver.radius_m)
    openings = [Opening(0.0, *sizes.cone, driver.radius_m)]
    if port:
        openings.append(tube_mouth(port.length_m, *sizes.port, port.radius_m))
    crowd = rng.uniform(0.01, 0.04) + _tube_m3(port) / volume
    walls = Walls(rng.uniform(8, 16), rng.uniform(220, 700), rng.uniform(12, 40), rng.uniform(0.05, 0.3),
                  rng.uniform(0.002, 0.01))  # fmt: skip
    shape = (sizes.depth, sizes.width, sizes.height, thicknesses, tuple(openings))
    box = Enclosure(
        inside=Cavity(*shape) if family == "cavity" else Chain(*shape),
        filling=filling,
        air=air,
        walls=walls,
        lining=lining,
        crowd=crowd,
        port=port,
        distance_m=float(np.hypot(sizes.cone[0] - sizes.port[0], sizes.cone[1] - sizes.port[1])),
    )
    if kind.endswith("leaky"):
        box = _leaking(rng, box, sizes, driver.radius_m, fs)
    return box, sizes, stuffing, felt


def _tube_m3(port: Port | None) -> float:
    """What the tube takes of the volume."""
    return np.pi * (port.radius_m + TUBE_WALL_M) ** 2 * port.length_m if port else 0.0


def _draw_sizes(rng: np.random.Generator, volume: float, radius: float) -> _Sizes | None:
    width = max((volume / rng.uniform(1.2, 3.0)) ** (1 / 3) * rng.uniform(0.8, 1.15), 2 * radius + 0.03)
    height = width * rng.uniform(1.25, 2.4)
    depth = volume / (width * height)
    if not 0.09 < depth < 2.2 * width or height < 2 * radius + 0.06:
        return None
    cone = (width / 2 + rng.choice([0, 0, 1]) * rng.uniform(-0.01, 0.01), radius + rng.uniform(0.02, 0.08))
    if cone[1] + radius > height - 0.01:
        return None
    return _Sizes(depth, width, height, cone, (width * rng.uniform(0.35, 0.65), height - rng.uniform(0.045, 0.1)))


def _draw_port(rng, volume, radius, sizes, wanted_hz, air, family) -> Port | None:  # type: ignore[no-untyped-def]
    mouth = radius * rng.uniform(0.25, 0.5)
    area = np.pi * mouth**2
    length = area * air.speed**2 / (volume * (2 * np.pi * wanted_hz) ** 2) - 1.43 * mouth
    deepest = sizes.depth - 1.2 * mouth - 0.015
    down = sizes.port[1]
    fits = down + mouth < sizes.height - 0.005 and down - mouth > sizes.cone[1] + radius + 0.01
    fits = fits and mouth < sizes.port[0] < sizes.width - mouth
    return Port(mouth, length) if fits and 0.03 < length < deepest else None


def _draw_filling(rng, kind, family, sizes, port, radius):  # type: ignore[no-untyped-def]
    """Fibres in the layers, thicknesses, lining of the sides; loose fibre and lining as a person would state them."""
    along = sizes.depth if family == "cavity" else sizes.height
    area = sizes.width * sizes.height * sizes.depth / along
    if "lined" in kind:
        thickness = min(rng.uniform(0.012, 0.035), 0.1 * min(sizes.depth, sizes.width))
        felt = Fibres(rng.uniform(20, 60), rng.uniform(20e-6, 35e-6), 1380.0, "polyester", rng.uniform(0.7, 1.4))
        covered = rng.uniform(0.4, 1.0)
        sides = 2 * (sizes.width + sizes.height) * sizes.depth
        if family == "chain":
            sides = 2 * (sizes.width + sizes.depth) * sizes.height
        stated = (covered * sides + area, thickness, felt.porosity)
        return (None, felt), (along - thickness, thickness), Lining(felt, thickness, covered), None, stated
    if "stuffed" not in kind and "blocked" not in kind:
        return (None,), (along,), None, None, None
    material = str(rng.choice(list(FIBRE_KINDS)))
    solid, diameters, loose = FIBRE_KINDS[material]
    law = "polyester" if material == "polyester" and rng.random() < 0.5 else "tarnow"
    thin = 0.5 if kind == "vented-blocked" else 1.0
    fibres = Fibres(
        thin * rng.uniform(*loose), rng.uniform(*diameters), solid, law, rng.uniform(0.7, 1.4), bool(rng.random() < 0.6)
    )
    filling, thicknesses = _placed(rng, kind, family, sizes, port, radius, along, fibres)
    filled = sum(t for t, what in zip(thicknesses, filling, strict=True) if what is not None)
    return filling, thicknesses, None, (fibres.kg_per_m3 * filled * area * 1000, material), None


def _placed(rng, kind, family, sizes, port, radius, along, fibres):  # type: ignore[no-untyped-def]
    """Where loose fibre lies: layers and thicknesses."""
    if kind == "closed-stuffed":
        if family == "chain":  # above and below the cone, whose basket keeps its own place free
            top = sizes.cone[1] - radius * rng.uniform(0.7, 0.95)
            free = 2 * radius * rng.uniform(0.9, 1.4)
            return (fibres, None, fibres), (top, free, along - top - free)
        first = rng.uniform(0.25, 0.5) * min(radius, along) + rng.choice([0.0, 0.3]) * along * rng.random()
        return (None, fibres), (first, along - first)
    if family == "chain":
        middle = 0.5 * (sizes.cone[1] + sizes.port[1])
        if kind == "vented-blocked":  # between cone and port
            half = rng.uniform(0.15, 0.35) * (sizes.port[1] - sizes.cone[1])
            return (None, fibres, None), (middle - half, 2 * half, along - middle - half)
        top = rng.uniform(0.3, 1.0) * sizes.cone[1]  # above and behind the cone: not on the way to the port
        return (fibres, None), (top, along - top)
    if kind == "vented-blocked":  # the mouth ends in it
        first = port.length_m * rng.uniform(0.5, 0.95)
        return (None, fibres), (first, along - first)
    first = port.length_m + (along - port.length_m) * rng.uniform(0.15, 0.7)
    return (None, fibres), (first, along - first)


def _leaking(rng: np.random.Generator, box: Enclosure, sizes: _Sizes, radius: float, fs: float) -> Enclosure:
    """The same box with a slit whose QL at about the tuning is drawn from 3 to 25."""
    quality = float(np.exp(rng.uniform(np.log(3), np.log(25))))
    omega = 2 * np.pi * fs
    resistance = quality / (omega * box.compliance(np.array([omega]))[0].real)
    gap, through = rng.uniform(0.15e-3, 0.5e-3), rng.uniform(0.004, 0.02)
    width = 12 * box.air.viscosity * through / (resistance * gap**3)
    place = str(rng.choice(["cone", "cone", "port", "back", "corner"]))
    if place == "port" and box.port is None:
        place = "corner"
    spot = 0.014
    where = {
        "cone": Opening(0.0, sizes.cone[0] + 0.7 * radius, sizes.cone[1] + 0.7 * radius, spot),
        "port": Opening(0.0, sizes.port[0], sizes.port[1] - 0.015, spot),
        "back": Opening(sizes.depth, sizes.width / 2, sizes.height * 0.8, spot),
        "corner": Opening(0.0, spot, sizes.height - spot, spot),
    }[place]
    inside = replace(box.inside, openings=(*box.inside.openings, where))
    return replace(box, inside=inside, leak=Slit(gap, width, through, place))


def _draw_jig(rng: np.random.Generator) -> Jig:
    marked = float(rng.choice([8.2, 10.0, 15.0, 22.0]))
    load = float(rng.choice([4.7, 8.2, 10.0])) * (1 + rng.uniform(-0.01, 0.01))
    tolerance = float(rng.choice([1.0, 5.0]))
    return Jig(
        reference_ohm=marked * (1 + rng.uniform(-1, 1) * tolerance / 100),
        marked_ohm=marked,
        tolerance_percent=tolerance,
        load_ohm=load,
        marked_load_ohm=load * (1 + rng.uniform(-0.0025, 0.0025)),
        load_tolerance_percent=0.25,
        source_ohm=rng.uniform(0.05, 1.0),
        noise_dbfs=rng.uniform(-104, -97),
    )


def _stated(rng, driver, box, sizes, celsius, litres, added_kg, stuffing, lining) -> dict[str, Any]:  # type: ignore[no-untyped-def]
    """Sections of build.toml with errors of reading: 1 mm, 0.1 g, 0.5 % of the multimeter, half a degree."""

    def mm(metres: float, error: float = 1.0) -> float:
        return float(round(1000 * metres + rng.uniform(-error, error), 1))

    volume = sizes.depth * sizes.width * sizes.height
    basket_litres = 1000 * (box.crowd * volume - _tube_m3(box.port))
    stated: dict[str, Any] = {
        "name": "wild",
        "inside_mm": {"height": mm(sizes.height), "width": mm(sizes.width), "depth": mm(sizes.depth)},
        "temperature_c": float(round(celsius + rng.uniform(-0.5, 0.5), 1)),
        "driver": {
            "diameter_mm": mm(2 * driver.radius_m),
            "diameter_tolerance_percent": float(round(100 / (2000 * driver.radius_m), 2)),
            "re_ohm": float(round(driver.re_ohm * (1 + rng.uniform(-0.005, 0.005)), 3)),
            "re_tolerance_percent": 0.5,
            "from_top_mm": mm(sizes.cone[1]),
            "from_left_mm": mm(sizes.cone[0]),
        },
        "added_mass": {"grams": float(round(1000 * added_kg + rng.uniform(-0.1, 0.1), 2)),
                       "tolerance_percent": float(round(0.01 / added_kg, 2))},
        "test_box": {"litres": float(round(litres * (1 + rng.uniform(-0.01, 0.01)), 3)), "tolerance_percent": 1.0},
        "volumes": {"driver_litres": float(round(basket_litres * rng.uniform(0.9, 1.1), 3))},
    }  # fmt: skip
    if box.port:
        stated["port"] = {
            "diameter_mm": mm(2 * box.port.radius_m, 0.3),
            "length_mm": mm(box.port.length_m),
            "wall_mm": 1000 * TUBE_WALL_M,
            "from_top_mm": mm(sizes.port[1]),
            "from_left_mm": mm(sizes.port[0]),
        }
    if stuffing:
        stated["stuffing"] = [{"grams": float(round(stuffing[0] + rng.uniform(-0.1, 0.1), 1)), "material": stuffing[1]}]
    if lining:
        area, thickness, porosity = lining
        stated["lining"] = [{"what": "felt", "area_m2": float(round(area * rng.uniform(0.97, 1.03), 3)),
                             "thickness_mm": mm(thickness), "porosity": float(round(porosity, 2))}]  # fmt: skip
    return stated
