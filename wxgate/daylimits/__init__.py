"""The limits of the day for a lesson: height, radius, stop numbers, way home, drift, room.

``day_limits`` is the way in. Everything is worked out from a Brief and a span of time.
"""

from wxgate.daylimits.figures import Figures, figures_of
from wxgate.daylimits.glare import Glare
from wxgate.daylimits.ground import Drift, Return, Room, Wind
from wxgate.daylimits.heights import HeightCap, grade_at, height_cap
from wxgate.daylimits.limits import DayLimits, day_limits
from wxgate.daylimits.meter import Silent, StopNumbers, stop_numbers

__all__ = [
    "DayLimits",
    "Drift",
    "Figures",
    "Glare",
    "HeightCap",
    "Return",
    "Room",
    "Silent",
    "StopNumbers",
    "Wind",
    "day_limits",
    "figures_of",
    "grade_at",
    "height_cap",
    "stop_numbers",
]
