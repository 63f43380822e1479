"""Truth: the light table of units against MetPy's registry, and against definitions."""

from __future__ import annotations

import numpy as np
import pytest

from wxgate import units
from wxgate.errors import UsageError
from wxgate.quantities import QUANTITIES

pytestmark = pytest.mark.truth

# Spellings of ours that MetPy's registry spells otherwise or, being counts, does not have.
REGISTRY_NAME = {
    "SM": "mile", "NM": "nautical_mile", "nmi": "nautical_mile", "kn": "knot", "mi": "mile",
    "°C": "degC", "°F": "degF", "gpm": "m", "mb": "mbar", "ug m-3": "microgram m-3",
    "degrees_true": "degree", "in": "inch", "in/h": "inch/hour", "lb": "pound", "mm/h": "mm h-1",
    "percent": "percent", "SM ": "mile", "d": "day", "ft/min": "foot/minute", "ft/s": "foot/second",
}  # fmt: skip
BASE = {
    "speed": "m s-1", "length": "m", "water depth": "mm", "water rate": "mm h-1",
    "pressure": "Pa", "time": "s", "share": "", "mass": "kg", "angle": "degree",
    "temperature": "K", "specific energy": "J kg-1", "density": "kg m-3",
    "acceleration": "m s-2", "irradiance": "W m-2", "water content": "g m-3",
    "particle content": "microgram m-3",
}  # fmt: skip
COUNTED = {"Kp", "points", "cycles", "heights", "flag"}
# A mass of water on a square metre and its depth: 1 kg m-2 = 1 mm for water of 1000 kg m-3
# (the definition behind CF's `lwe_thickness_...` names; the registry cannot know it).
WATER = {"kg m-2", "kg m-2 s-1"}


@pytest.mark.parametrize("name", [n for n in units.UNITS if n not in COUNTED | WATER])
def test_table_agrees_with_metpy_registry(name: str) -> None:
    from metpy.units import units as registry

    row = units.UNITS[name]
    spelling = "" if name == "1" else REGISTRY_NAME.get(name, name)
    base = BASE[row.dimension]
    for value in (0.0, 1.0, 37.5):
        expected = registry.Quantity(value, spelling).to(base).magnitude
        assert value * row.factor + row.offset == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_conversion_rows_of_definition() -> None:
    # Arithmetic on the international definitions: 1 NM = 1852 m, 1 mi = 1609.344 m,
    # 1 ft = 0.3048 m. 3 SM, 400 ft, 500 ft, 2000 ft, 87 kt as in 14 CFR 107.51.
    assert units.convert(3, "SM", "m") == pytest.approx(4828.03, abs=0.005)
    assert units.convert(400, "ft", "m") == pytest.approx(121.92, abs=1e-9)
    assert units.convert(500, "ft", "m") == pytest.approx(152.4, abs=1e-9)
    assert units.convert(2000, "ft", "m") == pytest.approx(609.6, abs=1e-9)
    assert units.convert(87, "kt", "m s-1") == pytest.approx(44.76, abs=0.005)
    assert units.convert(87, "kt", "mph") == pytest.approx(100.1, abs=0.05)
    # 10 m/s = 19.4 kt = 22.4 mph = 36 km/h (arithmetic).
    assert units.convert(10, "m/s", "kt") == pytest.approx(19.4, abs=0.05)
    assert units.convert(10, "m/s", "mph") == pytest.approx(22.4, abs=0.05)
    assert units.convert(10, "m/s", "km/h") == pytest.approx(36.0, abs=1e-9)
    # 2.5 mm/h is 6.944e-4 kg m-2 s-1 (1 kg m-2 s-1 = 3600 mm/h, arithmetic).
    assert units.convert(6.944e-4, "kg m-2 s-1", "mm h-1") == pytest.approx(2.5, abs=1e-3)


def test_a_temperature_difference_is_no_temperature() -> None:
    # By definition: 273.15 K is 0 degC, and 9 degF are 5 K.
    assert units.convert(3, "degC", "K", difference=True) == 3.0
    assert units.convert(3, "degC", "K") == pytest.approx(276.15)
    assert units.convert(9, "degF", "K", difference=True) == pytest.approx(5.0)


@pytest.mark.law
@pytest.mark.parametrize(
    ("text", "target", "words"),
    [
        ("10", "m s-1", "no unit"),
        ("ten m/s", "m s-1", "not a number"),
        ("10 mps", "m s-1", "not known"),
        ("10 kg", "m s-1", "measures mass"),
        ("1e999 m/s", "m s-1", "not finite"),
        ("nan m/s", "m s-1", "not a number"),
        ("inf m/s", "m s-1", "not a number"),
        ("٣ m/s", "m s-1", "not a number"),
    ],
)
def test_amounts_that_cannot_be_read_are_refused(text: str, target: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        units.parse_amount(text, target)


@pytest.mark.law
def test_arrays_keep_nan_and_use_the_registry_for_other_spellings() -> None:
    values = np.array([1.0, np.nan, 3.0])
    kilometres = units.convert_array(values, "kilometer", "m")
    np.testing.assert_allclose(kilometres, [1000.0, np.nan, 3000.0])
    with pytest.raises(UsageError, match="cannot turn"):
        units.convert_array(values, "furlong", "K")


@pytest.mark.law
def test_every_quantity_has_units_of_the_table() -> None:
    for row in QUANTITIES.values():
        assert units.unit(row.units).dimension == units.unit(row.shown_units).dimension, row.name
        assert row.low < row.high
