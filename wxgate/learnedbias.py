"""A bias that was learned from past verdicts, laid on the weathers that chances are made of.

The file is what ``wxgate verify --offer`` writes. It was learned at 10 m; a wind or gust that it
makes stronger is made stronger at every height, in the same proportion aloft. It makes a wind
weaker only where enough independent cases say so, and then by no more than at 10 m. Grades by
limits never see it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from wxgate.chancepolicy import Policy
from wxgate.errors import UsageError
from wxgate.forecast import Array, Field, Forecast
from wxgate.quantities import QUANTITIES, Kind, quantity
from wxgate.strictyaml import Block, Faults, Node, Scalar, Series, nearest
from wxgate.units import parse_amount
from wxgate.yamlkeys import choice_of, read_file, read_keys, text_of

SECTORS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
#: What a bias of the 10 m quantity is laid on.
ALIKE: Mapping[str, tuple[str, ...]] = {
    "wind_speed": ("wind_speed", "wind_speed_at_flight_height", "wind_speed_layer_maximum",
                   "launch_wind_speed"),
    "gust": ("gust", "gust_at_flight_height", "gust_layer_maximum"),
}  # fmt: skip
_MOST = 50.0  # units of its quantity that a bias may be: more is a slip of the pen
_MOST_ALOFT = 3.0  # times the correction at 10 m


@dataclass(frozen=True, slots=True)
class Row:
    """One correction: ``add`` in the quantity's own unit, and what it rests on."""

    quantity: str
    add: float
    sector: str | None  #: of the 10 m wind, eighths of the compass; None: all
    cases: int
    independent: float

    def why_not(self, policy: Policy) -> str:
        """Why it is left out; "" where it is in force."""
        least = policy.number("bias", "least_independent")
        if self.independent < least:
            return f"{self.independent:g} independent cases, {least:g} needed"
        least = policy.number("bias", "weaker_from")
        if self.quantity in ALIKE and self.add < 0 and self.independent < least:
            return (
                f"would make it weaker on {self.independent:g} independent cases, {least:g} needed"
            )
        return ""

    @property
    def text(self) -> str:
        """The correction in words."""
        row = quantity(self.quantity)
        where = "" if self.sector is None else f", wind from {self.sector}"
        unit = "K" if row.units == "degC" else row.units
        return f"{row.label} {self.add:+.{max(row.digits, 1)}f} {unit}{where}"


@dataclass(frozen=True, slots=True)
class Bias:
    """The rows of a file."""

    rows: tuple[Row, ...]

    def notes(self, policy: Policy) -> tuple[str, ...]:
        """What is in force, and what was left out and why."""
        used = [r.text for r in self.rows if not r.why_not(policy)]
        left = [f"{r.text} ({why})" for r in self.rows if (why := r.why_not(policy))]
        told = [f"chances with a learned bias: {'; '.join(used)}"] if used else []
        return (*told, *([f"learned bias left out: {'; '.join(left)}"] if left else []))

    def corrected(self, forecast: Forecast, policy: Policy) -> Forecast:
        """The forecast with every row that is in force; where one of a sector holds, it alone."""
        rows = [r for r in self.rows if not r.why_not(policy)]
        fields: dict[str, Field] = {}
        for name in dict.fromkeys(r.quantity for r in rows):
            add = self._add(forecast, [r for r in rows if r.quantity == name])
            for alike in ALIKE.get(name, (name,)):
                found = forecast.get(alike)
                if found is not None and found.kind is not Kind.CONSTANT and found.levels is None:
                    fields[alike] = found.with_values(_moved(forecast, found, name, add))
        return forecast.with_fields(fields) if fields else forecast

    @staticmethod
    def _add(forecast: Forecast, rows: list[Row]) -> Array:
        """The correction by hour (time,) or (time, member); 0 where no row holds.

        Where the sector is not known, the largest of all rows: the careful one.
        """
        general = next((r.add for r in rows if r.sector is None), 0.0)
        by_sector = {r.sector: r.add for r in rows if r.sector is not None}
        blow = forecast.get("wind_from_direction")
        if not by_sector:
            return np.full(forecast.time.shape, general)
        careful = max(general, *by_sector.values())
        if blow is None or blow.kind is Kind.CONSTANT:
            return np.full(forecast.time.shape, careful)
        known = np.isfinite(blow.values)
        at = np.floor((np.where(known, blow.values, 0.0) + 22.5) / 45.0).astype(int) % 8
        adds = np.array([by_sector.get(label, general) for label in SECTORS])
        return np.where(known, adds[at], careful)


