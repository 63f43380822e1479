"""Where not to look: the directions in which the sun hides the aircraft."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from wxgate.brief import Brief
from wxgate.daylimits.span import values_over

#: Behind so much cloud the sun does not dazzle, as the rule for glare has it.
OVERCAST = 0.75


@dataclass(frozen=True, slots=True)
class Glare:
    """The sun over the hours of a lesson. Degrees; bearings clockwise from true north.

    The sector holds every direction that dazzles at any of the hours' ends.
    """

    azimuths: tuple[float, float] | None  #: first and last bearing of the sun; None: not known
    sector: tuple[float, float] | None  #: None: all directions dazzle, or it is not known
    half_width: float | None  #: of the sector; 0: the sun dazzles nowhere
    overcast: bool  #: it stands behind cloud all the time

    @property
    def away(self) -> float | None:
        """The bearing to fly in, with the sun at the pilot's back."""
        return None if self.sector is None else (_middle(self.sector) + 180.0) % 360.0

    def holds(self, bearing: float | None) -> bool:
        """Whether a bearing dazzles; False where it or the sun is not known."""
        if bearing is None or self.sector is None or self.overcast:
            return False
        first, last = self.sector
        return (bearing - first) % 360.0 <= (last - first) % 360.0


def glare(brief: Brief, start: datetime, end: datetime) -> Glare:
    """The glare over [start, end), by all forecasts that speak for it."""
    azimuth, width, cloud = (
        values_over(brief.forecasts, name, start, end)
        for name in ("solar_azimuth_angle", "glare_half_width", "cloud_area_fraction")
    )
    overcast = bool((cloud >= OVERCAST).all())
    if azimuth.shape != width.shape or np.isnan(azimuth).any() or np.isnan(width).any():
        return Glare(None, None, None, overcast)
    # Angles about the sun's first bearing, so that a sector may hold north.
    turn = (azimuth - azimuth[0] + 180.0) % 360.0 - 180.0
    dazzles = width > 0
    seen = float(azimuth[0] + turn.min()) % 360.0, float(azimuth[0] + turn.max()) % 360.0
    if not dazzles.any():
        return Glare(seen, None, 0.0, overcast)
    first, last = (turn - width)[dazzles].min(), (turn + width)[dazzles].max()
    half = float(last - first) / 2.0
    if half >= 180.0:
        return Glare(seen, None, 180.0, overcast)
    sector = float(azimuth[0] + first) % 360.0, float(azimuth[0] + last) % 360.0
    return Glare(seen, sector, half, overcast)


def _middle(sector: tuple[float, float]) -> float:
    first, last = sector
    return first + ((last - first) % 360.0) / 2.0
