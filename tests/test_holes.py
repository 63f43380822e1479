"""Law: no hole and no absurd value makes an hour go, and none betters an hour that is not its own.

Random worlds (``holes``) go through derivation and grading by the hundred, as on a map, and one by
one as a file goes through the contract, the brief, its chances, windows, lessons, limits of the day
and the check on the field. What must not be go is told by tables written by hand (``hole_oracle``).
A long run by hand: ``WXGATE_HOLES=1000000`` hours, ``-s`` to read what was searched; another
``WXGATE_HOLES_SEED`` searches other worlds.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import hole_oracle
import holes
import lesson_world
import numpy as np
import pytest
from hole_digging import spoil
from holes import (
    DEPTH,
    FLUX,
    INSTANTS,
    RATE,
    SHARE,
    Flags,
    Worlds,
    dataset_of,
    worlds,
)

from wxgate import places
from wxgate.brief import Brief, make_brief
from wxgate.contract import from_dataset
from wxgate.daylimits import day_limits
from wxgate.derive.run import derive
from wxgate.errors import ContractError
from wxgate.fieldcheck import check_field
from wxgate.forecast import FROM, UNTIL, Forecast, make_field, to_datetime64
from wxgate.grade import Graded, grade, with_age
from wxgate.journal.records import Reading
from wxgate.lessons.ground import Ground
from wxgate.lessons.slots import slots
from wxgate.netcdf import read_netcdf
from wxgate.profiles import Pilot, known_aircraft
from wxgate.quantities import Kind
from wxgate.rulebook import Rulebook, load_rulebook
from wxgate.verdict import Grade
from wxgate.weathers import default_policy
from wxgate.windows import windows

pytestmark = pytest.mark.law

RULES = places.shipped("rules")
AIRCRAFT = known_aircraft([RULES / "aircraft"])
#: Hours to search on maps, and one place at a time.
SEARCHED = int(os.environ.get("WXGATE_HOLES", "60000"))
SEED = 1_000_000_000 * int(os.environ.get("WXGATE_HOLES_SEED", "0"))
LONG = SEARCHED > 100_000
ALONE = SEARCHED // 40 if LONG else 600
WIDTH = 300
HOUR = np.timedelta64(3600, "s")

#: What may better an hour when it is not there, and why. Levels of wind, heights and the terrain
#: below them, heat flux, depth of the mixed layer, pressure and ceiling: something stands in for
#: them, which the rules cap by night, at height and under low cloud only. Rain at the full hours,
#: in the cells around, the hour's largest wind and particles: they only add to what is known.
STAND_INS = frozenset({
    holes.U, holes.V, holes.UP, holes.VP, holes.ZP, holes.GROUND, FLUX, DEPTH, holes.P,
    holes.CEILING, RATE, SHARE, holes.MOST, holes.LARGEST, holes.PM,
})  # fmt: skip


@cache
def rulebook(law: str) -> Rulebook:
    """The rules that ship, with a law or another pack beside them."""
    more = {"": [], "air-quality": [RULES / "air-quality.yaml"]}
    return load_rulebook(
        [*sorted((RULES / "practice").glob("*.yaml")), *more.get(law, [RULES / f"law/{law}.yaml"])],
        aircraft=AIRCRAFT,
    )


def graded(found: Worlds) -> Graded:
    """A map of worlds through derivation and grading."""
    craft = AIRCRAFT[found.aircraft]
    whole = derive(found.forecast(), site=found.site, aircraft=craft, height=found.height)
    return grade(
        with_age(whole, found.now), rulebook(found.law), aircraft=craft, skill=found.skill,
        height=found.height, latitude=float(found.latitude.mean()), keep_outcomes=False,
    )  # fmt: skip


@dataclass
class Count:
    """What was searched."""

    hours: int = 0
    holes: int = 0
    go: int = 0  #: without holes
    searched: int = 0  #: of those, touched by a hole that matters
    false_go: int = 0
    first: str = ""

    def add(self, before: Flags, after: Flags, must_not: Flags, spoilt: Worlds, seed: int) -> None:
        """``before`` and ``after``: which hours are go."""
        self.hours += before.size
        self.holes += spoilt.holes
        self.go += int(before.sum())
        self.searched += int((before & must_not).sum())
        bad = np.argwhere(after & must_not)
        self.false_go += len(bad)
        if len(bad) and not self.first:
            hour, world = bad[0]
            told = hole_oracle.claims(spoilt, rulebook(spoilt.law))
            why = [name for name, hours in told.items() if hours[hour, world]]
            names = sorted(spoilt.spoilt[world])
            self.first = f"seed {seed}, hour {hour}, world {world}: {names} spoilt, by {why}"

    def tell(self, title: str) -> None:
        """For a run by hand, with ``-s``."""
        share = self.go / max(self.hours, 1)
        print(f"\n{title}: {self.hours} hours, {self.holes} holes, {share:.1%} go without them, "
              f"{self.searched} of those touched, {self.false_go} false go")  # fmt: skip


def search(hours: int, *, first: int = SEED) -> Count:
    """Maps of worlds until so many hours are graded."""
    count = Count()
    for seed in range(first, first + 1 + hours // (WIDTH * (INSTANTS - 1))):
        rng = np.random.default_rng(seed)
        whole = worlds(rng, WIDTH)
        spoilt = spoil(rng, whole)
        before, after = graded(whole).codes[:-1], graded(spoilt).codes[:-1]
        must_not = hole_oracle.must_not_be_go(spoilt, rulebook(whole.law))[:-1]
        count.add(before == Grade.GO, after == Grade.GO, must_not, spoilt, seed)
        _never_better(before, after, must_not, spoilt, seed)
    return count


def _never_better(
    before: Any, after: Any, must_not: Flags, spoilt: Worlds, seed: int
) -> None:  # fmt: skip
    """Where something is amiss no-go may become unknown, or marginal as declared: never go."""
    # A value over the hour that the recipes read at both its ends spoils the hour before too.
    beside = np.concatenate([must_not[1:], must_not[:1]])
    allowed = np.array([bool(names & STAND_INS) for names in spoilt.spoilt])
    better = (after < before) & ~must_not & ~(beside & (after > Grade.GO)) & ~allowed
    for hour, world in np.argwhere(better)[:1]:
        names, grades = sorted(spoilt.spoilt[world]), (before[hour, world], after[hour, world])
        raise AssertionError(f"seed {seed}, hour {hour}, world {world}: {names}, {grades}")


# ---------------------------------------------------------------------- maps


def test_no_hole_makes_an_hour_go() -> None:
    count = search(SEARCHED - ALONE)
    count.tell("maps")
    assert count.false_go == 0, count.first
    # Else nothing was searched.
    assert count.go > 0.3 * count.hours
    assert count.searched > 0.08 * count.hours


def test_whole_worlds_contradict_no_table() -> None:
    """Where nothing is spoilt the tables claim nothing but the ends of the axis."""
    for seed in range(12):
        whole = worlds(np.random.default_rng(seed), 50)
        go = graded(whole).codes[:-1] == Grade.GO
        assert not (go & hole_oracle.must_not_be_go(whole, rulebook(whole.law))[:-1]).any()


# ---------------------------------------------------------------------- one place at a time


def brief_of(
    found: Worlds,
    world: int,
    raw: list[Forecast],
    *,
    chances: bool = False,
    by_chance: bool = False,
) -> Brief:
    """The brief of one world, as the command line makes it of what a source gave."""
    site, craft = found.site_of(world), AIRCRAFT[found.aircraft]
    hours = int((found.time[-1] - to_datetime64(found.now)) // HOUR) + 2  # the first may be begun
    return make_brief(
        [derive(one, site=site, aircraft=craft, height=found.height) for one in raw],
        rulebook(found.law), site=site, aircraft=craft,
        pilot=Pilot(str(found.skill), "Somebody (invented)", found.skill), height=found.height,
        now=found.now, hours=hours, policy=default_policy() if chances else None,
        by_chance=by_chance,
    )  # fmt: skip


def read(found: Worlds, world: int, folder: Path | None = None) -> Forecast | None:
    """One world through the contract, in a file where a folder is named; None: refused."""
    dataset = dataset_of(found, world)
    if found.run is None:
        with pytest.raises(ContractError, match="forecast_reference_time"):
            from_dataset(dataset)
        return None
    if folder is None:
        return replace(from_dataset(dataset, must_name_place=True), provenance=found.provenance)
    path = folder / "world.nc"
    dataset.to_netcdf(path, engine="netcdf4")
    return read_netcdf(path, now=found.now)


def told_go(brief: Brief, found: Worlds) -> Iterator[Any]:
    """The first instants of all hours of which anything says go."""
    inside = set(found.time[:-1].tolist())
    for hour in brief.hours:
        start = to_datetime64(hour.start).tolist()
        assert hour.grade >= Grade.UNKNOWN or start in inside
        if hour.grade is Grade.GO:
            yield start
    for window in windows(brief.hours):
        yield from (to_datetime64(h.start).tolist() for h in window.hours)
    if brief.window is not None and brief.window.grade is Grade.GO:
        yield from (to_datetime64(h.start).tolist() for h in brief.window.hours)


def lessons_go(brief: Brief, found: Worlds) -> Iterator[Any]:
    """The hours that flying in a go slot overlaps."""
    student = lesson_world.student(skill=found.skill, aircraft=found.aircraft, height=found.height)
    offers, _ = slots(Ground((brief,), lesson_world.policy()), student, ZoneInfo("UTC"))
    for slot in offers:
        assert slot.grade <= Grade.MARGINAL
        if slot.grade is Grade.GO:
            first = slot.flying_start.replace(minute=0)
            while first < slot.flying_end:
                yield to_datetime64(first).tolist()
                first += timedelta(hours=1)


def limits_and_field_go(brief: Brief) -> Iterator[Any]:
    """The hours that limits of the day and the check on the field call go, a few of them."""
    known = [h for h in brief.hours if h.reasons]
    for hour in known[:: max(len(known) // 3, 1)]:
        if day_limits(brief, hour.start, hour.end).grade is Grade.GO:
            yield to_datetime64(hour.start).tolist()
        made = hour.start + timedelta(minutes=10)
        reading = Reading(made, brief.site.id, mean=1.0, maximum=1.4, visibility=20000.0,
                          rain=False, thunder=False, temperature=291.0)  # fmt: skip
        for checked in check_field(brief, reading).hours:
            if checked.grade is Grade.GO:
                yield to_datetime64(checked.start).tolist()


#: What holds of each member alone, and of their middle not: conditions look at the median.
OF_ONE_MEMBER = ("site alone", "condensation level", "wind-swing")


def as_members(spoilt: Worlds, whole: Worlds, world: int, raw: Forecast) -> Forecast:
    """The spoilt world and twice the whole one as the members of an ensemble."""
    fields = {}
    for name, found in raw.fields.items():
        other = make_field(name, whole.raw[name][..., world]).values
        every = [found.values, other, other]
        fields[name] = replace(
            found, values=found.values if found.kind is Kind.CONSTANT else np.stack(every, axis=-1)
        )
    return replace(raw, fields=fields, attributes={"grid": {"dims": ("member",), "coords": {}}})


def as_two_models(first: Forecast, second: Forecast, seam: int) -> list[Forecast]:
    """Two models, of which the second takes over at an hour."""
    seconds = first.time.astype("datetime64[s]").astype(np.int64).tolist()
    ends = (seconds[0], seconds[seam], seconds[-1] + 3600)
    return [
        replace(one, attributes={**one.attributes, FROM: ends[n], UNTIL: ends[n + 1]})
        for n, one in enumerate((first, second))
    ]


def asked(
    rng: np.random.Generator, spoilt: Worlds, whole: Worlds, world: int, raw: Forecast
) -> tuple[list[Forecast], Flags]:  # fmt: skip
    """Forecasts of one world, in one of four ways, and its hours that must not be go."""
    told = hole_oracle.claims(spoilt.one(world), rulebook(spoilt.law))
    must_not = np.logical_or.reduce([hours[:, 0] for hours in told.values()])
    way = rng.random()
    if way < 0.1:
        every = [h[:, 0] for name, h in told.items() if not any(p in name for p in OF_ONE_MEMBER)]
        return [as_members(spoilt, whole, world, raw)], np.logical_or.reduce(every)
    other = read(whole, world)
    if way < 0.25 and other is not None:
        seam = int(rng.integers(holes.BEFORE + 1, INSTANTS - 2))
        good = hole_oracle.must_not_be_go(whole.one(world), rulebook(whole.law))[:, 0]
        mine = np.arange(INSTANTS) < seam
        if way < 0.17:
            return as_two_models(raw, other, seam), np.where(mine, must_not, good)
        return as_two_models(other, raw, seam), np.where(mine, good, must_not)
    return [raw], must_not


def test_no_hole_makes_an_hour_of_a_file_go(tmp_path: Path) -> None:
    count, seed = Count(), 1_000_000 + SEED
    while count.hours < ALONE:
        seed += 1
        rng = np.random.default_rng(seed)
        whole = worlds(rng, 20)
        spoilt = spoil(rng, whole)
        before = graded(whole).codes[:-1] == Grade.GO
        for world in range(0, 20, 2):
            raw = read(spoilt, world, tmp_path if rng.random() < 0.2 else None)
            if raw is None:
                continue
            forecasts, must_not = asked(rng, spoilt, whole, world, raw)
            how = rng.random()
            made = brief_of(spoilt, world, forecasts, chances=how < 0.15, by_chance=how < 0.1)
            go = set(told_go(made, spoilt))
            if rng.random() < 0.1:
                go |= set(lessons_go(made, spoilt))
            if rng.random() < 0.05 and len(forecasts) == 1:
                go |= set(limits_and_field_go(made))
            after = np.isin(spoilt.time[:-1].astype("datetime64[s]").astype(object), list(go))
            one = replace(spoilt.one(world), holes=len(spoilt.spoilt[world]))
            count.add(before[:, world, None], after[:, None], must_not[:-1, None], one, seed)
    count.tell("files, one place each")
    assert count.false_go == 0, count.first
    assert count.searched > 0.05 * count.hours


def test_a_point_is_graded_as_its_cell_of_the_map() -> None:
    """Else a million hours on maps would say nothing of a brief."""
    for seed in range(100 if LONG else 6):
        rng = np.random.default_rng(seed)
        # On a map the air is not moved to the height of a site.
        spoilt = replace(spoil(rng, worlds(rng, 8)), altitude=None)
        codes = graded(spoilt).codes
        craft = AIRCRAFT[spoilt.aircraft]
        for world in range(4):
            # Whose hemisphere counts is told for all of the map.
            raw = read(spoilt, world)
            if raw is None:
                continue
            whole = derive(raw, site=spoilt.site_of(world), aircraft=craft, height=spoilt.height)
            point = grade(
                with_age(whole, spoilt.now), rulebook(spoilt.law), aircraft=craft,
                skill=spoilt.skill, height=spoilt.height, latitude=float(spoilt.latitude.mean()),
            )  # fmt: skip
            np.testing.assert_array_equal(point.codes, codes[:, world], f"{seed} {world}")
