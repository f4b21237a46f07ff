"""A port as a tube with the air in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillbox.analysis.physics.cavity import FLANGED_END, FREE_END

ENDS = FLANGED_END + FREE_END
"""End corrections over the radius of a port that is flush outside and free inside (see `analysis.physics.cavity`)."""
LONGEST_ENDS = 6.0
HEARD_AIR_M_S = 17.0
"""Above it the air in the port is heard (common practice, no source)."""


@dataclass(frozen=True)
class Port:
    """A tube: inner diameter and length, m."""

    diameter_m: float
    length_m: float

    @property
    def area_m2(self) -> float:
        return float(np.pi / 4 * self.diameter_m**2)

    def mass_kg_per_m4(self, density_kg_m3: float, ends_over_radius: float) -> float:
        """Acoustic mass with its ends."""
        return density_kg_m3 * (self.length_m + ends_over_radius * 0.5 * self.diameter_m) / self.area_m2
