"""Small forecasts for tests, on the hourly axis of the house."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from wxgate.forecast import Field, Forecast, Provenance, hours_axis, make_field
from wxgate.profiles import Aircraft, Site
from wxgate.quantities import Kind

START = datetime(2026, 6, 1, 6, tzinfo=UTC)

SITE = Site(id="test-field", name="Test field (invented)", latitude=50.0, longitude=8.0, zone="UTC")
MID = Aircraft(
    id="mid", name="invented", mass=0.9, max_wind=12.0, dimension=0.44,
    min_temperature=263.15, max_temperature=313.15, airspeed=13.0,
)  # fmt: skip


def forecast_of(
    fields: dict[str, list[float] | np.ndarray | Field],
    *,
    start: datetime = START,
    run: datetime | None = START,
    kinds: dict[str, Kind] | None = None,
) -> Forecast:
    """A forecast of these values; the axis is as long as the first of them."""
    first = next(iter(fields.values()))
    length = len(first.values if isinstance(first, Field) else first)
    made = {
        name: v
        if isinstance(v, Field)
        else make_field(name, np.asarray(v, float), kind=(kinds or {}).get(name))
        for name, v in fields.items()
    }
    origin = Provenance("test", "test model", run, start, "0" * 64, cycle_h=6.0)
    return Forecast(hours_axis(start, length - 1), made, (origin,))