def _moved(forecast: Forecast, found: Field, name: str, add: Array) -> Array:
    """Values with the correction; aloft a stronger wind grows in the proportion of 10 m."""
    values = found.values
    more: Any = add if add.ndim == values.ndim else add[..., None]
    if name in ALIKE:
        ground = forecast.get(name)
        if ground is not None and ground.values.shape == values.shape:
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = np.clip(np.nan_to_num(values / ground.values, nan=1.0), 1.0, _MOST_ALOFT)
            more = np.where(more > 0, more * ratio, more)
        return np.asarray(np.maximum(values + more, 0), np.float32)
    row = quantity(found.source if found.source in QUANTITIES else name)
    return np.asarray(np.clip(values + more, row.low, row.high), np.float32)


# ---------------------------------------------------------------------- the file


def read_bias(path: Path) -> Bias:
    """The rows of a file; UsageError tells every fault with its line and column."""

    def rows(root: Node, faults: Faults) -> list[Row]:
        entries = read_keys(root, {"bias": lambda n, f: n}, {"bias"}, faults)
        return _rows(entries.get("bias"), faults)

    return Bias(tuple(read_file(path, "bias", rows, UsageError)))


def _rows(node: Node | None, faults: Faults) -> list[Row]:
    if node is None:
        return []
    if not isinstance(node, Series):
        faults.add(node.place, "no list", "bias is a list of rows", "write '- quantity: ...'")
        return []
    rows: list[Row] = []
    for item in node.items:
        row = _row(item, faults)
        if row is None:
            continue
        if any((r.quantity, r.sector) == (row.quantity, row.sector) for r in rows):
            faults.add(item.place, f"a second row for {row.text}", "", "keep one of them")
        rows.append(row)
    return rows


def _row(item: Node, faults: Faults) -> Row | None:
    before = len(faults)
    keys = {
        "quantity": _quantity_of, "add": text_of, "wind_from": choice_of(*SECTORS),
        "cases": _count_of, "independent": _count_of,
    }  # fmt: skip
    found = read_keys(item, keys, {"quantity", "add", "cases", "independent"}, faults)
    if len(faults) > before or not isinstance(item, Block):
        return None
    place = item.entries["add"].place
    try:
        add = parse_amount(found["add"], quantity(found["quantity"]).units, difference=True)
    except UsageError as error:
        faults.add_error(place, error)
        return None
    if not abs(add) <= _MOST:
        faults.add(place, f"a bias of {add:g}", f"allowed: {-_MOST:g} to {_MOST:g}", "check it")
        return None
    if found["independent"] > found["cases"]:
        faults.add(item.place, "more independent cases than cases", "", "correct these numbers")
        return None
    return Row(found["quantity"], add, found.get("wind_from"), int(found["cases"]),
               found["independent"])  # fmt: skip


def _quantity_of(node: Node, faults: Faults) -> str | None:
    text = text_of(node, faults)
    if text is not None and text not in QUANTITIES:
        faults.add(node.place, f"the quantity {text!r} is not known", "", nearest(text, QUANTITIES))
        return None
    return text


def _count_of(node: Node, faults: Faults) -> float | None:
    try:
        value = float(node.text) if isinstance(node, Scalar) else float("nan")
    except ValueError:
        value = float("nan")
    if not 0 <= value <= 1e9:
        faults.add(node.place, "no number of cases", "allowed: 0 to 1e9", "write a number")
        return None
    return value
