"""Numbers and bearings of the lesson sheet, rounded to the careful side, in the reader's units."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from wxgate.daylimits import Glare
from wxgate.quantities import quantity
from wxgate.report.display import Display, printed
from wxgate.report.words import shown
from wxgate.strictyaml.characters import is_hidden

Line = tuple[str, str]  #: a label and a sentence
_COMPASS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW",
            "NW", "NNW")  # fmt: skip


def compass(bearing: float) -> str:
    """A bearing in degrees as one of sixteen points, N to NNW."""
    return _COMPASS[round(bearing / 22.5) % 16]


def bearing_text(bearing: float) -> str:
    """A bearing in three figures, north as 360, with its point."""
    return f"{round(bearing) % 360 or 360:03d}° ({compass(bearing)})"


def one_line(text: str, longest: int) -> str:
    """A name on one line with nothing hidden in it, cut where it is too long."""
    seen = " ".join("".join(" " if is_hidden(c) else c for c in text).split())
    return seen if len(seen) <= longest else seen[: longest - 4].rstrip() + " ..."


def sun(glare: Glare, upwind: float | None) -> str:
    """Where not to look, and whether the way upwind (degrees) leads there."""
    if glare.half_width is None:
        return "where it stands is NOT KNOWN; keep it behind you."
    if glare.half_width == 0:
        return "dazzles nowhere."
    if glare.sector is None or glare.away is None:
        return "so high that it dazzles all round: fly further out, look away."
    first, last = map(bearing_text, glare.sector)
    cloud = "behind cloud; if it comes out, " if glare.overcast else ""
    told = f"{cloud}look away from {first} to {last}; at your back: {bearing_text(glare.away)}."
    return f"{told} UPWIND LIES IN THE GLARE." if glare.holds(upwind) else told


@dataclass(frozen=True, slots=True)
class Numbers:
    """Numbers as a reader has them shown."""

    display: Display

    def bounded(self, name: str, value: float, rounded: Callable[[float], int]) -> str:
        """A number rounded to one side in the unit on screen; down never flatters a limit."""
        row = quantity(name)
        number = self.display.number(row, value)
        digits = self.display.digits(row, number)
        scaled = number * 10.0**digits
        # A number that is on the step but for its last bits stays there.
        near = round(scaled)
        whole = near if math.isclose(scaled, near, abs_tol=1e-6) else rounded(scaled)
        return f"{printed(whole / 10.0**digits, digits)} {self.display.spelt(row)}"

    def speed(self, value: float) -> str:
        """A speed."""
        return shown("wind_speed", value, display=self.display)

    def speed_down(self, value: float) -> str:
        """A speed, rounded down."""
        return self.bounded("wind_speed", value, math.floor)

    def speed_up(self, value: float) -> str:
        """A speed, rounded up."""
        return self.bounded("wind_speed", value, math.ceil)

    def metres(self, value: float) -> str:
        """A height or distance."""
        return self.display.length(value)

    def metres_down(self, value: float) -> str:
        """A height or distance, rounded down."""
        return self.bounded("flight_height", value, math.floor)

    def metres_up(self, value: float) -> str:
        """A height or distance, rounded up."""
        return self.bounded("flight_height", value, math.ceil)
