"""Small forecasts for tests, on the hourly axis of the house."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache

import numpy as np

from wxgate.brief import Brief, make_brief
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


@cache
def demonstration_brief() -> Brief:
    """The brief that ``wxgate brief --demo`` tells, made without a cache."""
    from wxgate.cli import session
    from wxgate.cli.question import DEMO_NOW, Question, raw_forecasts
    from wxgate.derive.run import derive

    site = session.find_site(None, None, None, "UTC", demo=True)
    cast = session.find_cast(site, None, None, demo=True)
    raw, *_ = raw_forecasts(Question(site, DEMO_NOW, 36, demo=True), progress=lambda *_: None)
    whole = derive(raw, site=site, aircraft=cast.aircraft, height=60.0)
    return make_brief(
        [whole], session.rulebook_for(site, cast.pilot, None), site=site, aircraft=cast.aircraft,
        pilot=cast.pilot, height=60.0, now=DEMO_NOW, hours=36, demonstration=True,
    )  # fmt: skip
