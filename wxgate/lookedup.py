"""The K index that a pilot looked up by hand, for hours of which none was fetched."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from wxgate.derive.geomagnetic import storm_of
from wxgate.errors import UsageError
from wxgate.forecast import HOUR, Forecast, Provenance, digest, make_field, to_datetime64
from wxgate.quantities import quantity
from wxgate.sources.kslots import QUANTITY
from wxgate.sources.swpc_formats import KINDS

#: The source of what was looked up.
PILOT = "pilot"
#: Who looks an index up sees one day of it; later hours it does not speak for.
VALID = timedelta(hours=24)


def with_k_index(
    forecast: Forecast, kp: float, now: datetime, *, valid: timedelta = VALID
) -> Forecast:
    """A derived forecast with ``kp`` in the hours from the one under way that begin within a day.

    It counts as a forecast of the index, and where the forecast has a higher one that stays.
    ``now`` is aware. UsageError for what is no K index.
    """
    row = quantity(QUANTITY)
    if not row.low <= kp <= row.high:
        raise UsageError(
            f"{kp:g} is no K index",
            remedy="Write a number from 0 to 9, such as --k-index 3 or 4.67.",
        )
    time, until = forecast.time, now + valid
    mine = (time + HOUR > to_datetime64(now)) & (time < to_datetime64(until))
    had = forecast.get(QUANTITY)
    values = np.full(time.shape, np.nan) if had is None else had.values
    mine = mine.reshape(mine.shape + (1,) * (values.ndim - 1))  # a file may tell it by member
    origin = np.full(values.shape, KINDS.index("predicted"), np.uint8)
    if had is not None and had.origin is not None and had.origins == KINDS:
        origin = had.origin
    taken = mine & ~(values >= kp)
    found = make_field(
        QUANTITY, np.where(taken, kp, values), kind=None if had is None else had.kind,
        source=PILOT if had is None else f"{had.source}, {PILOT}",
        origin=np.where(taken, KINDS.index("predicted"), origin).astype(np.uint8), origins=KINDS,
    )  # fmt: skip
    told = Provenance(
        source=PILOT, title=f"K index {kp:g} looked up by the pilot", run=None, fetched=now,
        sha256=digest([f"{kp:g}".encode()]), quantities=(QUANTITY,),
    )  # fmt: skip
    laid = forecast.with_fields(
        {QUANTITY: found, "geomagnetic_storm_probability": storm_of(found, time)}
    )
    laid = replace(laid, provenance=(*laid.provenance, told))
    return laid.with_notes(
        f"K index {kp:g} is the pilot's own, for the hours until {until:%d %b %H:%MZ}"
    )
