"""What the pairs show, by lead time, site and wind direction, with what their number allows."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from wxgate.hindsight.observed import DIRECTION
from wxgate.hindsight.pairs import Pairs
from wxgate.hindsight.runs import Steadiness, steadiness, tellable_hours, windows_missed
from wxgate.hindsight.spreaderror import SpreadError, spread_error
from wxgate.verdict import Grade
from wxgate.verify.bias import HALF_BELIEVED
from wxgate.verify.cases import Array
from wxgate.verify.category import (
    Costs,
    false_go,
    firm,
    gerrity,
    missed_go,
    multicategory_table,
    severity,
)
from wxgate.verify.probability import BrierParts, ReliabilityRow, brier_parts, reliability_table
from wxgate.verify.sampling import Share, effective_cases

#: Upper ends (h) of the lead times that are told apart; of each hour the last verdict in each.
LEADS = (3.0, 12.0, 24.0, 48.0, 96.0, np.inf)
#: Sectors of wind direction, each a quarter right angle wide, the first one around north.
SECTORS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
#: A direction of less wind than this (m/s) says nothing (common practice, no source).
LIGHT = 1.0
#: Reports tell no visibility beyond this (m); the United States up to ten miles.
FARTHEST = 10_000.0
#: Within which values a quantity can be or can be told.
BOUNDS = {
    "wind_speed": (0.0, np.inf), "gust": (0.0, np.inf), "visibility": (0.0, FARTHEST),
}  # fmt: skip
QUANTITIES = ("wind_speed", "gust", "air_temperature", "dew_point_temperature", "visibility")


@dataclass(frozen=True, slots=True)
class QuantityError:
    """Errors of one quantity, forecast minus observed, in its own unit.

    ``crps`` of a single number is its mean absolute error; ``spread`` has that of the weathers,
    None where no brief told any. ``learned`` is the mean error drawn
    towards none: n / (n + 20) of it, n the independent cases.
    """

    cases: int
    independent: float
    bias: float
    rmse: float
    crps: float
    learned: float
    spread: SpreadError | None = None


@dataclass(frozen=True, slots=True)
class Verified:
    """What one group of verdicts shows (a span of lead times, a site)."""

    cases: int
    independent: float  #: cases that the dependence of neighbouring hours leaves
    false_go: Share  #: of hours told go, those observed no-go; the interval counts independent ones
    false_go_bounds: tuple[float, float]  #: with the least and the greatest gust left open
    missed_go: Share  #: of hours observed go, those told no-go for what reports can tell
    missed_windows: Share  #: of runs of hours observed go or marginal, those with no hour told so
    table: Array  #: (3, 3) forecast by observed category: go, marginal, no-go
    gerrity: float
    firm: float  #: of the category forecast; smaller is better
    firm_issued: float  #: of the verdict as issued, which stands for flight height
    brier: BrierParts | None  #: of the chance that was told
    reliability: tuple[ReliabilityRow, ...]
    quantities: Mapping[str, QuantityError]


@dataclass(frozen=True, slots=True)
class Findings:
    """All of it; ``by_direction`` has for each sector and quantity its error."""

    whole: Verified
    by_lead: Mapping[str, Verified]
    by_site: Mapping[str, Verified]
    by_direction: Mapping[str, Mapping[str, QuantityError]]
    steadiness: Steadiness
    left_out: tuple[str, ...]
    other_rules: int
    others: int
    unobserved: tuple[str, ...]  #: quantities that no observation told
    costs: Costs  #: that FIRM counts with
    unknown: int  #: of the whole's hours, those whose observed category is therefore not known


def findings(pairs: Pairs, costs: Costs) -> Findings:
    """Everything that pairs show; ``costs`` are those of wrong grades.

    The whole and the sites take of each hour the last verdict before it: an hour counts once.
    """
    last = pairs.take(last_of_each(pairs))
    sites = [str(name) for name in np.unique(last.site)] if len(last) else []
    return Findings(
        whole=verified(last, costs),
        by_lead={
            label: verified(group, costs)
            for label, rows in lead_groups(pairs)
            if len(group := pairs.take(rows))
        },
        by_site={name: verified(last.take(last.site == name), costs) for name in sites},
        by_direction=_by_direction(last),
        steadiness=steadiness(pairs),
        left_out=pairs.left_out,
        other_rules=pairs.other_rules,
        others=pairs.others,
        unobserved=tuple(n for n, seen in last.seen.items() if not np.isfinite(seen).any()),
        costs=costs,
        unknown=int((last.observed == Grade.UNKNOWN).sum()),
    )


def last_of_each(pairs: Pairs, rows: Array | None = None) -> Array:
    """Indices of the last verdict on each hour of each site, among ``rows`` (all when None)."""
    chosen = np.arange(len(pairs)) if rows is None else np.asarray(rows)
    if not len(chosen):
        return np.array([], dtype=int)
    chosen = chosen[np.lexsort([pairs.made[chosen], pairs.start[chosen], pairs.site[chosen]])]
    site, start = pairs.site[chosen], pairs.start[chosen]
    ends = np.append((site[1:] != site[:-1]) | (start[1:] != start[:-1]), True)
    return np.asarray(np.sort(chosen[ends]))


def lead_groups(pairs: Pairs) -> list[tuple[str, Array]]:
    """Label and rows for each span of lead times (low, high]; of each hour the last verdict."""
    groups, low = [], 0.0
    for high in LEADS:
        inside = (pairs.lead_h >= low) & (pairs.lead_h < high)
        label = f"{low:g} to {high:g} h" if np.isfinite(high) else f"{low:g} h and more"
        groups.append((label, last_of_each(pairs, np.nonzero(inside)[0])))
        low = high
    return groups


def verified(pairs: Pairs, costs: Costs) -> Verified:
    """The measures of one group."""
    wrong = _wrong(pairs)
    independent = effective_cases(wrong, _hours(pairs)) if len(pairs) else 0.0
    known = int(np.isfinite(wrong).sum())
    worth = independent / known if known else 1.0
    table = multicategory_table(severity(pairs.forecast), severity(pairs.observed), 3)
    tellable = pairs.take(tellable_hours(pairs)) if len(pairs) else pairs
    brier, reliability = _chances(tellable, worth)
    return Verified(
        cases=len(pairs),
        independent=independent,
        false_go=false_go(pairs.issued, pairs.observed, worth=worth),
        false_go_bounds=(
            false_go(pairs.issued, pairs.observed_low).value,
            false_go(pairs.issued, pairs.observed_high).value,
        ),
        missed_go=missed_go(tellable.issued, tellable.observed, worth=worth),
        missed_windows=windows_missed(tellable),
        table=table,
        gerrity=gerrity(table) if table.sum() else float("nan"),
        firm=_firm(pairs.forecast, pairs.observed, costs),
        firm_issued=_firm(tellable.issued, tellable.observed, costs),
        brier=brier,
        reliability=reliability,
        quantities=_errors(pairs),
    )


def _wrong(pairs: Pairs) -> Array:
    """1 where the category came out otherwise than forecast, 0 where not; NaN: not known."""
    said, was = severity(pairs.forecast), severity(pairs.observed)
    return np.where(np.isfinite(said) & np.isfinite(was), (said != was).astype(float), np.nan)


def _hours(pairs: Pairs) -> Array:
    return np.asarray(pairs.start.astype("datetime64[s]").astype(np.int64) / 3600.0)


def _firm(said: Array, was: Array, costs: Costs) -> float:
    known = np.isfinite(severity(said)) & np.isfinite(severity(was)) if len(said) else said
    return firm(said, was, costs) if len(said) and known.any() else float("nan")


def _chances(pairs: Pairs, worth: float) -> tuple[BrierParts | None, tuple[ReliabilityRow, ...]]:
    """Of the chance to fly, against whether the hour was observed go or marginal."""
    was = severity(pairs.observed)
    there = np.isfinite(pairs.chance) & np.isfinite(was) if len(pairs) else np.array([], bool)
    if not there.any():
        return None, ()
    chance, flown = pairs.chance[there], (was[there] < 2).astype(float)
    return brier_parts(chance, flown, bins=5), reliability_table(chance, flown, worth=worth)


def _errors(pairs: Pairs) -> dict[str, QuantityError]:
    return {
        name: found
        for name in QUANTITIES
        if name in pairs.values and (found := _error(pairs, name, np.ones(len(pairs), bool)))
    }


def _error(pairs: Pairs, name: str, rows: Array) -> QuantityError | None:
    """The error of a quantity at the hour's begin against the report of the hour; None: no case."""
    said, was = pairs.values[name][rows], pairs.seen[name][rows]
    if name == "visibility":
        said, was = np.minimum(said, FARTHEST), np.minimum(was, FARTHEST)
    error = said - was
    there = np.isfinite(error)
    if not there.any():
        return None
    n = effective_cases(error, _hours(pairs)[rows])
    told, bias = error[there], float(error[there].mean())
    return QuantityError(
        cases=int(there.sum()),
        independent=n,
        bias=bias,
        rmse=float(np.sqrt(np.mean(told**2))),
        crps=float(np.mean(np.abs(told))),
        learned=bias * n / (n + HALF_BELIEVED),
        spread=_spread_error(pairs, name, rows, n / len(told)),
    )


