"""Parts of ``build.toml`` about driver and volume: numbers for driver parameters, bass and the volume budget."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, Strict

from stillbox.capture.shown_text import visible


def within(low: float, high: float, unit: str) -> Callable[[float], float]:
    """A check that a number lies from ``low`` to ``high``; its error names the range."""

    def check(value: float) -> float:
        if not low <= value <= high:
            raise ValueError(f"must be {low:g} to {high:g} {unit}")
        return value

    return check


Tolerance = Annotated[float, Strict(), AfterValidator(within(0, 50, "percent"))]
Grams = Annotated[float, Strict(), AfterValidator(within(0.1, 1000, "g"))]
TestLitres = Annotated[float, Strict(), AfterValidator(within(0.2, 2000, "litres"))]
Litres = Annotated[float, Strict(), AfterValidator(within(0, 2000, "litres"))]
SquareMetres = Annotated[float, Strict(), AfterValidator(within(0, 100, "m²"))]
Millimetres = Annotated[float, Strict(), AfterValidator(within(0.1, 1000, "mm"))]
Porosity = Annotated[float, Strict(), AfterValidator(within(0, 0.999, ""))]
StuffingGrams = Annotated[float, Strict(), AfterValidator(within(0, 100_000, "g"))]
Label = Annotated[str, Strict(), Field(max_length=200), AfterValidator(visible)]
Fibre = Literal["polyester", "wool", "cotton", "glass wool", "rock wool"]


class Part(BaseModel):
    """A section of ``build.toml``: frozen, unknown keys are errors."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class AddedMass(Part):
    """The mass fixed to the cone for the take of ``added-mass``."""

    grams: Grams | None = None
    tolerance_percent: Tolerance | None = None


class TestBox(Part):
    """The closed box for the take of ``test-box``: net volume, what the cone leaves free counted."""

    __test__ = False  # no test class, though its name begins like one

    litres: TestLitres | None = None
    tolerance_percent: Tolerance | None = None


class Volumes(Part):
    """What things in the box take away from its volume, litres."""

    driver_litres: Litres | None = None
    braces_litres: Litres | None = None
    crossover_litres: Litres | None = None


class InSomeStates(Part):
    """Something that is in the box in some states of the work; empty: in all of them."""

    states: tuple[Label, ...] = ()

    def is_in(self, state: str) -> bool:
        """Whether it is in the box in a state."""
        return not self.states or state in self.states


class Lining(InSomeStates):
    """A lining: area, thickness, and the part of it that is air (0 for a solid sheet)."""

    what: Label = "lining"
    area_m2: SquareMetres
    thickness_mm: Millimetres
    porosity: Porosity = 0.0

    @property
    def volume_m3(self) -> float:
        return self.area_m2 * self.thickness_mm / 1000


class LooseFibre(InSomeStates):
    """Loose fibre in the box."""

    grams: StuffingGrams
    material: Fibre = "polyester"


TEMPLATE = """
[added_mass]
# Mass fixed to the cone for the take of added-mass (right when it lowers the resonance by about a quarter).
# grams = 12.0
# tolerance_percent = 1.0

[test_box]
# Net volume of the closed box for the take of test-box, with what the cone leaves free.
# litres = 12.5
# tolerance_percent = 2.0

[volumes]
# What things inside take away, litres; port and lining are counted from their sizes.
# driver_litres = 1.2
# braces_litres = 0.6
# crossover_litres = 0.3

# What lines the box: one block for each piece. Porosity is the part that is air: 0 for a solid sheet, 0.95 for foam.
# [[lining]]
# what = "felt on back and sides"
# area_m2 = 0.35
# thickness_mm = 10
# porosity = 0.9
# states = ["lined", "final"]

# Loose fibre: polyester, wool, cotton, glass wool or rock wool.
# [[stuffing]]
# grams = 150
# material = "polyester"
# states = ["final"]
"""
