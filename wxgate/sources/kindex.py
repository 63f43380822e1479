"""Two K indices held against each other: the higher counts, what was observed before a guess."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wxgate.forecast import Forecast, to_datetime
from wxgate.sources.kslots import QUANTITY
from wxgate.sources.swpc_formats import KINDS

OBSERVED = KINDS.index("observed")
#: A difference of more than a whole unit changes the word for the storm.
WORTH_TELLING = 1.0


def higher_of_both(first: Forecast, second: Forecast) -> Forecast:
    """The K index of two services on the axis of the first (both have the same).

    An hour that one observed and the other only estimates or predicts is as observed; else the
    higher of the two counts; what one lacks is the other's. A note tells where they lie more than a
    whole unit apart. Both provenances are kept.
    """
    one, other = first.get(QUANTITY), second.get(QUANTITY)
    if one is None or other is None:
        return second if one is None else first
    a, b = one.values, other.values
    seen_a, seen_b = (
        np.zeros(f.values.shape, np.bool_) if f.origin is None else f.origin == OBSERVED
        for f in (one, other)
    )
    seen_a, seen_b = seen_a & ~np.isnan(a), seen_b & ~np.isnan(b)
    with np.errstate(invalid="ignore"):
        takes_b = np.where(seen_a != seen_b, seen_b, (b > a) | np.isnan(a))
        apart = np.abs(a - b)
    origin = None
    if one.origin is not None and other.origin is not None:
        origin = np.where(takes_b, other.origin, one.origin).astype(np.uint8)
    merged = replace(one, values=np.where(takes_b, b, a), origin=origin)
    merged = replace(merged, source=f"{one.source}, {other.source}")
    notes = [*first.notes, *second.notes]
    if (apart > WORTH_TELLING).any():
        at = int(np.nanargmax(apart))
        notes.append(
            f"K index: {one.source} {a[at]:.2f} and {other.source} {b[at]:.2f} at"
            f" {to_datetime(first.time[at]):%d %b %H}Z; the higher counts, or what was observed"
        )
    return Forecast(
        first.time, {QUANTITY: merged}, (*first.provenance, *second.provenance), tuple(notes)
    )
