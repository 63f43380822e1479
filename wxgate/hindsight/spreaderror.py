"""What the spread of the weathers is worth, by what was then observed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wxgate.spread import SHARES
from wxgate.verify.cases import Array
from wxgate.verify.probability import crps_quantiles
from wxgate.verify.sampling import Share, share


@dataclass(frozen=True, slots=True)
class SpreadError:
    """The measures of one quantity over the cases that have a spread.

    Reports tell visibility up to 10 km: an outer quantile and a report beyond count as inside.
    """

    cases: int
    crps: float  #: by the quantiles, see ``verify.crps_quantiles``; in the quantity's own unit
    crps_single: float  #: of the single number over the same cases: its mean absolute error
    inside: Share  #: of cases observed between the outer quantiles, bounds included
    meant: float  #: the share that was to lie there


def spread_error(
    said: Array, was: Array, spread: Array, bounds: tuple[float, float], worth: float
) -> SpreadError | None:
    """Of single numbers (case,), observed ones (case,) and quantiles (case, share); None: no case.

    ``bounds``: within which the quantity can be, or can be told; ``worth``: the share of the cases
    that are independent.
    """
    there = np.isfinite(spread).all(axis=1) & np.isfinite(said) & np.isfinite(was)
    if not there.any():
        return None
    spread = spread[there]
    said, was, within = (np.clip(a, *bounds) for a in (said[there], was[there], spread))
    inside = int(((was >= within[:, 0]) & (was <= within[:, -1])).sum())
    crps = crps_quantiles(spread, SHARES, was, least=bounds[0], most=bounds[1])
    return SpreadError(
        cases=len(was),
        crps=float(crps.mean()),
        crps_single=float(np.abs(said - was).mean()),
        inside=share(inside * worth, len(was) * worth),
        meant=SHARES[-1] - SHARES[0],
    )
