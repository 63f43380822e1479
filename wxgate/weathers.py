"""Every rule on every one of many possible weathers.

The weathers are an ensemble's members, several models or runs, or one forecast with errors of the
size that ``rules/chances.yaml`` tells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache

import numpy as np
from numpy.typing import NDArray

from wxgate import places
from wxgate.chancepolicy import Policy, read_policy
from wxgate.chances import ABSENT, Chances
from wxgate.derive.needs import named_by
from wxgate.dressing import Case, dress
from wxgate.errormodel import from_any, lead_hours, run_of
from wxgate.errors import DataError
from wxgate.forecast import HOUR, Array, Forecast
from wxgate.grade import Codes, Graded, grade, with_age
from wxgate.hazards import by_family, proven, wide
from wxgate.learnedbias import Bias
from wxgate.members import has_members, members_of
from wxgate.neighbourhood import nep_at_site, nmep_at_site
from wxgate.profiles import Aircraft, Site, Skill
from wxgate.rulebook import Rulebook
from wxgate.spread import NAMES, Kept, spread_of
from wxgate.verdict import Grade

ENSEMBLE, MODELS, RUNS, ERRORS = "ensemble", "models", "time-lagged runs", "error model"


@cache
def default_policy() -> Policy:
    """The policy that ships."""
    return read_policy(places.shipped("rules") / "chances.yaml")


def make_chances(
    forecasts: Sequence[Forecast],
    rulebook: Rulebook,
    *,
    site: Site,
    aircraft: Aircraft,
    skill: Skill,
    height: float,
    now: datetime,
    policy: Policy | None = None,
    bias: Bias | None = None,
) -> Chances:
    """Grade every weather by every rule.

    ``forecasts`` are derived for the same site, aircraft and height (m above ground). Those with
    members are taken by member, each of the others gives its share of the policy's number of
    weathers. Forecasts that speak for the same hours are pooled: each source counts the same, and
    of one source's runs each by the policy's weights, the newest most. Those that take over from
    each other share one draw. ``now`` is aware. DataError for no forecast.
    """
    if not forecasts:
        raise DataError("no forecast to work out chances of", remedy="Give one.")
    policy = default_policy() if policy is None else policy
    aged = [with_age(f if bias is None else bias.corrected(f, policy), now) for f in forecasts]
    chains = _chains(aged)
    each = max(int(policy.number("members", "count")) // len(chains), 2)
    oldest = min((run for f in aged if (run := run_of(f)) is not None), default=None)
    case = Case(site, aircraft, height)
    bench = _Bench(rulebook, case, skill, policy, named_by(rulebook) | set(NAMES), oldest)
    time = _hours_of(aged)
    sheets = [bench.sheet(time, [aged[n] for n in chain], each, str(number))
              for number, chain in enumerate(chains)]  # fmt: skip
    worths = _worths([aged[chain[0]] for chain in chains], policy)
    weights = np.concatenate([
        np.full(s.codes.shape[1], worth / s.codes.shape[1])
        for s, worth in zip(sheets, worths, strict=True)
    ])  # fmt: skip
    lead = np.fmax.reduce([s.lead for s in sheets])
    nodes, shares = policy.curve("resolution", "share")
    thresholds = policy.thresholds[skill]
    return Chances(
        time, np.concatenate([s.codes for s in sheets], axis=1), _kind(aged, chains),
        weights / weights.sum(), thresholds,
        np.interp(np.nan_to_num(lead, nan=nodes[-1]), nodes, shares), lead,
        _lead_for(1 - thresholds.go_from, nodes, shares), _families(sheets),
        np.logical_and.reduce([s.softened for s in sheets]), _rain(time, aged),
        () if bias is None else bias.notes(policy),
        spread_of([s.kept for s in sheets], worths),
    )  # fmt: skip


# ---------------------------------------------------------------------- one chain of forecasts


@dataclass(slots=True)
class _Sheet:
    """The codes of forecasts that take over from each other, on the whole axis."""

    codes: Codes
    families: dict[str, Codes]
    lead: Array
    softened: NDArray[np.bool_]
    kept: Kept


@dataclass(frozen=True, slots=True)
class _Bench:
    rulebook: Rulebook
    case: Case
    skill: Skill
    policy: Policy
    names: frozenset[str]
    since: np.datetime64 | None  #: the oldest run, from whose day on errors are drawn

    def sheet(
        self, time: NDArray[np.datetime64], chain: Sequence[Forecast], each: int, seed: str
    ) -> _Sheet:
        """``each``: how many weathers a forecast without members gives."""
        width = max((m for f in chain if (m := members_of(f)) is not None), default=each)
        shape = (time.size, width)
        sheet = _Sheet(np.full(shape, ABSENT, np.uint8), {}, np.full(time.size, np.nan),
                       np.ones(time.size, np.bool_), Kept.empty(*shape))  # fmt: skip
        for forecast in chain:
            since, until = forecast.speaks_for
            mine = (forecast.time >= since) & (forecast.time < until)
            rows = ((forecast.time[mine] - time[0]) // HOUR).astype(int)
            count = members_of(forecast) or width
            weathers = self.weathers(forecast, count, seed)
            graded = self.graded(weathers, count)
            sheet.kept.add(weathers, mine, rows)
            sheet.codes[rows, :count] = proven(graded)[mine]
            sheet.softened[rows] = (graded.codes[mine] < Grade.UNKNOWN).all(axis=1)
            sheet.lead[rows] = lead_hours(forecast)[mine]
            for name, alone in by_family(graded).items():
                whole = sheet.families.setdefault(name, np.zeros(shape, np.uint8))
                whole[rows, :count] = alone[mine]
        return sheet

    def weathers(self, forecast: Forecast, members: int, seed: str) -> Forecast:
        """The forecast's own members, or as many weathers around it."""
        own = members_of(forecast) is not None
        if own and not from_any(forecast, self.policy.names("wind", "ensembles")):
            return forecast
        return dress(
            forecast, self.case, self.policy, members=members, names=self.names, seed=seed,
            since=self.since, representative_only=own,
        )  # fmt: skip

    def graded(self, forecast: Forecast, members: int) -> Graded:
        """Every weather by every rule."""
        found = grade(
            forecast, self.rulebook, aircraft=self.case.aircraft, skill=self.skill,
            height=self.case.height, latitude=self.case.site.latitude,
        )  # fmt: skip
        return replace(found, codes=wide(found.codes, members))


