"""In which units, on which clock and how wide people read; the grades never depend on it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from wxgate.errors import UsageError
from wxgate.quantities import Quantity
from wxgate.units import convert


class Units(StrEnum):
    """The sets of units on screen: how wind, height, temperature, distance and rain are told."""

    METRIC = "metric"  #: m/s, m, °C, km, mm
    KMH = "kmh"  #: as metric, but wind in km/h
    KNOTS = "knots"  #: kt, ft, °C, km, mm
    MPH = "mph"  #: mph, ft, °F, mi, in


#: Unit of the vocabulary: the unit on screen, and how many digits more or fewer it needs.
_UNITS: Mapping[Units, Mapping[str, tuple[str, int]]] = {
    Units.METRIC: {},
    Units.KMH: {"m s-1": ("km/h", 0)},
    Units.KNOTS: {"m s-1": ("kt", 0), "m": ("ft", 0)},
    Units.MPH: {
        "m s-1": ("mph", 0),
        "m": ("ft", 0),
        "km": ("mi", 0),
        "degC": ("degF", 0),
        "K": ("degF", 0),
        "mm": ("in", 1),
        "mm h-1": ("in/h", 1),
    },
}
_SPELT = {"m s-1": "m/s", "mm h-1": "mm/h", "degC": "°C", "degF": "°F", "degree": "°", "1": "",
          "flag": "", "Kp": "", "J kg-1": "J/kg", "kg m-3": "kg/m³", "W m-2": "W/m²",
          "ug m-3": "µg/m³"}  # fmt: skip
_MOST_DIGITS = 6
WIDTH = 80  #: letters in a line of a mail, of a file, and of a terminal where it is not narrower
_UPWARD = ("above", "at least")  #: words of limits that larger values pass
#: Of the languages and lands whose people read a clock of 12 hours (CLDR, timeData, "h" first).
_TWELVE = {"en_US", "en_CA", "en_AU", "en_NZ", "en_IN", "en_PH"}
_MPH = {"US", "LR"}  #: lands of the US system of measures (CLDR, measurementData)


@dataclass(frozen=True, slots=True)
class Display:
    """Units, clock and width on screen; :data:`METRIC` where nobody asked for another."""

    units: Units = Units.METRIC
    twelve: bool = False  #: a clock of 12 hours
    width: int = WIDTH  #: letters in a line

    def lines(self, most: int) -> int:
        """As many lines of this width as hold what ``most`` of the usual width hold."""
        if self.width >= WIDTH:
            return most
        return math.ceil(most * WIDTH / self.width) + 1  # shorter lines end in more of a rag

    def unit(self, row: Quantity) -> str:
        """The unit in which a quantity is shown, as ``units`` spells it."""
        return self._unit(row.shown_units)[0]

    def spelt(self, row: Quantity) -> str:
        """The unit as people read it; empty for counts and shares."""
        return spelt(self.unit(row))

    def number(self, row: Quantity, value: float) -> float:
        """A value in the quantity's own unit, in the unit on screen."""
        return convert(value, row.units, self.unit(row), difference=row.difference)

    def difference(self, row: Quantity, change: float) -> float:
        """A difference of two values in the quantity's own unit, in the unit on screen."""
        return convert(change, row.units, self.unit(row), difference=True)

    def spelt_difference(self, row: Quantity) -> str:
        """The unit of a difference: one of temperatures is told in K, or °F."""
        return "K" if self.unit(row) == "degC" else self.spelt(row)

    def digits(self, row: Quantity, number: float) -> int:
        """How many digits behind the point a number on screen has."""
        unit, more = self._unit(row.shown_units)
        return 2 if unit in ("km", "mi") and abs(number) < 1 else row.digits + more

    def length(self, metres: float) -> str:
        """A height or distance, as 60 m or 197 ft."""
        unit = self._unit("m")[0]
        number = convert(metres, "m", unit)
        return f"{number:.0f} {unit}" if unit != "m" else f"{number:g} m"

    def _unit(self, name: str) -> tuple[str, int]:
        return _UNITS[self.units].get(name, (name, 0))


METRIC = Display()


def spelt(unit: str) -> str:
    """A unit as people read it."""
    return _SPELT.get(unit, unit)


def printed(number: float, digits: int) -> str:
    """A number with so many digits, never with a minus before nought."""
    text = f"{number:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text


def pair(value: float, limit: float, word: str, digits: tuple[int, int]) -> tuple[str, str]:
    """A value and its limit, printed so that rounding never changes on which side it stands.

    ``word`` is the limit's (above, at least, below, at most), ``digits`` how many each has at
    least. The limit is rounded to its strict side, and both get as many digits as it takes for
    the printed numbers to compare as the real ones do: 10.04 above 10 reads "10.04" and "10.00".
    Numbers so close that six digits do not tell them apart are printed a last digit apart.
    """
    real = compare(value, word, limit)
    more = [(n, n) for n in range(max(digits), _MOST_DIGITS + 1)]
    for of_value, of_limit in (digits, *more):
        held = strict(limit, of_limit, word)
        told = round(value, of_value)
        if compare(told, word, held) == real:
            return printed(told, of_value), printed(held, of_limit)
    step: float = 10.0**-_MOST_DIGITS * (1 if (word in _UPWARD) == real else -1)
    return printed(limit + step, _MOST_DIGITS), printed(limit, _MOST_DIGITS)


def compare(value: float, word: str, limit: float) -> bool:
    """Whether a value is past a limit of this word."""
    match word:
        case "above":
            return value > limit
        case "at least":
            return value >= limit
        case "below":
            return value < limit
    return value <= limit


def strict(limit: float, digits: int, word: str) -> float:
    """The limit with so many digits, rounded so that a number on it is never past the real one."""
    scale = 10.0**digits
    scaled = limit * scale
    near = round(scaled)
    if math.isclose(scaled, near, rel_tol=1e-9, abs_tol=1e-6):
        return near / scale
    return (math.floor(scaled) if word in _UPWARD else math.ceil(scaled)) / scale


def make_display(
    units: str | None, clock: str | None, environment: Mapping[str, str] | None = None
) -> Display:
    """The display of these words; where one is not given, of the locale, else metric and 24 h.

    Of the locale (``environment``) only ``LC_MEASUREMENT`` and ``LC_TIME`` count, because they
    say it of this very thing: ``LANG`` is often that of whoever set up the computer. UsageError
    for a word that is neither.
    """
    found = environment or {}
    land = _name(found.get("LC_MEASUREMENT")).partition("_")[2]
    if units is None:
        units = "mph" if land in _MPH else "metric"
    if clock is None:
        clock = "12" if _name(found.get("LC_TIME")) in _TWELVE else "24"
    if units not in set(Units):
        raise UsageError(
            f"units {units!r} are not known", remedy=f"Choose one of {', '.join(Units)}."
        )
    if clock not in ("12", "24"):
        raise UsageError(f"a clock of {clock!r} is not known", remedy="Choose 12 or 24.")
    return Display(Units(units), clock == "12")


def _name(locale: str | None) -> str:
    """The language and land of a locale: en_US of en_US.UTF-8."""
    return (locale or "").partition(".")[0].partition("@")[0]