def _spread_error(pairs: Pairs, name: str, rows: Array, worth: float) -> SpreadError | None:
    if name not in pairs.spread:
        return None
    told = pairs.values[name][rows], pairs.seen[name][rows], pairs.spread[name][rows]
    return spread_error(*told, BOUNDS.get(name, (-np.inf, np.inf)), worth)


def sector_of(direction: Array) -> Array:
    """The index of the sector (0 is around north) of directions in degrees; -1: not known."""
    known = np.isfinite(direction)
    filled = np.where(known, direction, 0.0)
    return np.where(known, np.floor((filled + 22.5) / 45.0).astype(int) % 8, -1)


def _by_direction(pairs: Pairs) -> dict[str, dict[str, QuantityError]]:
    """Errors of wind and gust by the forecast direction: it alone is known beforehand."""
    if not len(pairs) or DIRECTION not in pairs.values:
        return {}
    steady = pairs.values["wind_speed"] >= LIGHT
    sector = np.where(steady, sector_of(pairs.values[DIRECTION]), -1)
    found: dict[str, dict[str, QuantityError]] = {}
    for number, label in enumerate(SECTORS):
        rows = sector == number
        errors = {n: e for n in ("wind_speed", "gust") if (e := _error(pairs, n, rows))}
        if errors:
            found[label] = errors
    return found


#: Independent cases below which a share of errors is not worth telling (3 in n: the upper bound of
#: none in n is about 3 / n, so that 30 leave up to a tenth).
FEW = 30


def allows(found: Share) -> str:
    """In plain words what so many independent go hours allow to be said about false ones."""
    if not found.cases:
        return "No hour that was told go was observed: nothing can be said about false ones."
    # Rounded up: what may be must not look smaller than it may be.
    high = f"{math.ceil(found.high * 1000) / 1000:.1%}"
    if found.cases < FEW:
        return (
            f"Hours told go are worth {found.cases:.0f} independent ones, too few to know: the"
            f" share that was no-go in truth may be as high as {high}, whatever was seen."
        )
    return (
        f"Of hours told go {found.value:.1%} were observed no-go; with {found.cases:.0f}"
        f" independent ones the true share may be up to {high}."
    )
