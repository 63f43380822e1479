"""Unit conversion at the edges: what people and files write, to the unit of a quantity.

A light table carries the units that a rules file, a profile or the command line may use, so that
a brief from stored hours needs no heavy import. The tests hold every row of the table against
MetPy's registry, which is the authority; a unit that the table lacks is looked up there only
when a dataset is read (see :func:`convert_array`).
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from wxgate.errors import UsageError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Unit:
    """One spelling: value in the base unit of its dimension = value * factor + offset."""

    dimension: str
    factor: float
    offset: float = 0.0


_SPEED = {"m s-1": 1.0, "m/s": 1.0, "km h-1": 1 / 3.6, "km/h": 1 / 3.6, "kt": 1852 / 3600,
          "kn": 1852 / 3600, "knot": 1852 / 3600, "knots": 1852 / 3600, "mph": 0.44704,
          "ft/s": 0.3048, "ft/min": 0.3048 / 60}  # fmt: skip
_LENGTH = {"m": 1.0, "gpm": 1.0, "km": 1000.0, "ft": 0.3048, "mi": 1609.344, "SM": 1609.344,
           "NM": 1852.0, "nmi": 1852.0, "cm": 0.01}  # fmt: skip
# A depth of water and its mass on a square metre are one dimension, as CF's lwe names have it.
_DEPTH = {"mm": 1.0, "kg m-2": 1.0, "in": 25.4}
_RATE = {"mm h-1": 1.0, "mm/h": 1.0, "kg m-2 s-1": 3600.0, "mm s-1": 3600.0, "in/h": 25.4}
_PRESSURE = {"Pa": 1.0, "hPa": 100.0, "mbar": 100.0, "mb": 100.0, "kPa": 1000.0,
             "inHg": 3386.389}  # fmt: skip
_TIME = {"s": 1.0, "min": 60.0, "h": 3600.0, "hour": 3600.0, "hours": 3600.0, "d": 86400.0,
         "day": 86400.0, "days": 86400.0}  # fmt: skip
_SHARE = {"1": 1.0, "%": 0.01, "percent": 0.01}
_MASS = {"kg": 1.0, "g": 0.001, "lb": 0.45359237}
_ANGLE = {"degree": 1.0, "degrees": 1.0, "deg": 1.0, "degrees_true": 1.0}

UNITS: dict[str, Unit] = {
    **{name: Unit("speed", f) for name, f in _SPEED.items()},
    **{name: Unit("length", f) for name, f in _LENGTH.items()},
    **{name: Unit("water depth", f) for name, f in _DEPTH.items()},
    **{name: Unit("water rate", f) for name, f in _RATE.items()},
    **{name: Unit("pressure", f) for name, f in _PRESSURE.items()},
    **{name: Unit("time", f) for name, f in _TIME.items()},
    **{name: Unit("share", f) for name, f in _SHARE.items()},
    **{name: Unit("mass", f) for name, f in _MASS.items()},
    **{name: Unit("angle", f) for name, f in _ANGLE.items()},
    "K": Unit("temperature", 1.0),
    "degC": Unit("temperature", 1.0, 273.15),
    "°C": Unit("temperature", 1.0, 273.15),
    "degF": Unit("temperature", 5 / 9, 273.15 - 32 * 5 / 9),
    "°F": Unit("temperature", 5 / 9, 273.15 - 32 * 5 / 9),
    "J kg-1": Unit("specific energy", 1.0),
    "J/kg": Unit("specific energy", 1.0),
    "kg m-3": Unit("density", 1.0),
    "kg/m3": Unit("density", 1.0),
    "m s-2": Unit("acceleration", 1.0),
    "W m-2": Unit("irradiance", 1.0),
    "g m-3": Unit("water content", 1.0),
    "ug m-3": Unit("particle content", 1.0),
    # Counted things that CF writes as "1"; told apart here so that a rule cannot mix them.
    "Kp": Unit("K index", 1.0),
    "points": Unit("points", 1.0),
    "cycles": Unit("cycles", 1.0),
    "heights": Unit("heights", 1.0),  # of a hill, of a belt of trees
    "flag": Unit("flag", 1.0),
}

#: Units as people write them, where that differs; a rules file takes either.
_WRITTEN = {"m s-1": "m/s", "mm h-1": "mm/h", "J kg-1": "J/kg", "kg m-3": "kg/m3"}
_COMMA = re.compile(r"[+-]?\d+,\d+(?!,)", re.ASCII)
_AMOUNT = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*)\Z", re.ASCII)


def unit(name: str) -> Unit:
    """The table's row for a unit; UsageError names the nearest spelling when there is none."""
    found = UNITS.get(name)
    if found is None:
        near = difflib.get_close_matches(name, UNITS, n=1)
        hint = f"Did you mean {near[0]!r}?" if near else f"Known units: {', '.join(UNITS)}."
        raise UsageError(f"unit {name!r} is not known", remedy=hint)
    return found