def _families(sheets: Sequence[_Sheet]) -> dict[str, Codes]:
    names = dict.fromkeys(name for s in sheets for name in s.families)
    return {
        name: np.concatenate(
            [s.families.get(name, np.zeros(s.codes.shape, np.uint8)) for s in sheets], axis=1
        )
        for name in names
    }


# ---------------------------------------------------------------------- several forecasts


def _hours_of(forecasts: Sequence[Forecast]) -> NDArray[np.datetime64]:
    start = min(f.time[0] for f in forecasts)
    hours = int((max(f.time[-1] for f in forecasts) - start) // HOUR) + 1
    time: NDArray[np.datetime64] = start + np.arange(hours) * HOUR
    return time


def _chains(forecasts: Sequence[Forecast]) -> list[list[int]]:
    """Which forecasts take over from each other: each chain speaks for an hour but once."""
    chains: list[list[int]] = []
    for n, forecast in enumerate(forecasts):
        since, until = forecast.speaks_for
        for chain in chains:
            spans = [forecasts[m].speaks_for for m in chain]
            if all(end <= since or begin >= until for begin, end in spans):
                chain.append(n)
                break
        else:
            chains.append([n])
    return chains


def _source(forecast: Forecast) -> str:
    return forecast.provenance[0].source if forecast.provenance else ""


def _worths(firsts: Sequence[Forecast], policy: Policy) -> list[float]:
    """What each chain counts: each source the same, its runs by age."""
    weights = policy.numbers("members", "run_weights")
    ranks, total = [], dict.fromkeys(map(_source, firsts), 0.0)
    for forecast in firsts:
        runs = sorted({str(run_of(f)) for f in firsts if _source(f) == _source(forecast)},
                      reverse=True)  # fmt: skip
        ranks.append(weights[min(runs.index(str(run_of(forecast))), len(weights) - 1)])
        total[_source(forecast)] += ranks[-1]
    return [
        worth / total[_source(f)] if total[_source(f)] > 0 else 1.0
        for f, worth in zip(firsts, ranks, strict=True)
    ]


def _kind(forecasts: Sequence[Forecast], chains: Sequence[Sequence[int]]) -> str:
    if any(members_of(f) is not None for f in forecasts):
        return ENSEMBLE
    if len(chains) == 1:
        return ERRORS
    firsts = {_source(forecasts[chain[0]]) for chain in chains}
    return RUNS if len(firsts) == 1 else MODELS


def _lead_for(share: float, nodes: Sequence[float], shares: Sequence[float]) -> float | None:
    """The longest lead (h) at which a chance as small as ``share`` can be told from none."""
    if round(share, 9) < round(shares[0], 9):
        return None
    good = [n for n, s in zip(nodes, shares, strict=True) if round(s, 9) <= round(share, 9)]
    last = len(good) - 1
    if last + 1 == len(nodes):
        return float(nodes[-1])
    return float(np.interp(share, shares[last : last + 2], nodes[last : last + 2]))


def _rain(time: NDArray[np.datetime64], forecasts: Sequence[Forecast]) -> dict[str, Array]:
    """NEP and NMEP of rain by hour, of the first ensemble that knows the cells around."""
    for forecast in forecasts:
        share = forecast.get("precipitation_neighbourhood_fraction")
        most = forecast.get("precipitation_neighbourhood_maximum")
        if members_of(forecast) is None or share is None or most is None:
            continue
        if not has_members(share) or not has_members(most):
            continue
        found = {"nep": nep_at_site(share.values), "nmep": nmep_at_site(most.values, 0.1)}
        rows = ((forecast.time - time[0]) // HOUR).astype(int)
        told = {name: np.full(time.size, np.nan) for name in found}
        for name, values in found.items():
            told[name][rows] = values
        return told
    return {}