def convert(value: float, from_unit: str, to_unit: str, *, difference: bool = False) -> float:
    """One value from one unit to another.

    ``difference`` says that a temperature is a difference (a dew-point spread): 3 degC are then
    3 K and not 276.15 K. UsageError when the two units measure different things.
    """
    a, b = unit(from_unit), unit(to_unit)
    if a.dimension != b.dimension:
        raise UsageError(
            f"{from_unit!r} measures {a.dimension}, but {to_unit!r} measures {b.dimension}",
            remedy=f"Write a unit of {b.dimension}: {', '.join(spellings(b.dimension))}.",
        )
    if difference:
        return value * a.factor / b.factor
    if (a.factor, a.offset) == (b.factor, b.offset):
        return value
    return (value * a.factor + a.offset - b.offset) / b.factor


def spellings(dimension: str) -> list[str]:
    """All spellings of the units of one dimension."""
    return [name for name, row in UNITS.items() if row.dimension == dimension]


def counted(count: int, one: str, several: str = "") -> str:
    """A count with its noun: ``1 rule``, ``2 rules``, ``0 entries``."""
    return f"{count} {one if count == 1 else several or one + 's'}"


def written(name: str) -> str:
    """A unit as a rules file would have it: ``m/s`` rather than ``m s-1``."""
    return _WRITTEN.get(name, name)


def split_amount(text: str) -> tuple[float, str]:
    """Split ``"10 m/s"`` into its number and unit; UsageError when there is no number or unit."""
    match = _AMOUNT.match(text.strip())
    if match is None:
        raise UsageError(
            f"{text!r} is not a number with a unit", remedy="Write for example 10 m/s."
        )
    if not match[2]:
        raise UsageError(
            f"{text!r} has no unit", remedy="Write the unit behind the number, such as 10 m/s."
        )
    if _COMMA.match(text.strip()):
        raise UsageError(
            f"{text!r} has a comma in its number",
            remedy="Write a decimal point, and nothing between thousands: 52.05, 1200.",
        )
    value = float(match[1])
    if value in (float("inf"), float("-inf")):
        raise UsageError(f"{text!r} is not finite", remedy="Write a finite number with its unit.")
    return value, match[2]


def parse_amount(text: str, to_unit: str, *, difference: bool = False) -> float:
    """The number of ``"20 kt"`` in ``to_unit``; UsageError for no unit or another dimension."""
    value, name = split_amount(text)
    return convert(value, name, to_unit, difference=difference)


def convert_array(
    values: NDArray[np.floating[Any]], from_unit: str, to_unit: str, *, difference: bool = False
) -> NDArray[np.floating[Any]]:
    """An array from one unit to another, any shape; NaN stays NaN.

    Units that the light table lacks go through MetPy's registry (a slow import). UsageError when
    the unit is unknown there too, or measures something else.
    """
    if from_unit in UNITS and to_unit in UNITS:
        a, b = UNITS[from_unit], UNITS[to_unit]
        if a.dimension == b.dimension:
            if a == b:
                return values
            offset = 0.0 if difference else (a.offset - b.offset) / b.factor
            return values * (a.factor / b.factor) + offset
    return _convert_by_registry(values, from_unit, to_unit, difference)


def _convert_by_registry(
    values: NDArray[np.floating[Any]], from_unit: str, to_unit: str, difference: bool
) -> NDArray[np.floating[Any]]:
    from metpy.units import units as registry

    try:
        source, target = registry.Unit(from_unit), registry.Unit(to_unit)
        if difference:
            one = registry.Quantity(1.0, source) - registry.Quantity(0.0, source)
            delta = registry.Quantity(1.0, target) - registry.Quantity(0.0, target)
            return values * float((one / delta).to("").magnitude)
        converted: NDArray[np.floating[Any]] = (
            registry.Quantity(values, source).to(target).magnitude
        )
    except Exception as error:  # pint raises a dozen unrelated classes here
        raise UsageError(
            f"cannot turn {from_unit!r} into {to_unit!r}",
            remedy=f"Give the variable units that measure the same as {to_unit!r}.",
        ) from error
    return converted
