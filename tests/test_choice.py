"""Law and contract: which models are asked for a place, how their hours join, and what is fetched.

The laws: an hour is graded as the one model that tells it would alone; and what no rule in force
needs may stay unfetched without any grade changing. Grids are invented; nothing here is a figure of
the weather.
"""

from __future__ import annotations

import json
import os
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import bad_days
import gfs_service
import hrrr_service
import numpy as np
import pytest
import yaml
from bad_days import NOW, Day
from local_server import Fault, LocalServer, Response
from recipe_inputs import CRAFT, SITE, forecast, weather

from wxgate import places, store
from wxgate.brief import SHOWN, make_brief, targets_of
from wxgate.choice import Candidate, Row, choose
from wxgate.cli.question import AFTER, BEFORE, covers
from wxgate.derive.needs import fetched_for, named_by
from wxgate.derive.recipe import Inputs
from wxgate.derive.run import derive, recipes
from wxgate.errors import DataError, UsageError
from wxgate.forecast import FROM, UNTIL, Field, Forecast, Provenance, hours_axis, to_datetime
from wxgate.gather import gather
from wxgate.grade import grade
from wxgate.http import Client
from wxgate.profiles import Pilot, Skill, known_aircraft
from wxgate.quantities import QUANTITIES, Kind
from wxgate.rulebook import Rulebook, load_rulebook
from wxgate.sources import gfs
from wxgate.sources.base import Request, Source, Toolbox
from wxgate.sources.endpoints import Entry, load_endpoints
from wxgate.sources.kindex import higher_of_both
from wxgate.sources.registry import MODELS
from wxgate.sources.swpc_formats import KINDS

pytestmark = pytest.mark.contract
law = pytest.mark.law

Result = tuple[int, str, str]
Run = Callable[..., Result]
PILOT = Pilot("p", "an invented pilot", Skill.NOVICE)
NIGHT = datetime(2026, 6, 20, 22, tzinfo=UTC)  #: where the invented weather begins


def rulebook(*names: str) -> Rulebook:
    """Rule files that ship, by their path below ``rules``; all of practice for none."""
    rules = places.shipped("rules")
    paths = [rules / name for name in names] or sorted((rules / "practice").glob("*.yaml"))
    return load_rulebook(paths, aircraft=known_aircraft([rules / "aircraft"]))


def single_rules(whole: Rulebook) -> list[Rulebook]:
    return [replace(whole, rules=(rule,), substitutes=whole.substitutes) for rule in whole.rules]


# ---------------------------------------------------------------------- only what is needed


class Watched(dict[str, Field]):
    """Fields that note which of them was looked for."""

    def __init__(self, fields: dict[str, Field]) -> None:
        super().__init__(fields)
        self.seen: set[str] = set()

    def get(self, key: str, default: Any = None) -> Any:
        self.seen.add(key)
        return super().get(key, default)

    def __getitem__(self, key: str) -> Field:
        self.seen.add(key)
        return super().__getitem__(key)

    def __contains__(self, key: object) -> bool:
        self.seen.add(str(key))
        return super().__contains__(key)


@law
@pytest.mark.parametrize("dropped", [(), ("wind_speed_of_gust",), ("air_temperature_at_heights",),
                                     ("dew_point_temperature", "ceiling_height"),
                                     ("lwe_thickness_of_precipitation_amount",)])  # fmt: skip
def test_no_recipe_looks_at_what_it_does_not_declare(dropped: tuple[str, ...]) -> None:
    made = forecast({n: f for n, f in weather(30).items() if n not in dropped}, 30)
    fields = dict(made.fields)
    for recipe in recipes():
        if not all(need in fields for need in recipe.needs):
            continue
        watched = Watched(fields)
        found = recipe.make(Inputs(made.time, watched, SITE, CRAFT, 60.0, {}))
        assert watched.seen <= {*recipe.needs, *recipe.uses}, recipe.name
        if found is not None:
            fields[recipe.name] = found


@law
def test_grades_are_the_same_without_what_no_rule_needs() -> None:
    whole = rulebook()
    for seed in (1, 2):
        everything = forecast(weather(40, seed=seed), 40)
        full = derive(everything, site=SITE, aircraft=CRAFT, height=60.0)
        for book in [whole, *single_rules(whole)]:
            wanted = fetched_for(named_by(book))
            fields = {n: f for n, f in everything.fields.items() if n in wanted}
            some = derive(
                replace(everything, fields=fields), site=SITE, aircraft=CRAFT, height=60.0,
                wanted=wanted,
            )  # fmt: skip
            a, b = (
                grade(f, book, aircraft=CRAFT, skill=Skill.NOVICE, height=60.0, latitude=52.0)
                for f in (full, some)
            )
            np.testing.assert_array_equal(a.codes, b.codes, err_msg=book.rules[0].id)
            np.testing.assert_array_equal(a.margin, b.margin)


@law
def test_what_a_single_rule_needs_is_little() -> None:
    book = replace(rulebook(), substitutes=())
    cold = replace(book, rules=tuple(r for r in book.rules if r.id == "cold"))
    # By the model's terrain the air is moved to the site's height.
    assert fetched_for(named_by(cold)) == {"air_temperature", "surface_altitude"}
    everything = {n for n, row in QUANTITIES.items() if not row.derived}
    assert fetched_for(targets_of(book)) < everything


def test_what_reports_show_is_known() -> None:
    assert set(QUANTITIES) >= SHOWN


def test_what_was_not_asked_for_is_not_had_by_a_substitute() -> None:
    everything = forecast(weather(30), 30)
    wanted = frozenset({"air_temperature", "dew_point_temperature"})
    fields = {n: f for n, f in everything.fields.items() if n in wanted}
    found = derive(
        replace(everything, fields=fields), site=SITE, aircraft=CRAFT, height=60.0, wanted=wanted
    )
    assert "visibility" not in found.fields
    assert "solar_elevation_angle" in found.fields


def test_more_answers_for_less_and_never_the_other_way() -> None:
    some, more = frozenset({"wind_speed"}), frozenset({"wind_speed", "gust"})
    assert covers(more, some)
    assert covers(None, some)
    assert covers(None, None)
    assert not covers(some, more)
    assert not covers(some, None)


@pytest.mark.law
@pytest.mark.parametrize("order", ["crop", "mirror"])
def test_a_fetch_of_what_is_needed_grades_as_one_of_everything(order: str) -> None:
    """The invented GFS, with rain, low cloud and wind: each rule by itself, and all of them."""
    whole = rulebook()
    with LocalServer() as server:
        day = Day(server, Path(os.environ["WXGATE_CONFIG"]))
        files = [gfs_service.make_file(gfs_service.RUN, step) for step in range(3, 13)]
        day.serve(files)
        day.write(order, merge_gap_bytes=1)
        now = gfs_service.RUN + timedelta(hours=6)
        request = Request(50.0, -10.0, now - timedelta(hours=BEFORE), 8, now, altitude=100.0)
        tools = replace(TOOLS, endpoints=load_endpoints(day.config / "endpoints.yaml"))
        everything = derived_gfs(request, tools)
        sent = server.bytes_sent
        books = [whole, *single_rules(replace(whole, substitutes=whole.substitutes))[::9]]
        for book in books:
            wanted = fetched_for(named_by(book))
            server.bytes_sent = 0
            some = derived_gfs(replace(request, wanted=wanted), tools)
            assert server.bytes_sent < sent
            assert set(some.fields) < set(everything.fields)
            a, b = (
                grade(f, book, aircraft=CRAFT, skill=Skill.NOVICE, height=60.0, latitude=50.0)
                for f in (everything, some)
            )
            np.testing.assert_array_equal(a.codes, b.codes, err_msg=book.rules[0].id)


def derived_gfs(request: Request, tools: Toolbox) -> Forecast:
    found = gfs.fetch(request, tools)
    return derive(found, site=SITE, aircraft=CRAFT, height=60.0, wanted=request.wanted)


# ---------------------------------------------------------------------- hours that join


def model(name: str, seed: int, hours: int, *, reach: int | None = None, hole: int = -1,
          lead: int = 0) -> Source:  # fmt: skip
    """Invented weather on every axis asked for, NaN beyond instant ``reach`` and at ``hole``."""
    fields = weather(hours + 1, seed=seed)
    whole = hours_axis(NIGHT, hours)

    def fetch(request: Request, tools: Toolbox) -> Forecast:
        time = hours_axis(request.start, request.hours)
        at = ((time - whole[0]) // np.timedelta64(3600, "s")).astype(int)
        missing = (at < lead) | (at == hole) | ((at > reach) if reach is not None else False)
        laid = {}
        for key, found in fields.items():
            if found.kind is Kind.CONSTANT:
                laid[key] = found
                continue
            values = found.values[at].copy()
            values[missing] = np.nan
            laid[key] = replace(found, values=values)
        told = Provenance(name, name, request.now, request.now, "0" * 64, cycle_h=6.0)
        return Forecast(time, laid, (told,))

    return Source(name, name, (), "", "", "", "", fetch)


HOURS = 24
REQUEST = Request(SITE.latitude, SITE.longitude, NIGHT, HOURS + BEFORE + AFTER,
                  NIGHT + timedelta(hours=BEFORE))  # fmt: skip
TOOLS = Toolbox(
    {}, None, lambda s: Client(s, user_agent="test", jitter=random.Random(1)), lambda *a: None
)


def parts_of(*models: Source) -> tuple[Forecast, ...]:
    return gather(REQUEST, TOOLS, models=[Candidate(m) for m in models], indices=[],
                  before=BEFORE, after=AFTER)  # fmt: skip


def verdicts_of(parts: tuple[Forecast, ...]) -> list[Any]:
    derived = [derive(p, site=SITE, aircraft=CRAFT, height=60.0) for p in parts]
    made = make_brief(
        derived, rulebook(), site=SITE, aircraft=CRAFT, pilot=PILOT, height=60.0,
        now=REQUEST.now, hours=HOURS,
    )  # fmt: skip
    return list(made.hours)


def told(verdict: Any) -> Any:
    return verdict.start, verdict.grade, verdict.margin, verdict.limiting, verdict.reasons


TOTAL = HOURS + BEFORE + AFTER


@law
@pytest.mark.parametrize("reach", [5, 6, 9, 15, 26, 27, 28])
def test_every_hour_is_graded_as_one_model_alone_would(reach: int) -> None:
    near, far = model("near", 1, TOTAL, reach=reach), model("far", 2, TOTAL)
    joined = verdicts_of(parts_of(near, far))
    alone = {"near": verdicts_of(parts_of(near)), "far": verdicts_of(parts_of(far))}
    seam = reach - AFTER - BEFORE  # hours of the brief that the first model tells
    for n, verdict in enumerate(joined):
        [(name, _)] = verdict.by_source
        assert name == ("near" if n < seam else "far")
        assert told(verdict) == told(alone[name][n]), (n, name)


@law
def test_the_seam_is_of_one_model_with_both_its_ends() -> None:
    near, far = parts_of(model("near", 1, TOTAL, reach=15), model("far", 2, TOTAL))
    end = near.attributes[UNTIL]
    assert end == far.attributes[FROM]
    at = int((np.datetime64(end, "s") - near.time[0]) / np.timedelta64(3600, "s"))
    for part, here in ((near, range(at + AFTER + 1)), (far, range(at - BEFORE, TOTAL + 1))):
        wind = part.fields["eastward_wind"].values
        assert not np.isnan(wind[list(here)]).any()
    # Where one model tells nothing the other's numbers were not laid in.
    assert np.isnan(near.fields["eastward_wind"].values[16:]).all()
    assert np.isnan(far.fields["eastward_wind"].values[: at - BEFORE]).all()


def test_a_model_that_reaches_every_hour_speaks_alone() -> None:
    (only,) = parts_of(model("near", 1, TOTAL), model("far", 2, TOTAL))
    assert only.provenance[0].source == "near"
    assert FROM not in only.attributes


def test_a_hole_in_the_middle_stays_a_hole() -> None:
    (only,) = parts_of(model("near", 1, TOTAL, hole=12), model("far", 2, TOTAL))
    verdicts = verdicts_of((only,))
    assert {v.grade.word for v in verdicts[12 - BEFORE - 1 : 12 - BEFORE + 1]} <= {
        "unknown", "no-go",
    }  # fmt: skip


@pytest.mark.parametrize("reach", [-1, 0, 1, 2])
def test_a_model_that_reaches_no_hour_is_passed_over(reach: int) -> None:
    found = parts_of(model("near", 1, TOTAL, reach=reach), model("far", 2, TOTAL))
    assert [p.provenance[0].source for p in found] == ["far"]
    assert any("near" in note for note in found[0].notes)


def test_where_nobody_reaches_the_hours_are_unknown() -> None:
    near = model("near", 1, TOTAL, reach=10)
    verdicts = verdicts_of(parts_of(near))
    assert {v.grade.word for v in verdicts[10 - BEFORE :]} <= {"unknown", "no-go"}
    both = verdicts_of(parts_of(near, model("far", 2, TOTAL, reach=15)))
    assert len(both) == HOURS
    assert {v.grade.word for v in both[15 - BEFORE :]} <= {"unknown", "no-go"}


# ---------------------------------------------------------------------- runs that begin but now


def renewed(
    name: str, seed: int, runs: dict[int, int], *, other: int | None = None, broken: bool = False
) -> tuple[Source, list[Request]]:
    """A model with runs that begin at instants of the axis, by when they are out; what was asked.

    ``runs``: instant of the run by hour of the axis from which on it can be had. All runs say the
    same, unless runs but the newest have the weather of the seed ``other``.
    """
    asked: list[Request] = []
    whole = hours_axis(NIGHT, TOTAL)

    def fetch(request: Request, tools: Toolbox) -> Forecast:
        asked.append(request)
        needed = request.start if request.needed is None else request.needed
        latest = int((min(needed, request.now) - NIGHT) / timedelta(hours=1))
        run = max(begin for begin in runs if begin <= latest)
        if broken and run != max(runs):
            raise DataError("the run is gone")
        mine = seed if other is None or run == max(runs) else other
        time = hours_axis(request.start, request.hours)
        laid = {}
        for key, found in weather(TOTAL + 30, seed=mine).items():
            if found.kind is Kind.CONSTANT:
                laid[key] = found
                continue
            at = ((time - whole[0]) // np.timedelta64(3600, "s")).astype(int)
            values = found.values[at].copy()
            values[at < run] = np.nan
            laid[key] = replace(found, values=values)
        when = to_datetime(whole[0]) + timedelta(hours=run)
        told = Provenance(name, name, when, request.now, "0" * 64, cycle_h=1.0)
        return Forecast(time, laid, (told,))

    return Source(name, name, (), "", "", "", "", fetch), asked


def parts_of_newest(source: Source) -> tuple[Forecast, ...]:
    request = replace(REQUEST, needed=REQUEST.now)
    return gather(request, TOOLS, models=[Candidate(source)], indices=[],
                  before=BEFORE, after=AFTER)  # fmt: skip


def looking_back() -> Rulebook:
    """The rules that look back as far as is allowed, on values at instants and over hours."""
    whole = rulebook()
    rules = tuple(replace(rule, before=BEFORE - 1) for rule in whole.rules if not rule.when)
    return replace(whole, rules=rules, substitutes=())


def graded_newest(parts: tuple[Forecast, ...], book: Rulebook) -> Any:
    (part,) = (derive(p, site=SITE, aircraft=CRAFT, height=60.0) for p in parts)
    return grade(part, book, aircraft=CRAFT, skill=Skill.NOVICE, height=60.0, latitude=52.0)


@law
@pytest.mark.parametrize("begin", [1, 2, 3])
def test_the_newest_run_is_used_and_rules_look_back_at_an_earlier_one(begin: int) -> None:
    """Where two runs say the same, each rule's look back gives what one run would."""
    newest, asked = renewed("quick", 1, {-9: 0, 0: 0, begin: 0})
    (part,) = parts_of_newest(newest)
    assert part.provenance[0].run == NIGHT + timedelta(hours=begin)
    assert part.time[0] == np.datetime64(NIGHT.replace(tzinfo=None), "s") + begin * np.timedelta64(
        3600, "s"
    )
    assert part.earlier is not None
    assert part.earlier.provenance[0].run == NIGHT
    assert [r.hours for r in asked] == [TOTAL, begin]
    assert any("look back" in note for note in part.notes)
    (alone,) = parts_of_newest(renewed("quick", 1, {-9: 0, 0: 0})[0])
    assert alone.earlier is None
    book = looking_back()
    ours, theirs = (graded_newest((p,), book) for p in (part, alone))
    for mine, whole in zip(ours.outcomes, theirs.outcomes, strict=True):
        if mine.rule.quantity == "precipitation_probability":
            continue  # it looks at the hours beside, of which those of its own run are known
        for field in ("codes", "value", "margin", "missing"):
            a, b = getattr(mine, field), getattr(whole, field)[begin:]
            np.testing.assert_array_equal(a[3 - begin :], b[3 - begin :], err_msg=mine.rule.id)


@law
def test_hours_before_a_run_are_each_of_one_run_with_both_ends() -> None:
    """The earlier run is stormy in hour 1 only; the newest begins with instant 2 and is calm."""
    book = replace(rulebook(), substitutes=())
    rule = next(r for r in book.rules if r.id == "wind")
    wind = rule.quantity
    assert QUANTITIES[wind].kind is Kind.POINT
    book = replace(book, rules=(replace(rule, before=1, after=0),))
    newer = forecast_at(2, {wind: [2.0, 2.0, 2.0, 2.0]})
    for storm, grade_of_first in (([2.0, 30.0, 2.0], 3), ([2.0, 2.0, 30.0], 3),
                                  ([30.0, 2.0, 2.0], 0), ([2.0, np.nan, 2.0], 2)):  # fmt: skip
        earlier = forecast_at(0, {wind: storm})
        codes = grade(
            replace(newer, earlier=earlier), book, aircraft=CRAFT, skill=Skill.NOVICE, height=60.0
        ).codes
        assert codes[0] == grade_of_first, storm
        assert codes[1] == 0
    # What ends before the seam, and no earlier run at all, are missing.
    for lacking in (None, forecast_at(0, {wind: [2.0, 2.0]})):
        codes = grade(
            replace(newer, earlier=lacking), book, aircraft=CRAFT, skill=Skill.NOVICE, height=60.0
        ).codes
        assert codes[0] == 2


def forecast_at(first: int, fields: dict[str, list[float]]) -> Forecast:
    values = {n: Field(np.asarray(v, np.float32), QUANTITIES[n].kind) for n, v in fields.items()}
    hours = len(next(iter(fields.values()))) - 1
    return Forecast(hours_axis(NIGHT + timedelta(hours=first), hours), values)


@law
def test_an_earlier_run_never_speaks_for_the_hours_asked_for() -> None:
    newest, _ = renewed("quick", 1, {-9: 0, 0: 0, 3: 0}, other=2)
    (part,) = parts_of_newest(newest)
    alone = weather(TOTAL + 30, seed=1)
    for name, found in part.fields.items():
        if found.kind is not Kind.CONSTANT:
            np.testing.assert_array_equal(found.values, alone[name].values[3 : TOTAL + 1])


def test_without_the_earlier_run_its_hours_are_missing_and_it_is_told() -> None:
    newest, _ = renewed("quick", 1, {-9: 0, 0: 0, 2: 0}, broken=True)
    (part,) = parts_of_newest(newest)
    assert part.earlier is None
    assert any("without the hours before" in n and "the run is gone" in n for n in part.notes)
    assert graded_newest((part,), looking_back()).codes[1] >= 2


def test_the_past_is_stored_with_the_hours(tmp_path: Path) -> None:
    newest, _ = renewed("quick", 1, {-9: 0, 0: 0, 2: 0}, other=2)
    (part,) = parts_of_newest(newest)
    store.save(tmp_path, "k", part, at=NIGHT)
    found = store.load(tmp_path, "k")
    assert found is not None
    a, b = (graded_newest((p,), looking_back()) for p in (part, found.forecast))
    np.testing.assert_array_equal(a.codes, b.codes)


def test_a_fault_goes_on_to_the_next_and_is_told() -> None:
    def fetch(request: Request, tools: Toolbox) -> Forecast:
        raise DataError("the door is shut")

    shut = Source("shut", "", (), "", "", "", "", fetch)
    near, far = parts_of(model("near", 1, TOTAL, reach=12), shut, model("far", 2, TOTAL))
    assert far.provenance[0].source == "far"
    assert any("shut: the door is shut" in note for note in near.notes)


def test_equal_faults_are_told_once_and_the_sentence_stays_short() -> None:
    def failing(name: str, what: str) -> Source:
        def fetch(request: Request, tools: Toolbox) -> Forecast:
            raise DataError(what, remedy="Wait.")

        return Source(name, "", (), "", "", "", "", fetch)

    many = [failing(name, "the connection broke " * 9) for name in "abcd"]
    with pytest.raises(DataError, match="a, b, c, d: the") as caught:
        parts_of(*many)
    others = [failing(name, f"{name} says that it is not able to serve " * 9) for name in "abcdef"]
    with pytest.raises(DataError) as worse:
        parts_of(*others)
    for error in (caught, worse):
        assert len(str(error.value)) < 400
    assert len(str(worse.value)) < 300
    assert all(f"{name}: " in str(worse.value) for name in "abcdef")


# ---------------------------------------------------------------------- which models


def chosen(place: tuple[float, float], hours: int = 36, *, budget: float | None = None,
           offline: bool = False, **endpoints: Any) -> Any:  # fmt: skip
    now = datetime(2026, 6, 15, 11, tzinfo=UTC)
    request = Request(*place, start=now - timedelta(hours=BEFORE), hours=hours + BEFORE + AFTER,
                      now=now)  # fmt: skip
    tools = replace(TOOLS, endpoints={**load_endpoints(), **endpoints}, offline=offline)
    return choose(request, tools, budget_mb=budget)


def names(choice: Any) -> list[str]:
    return [candidate.source.name for candidate in choice.candidates]


KANSAS, HESSE, TUNIS, FIJI = (39.0, -98.0), (50.0, 9.0), (36.8, 10.2), (-17.0, 179.9)


def test_the_best_model_of_a_place_comes_first() -> None:
    assert names(chosen(KANSAS))[:2] == ["hrrr", "gfs"]
    assert names(chosen(HESSE, budget=1000))[:4] == ["icon-d2", "icon-eu", "ecmwf", "gfs"]
    assert names(chosen(TUNIS, budget=1000))[:3] == ["icon-eu", "ecmwf", "gfs"]
    assert names(chosen(FIJI, budget=1000))[:2] == ["ecmwf", "gfs"]


def test_without_a_word_nobody_is_surprised_by_hundreds_of_megabytes() -> None:
    for place in (KANSAS, HESSE, TUNIS, FIJI):
        found = chosen(place)
        for candidate in found.candidates:
            assert candidate.plan is not None
            ways = [candidate.plan.errands[0], *candidate.plan.otherwise]
            assert all(way.size <= 60e6 for way in ways)
            if candidate.tools is not None:  # as the fetch will see it
                entry = candidate.tools.endpoints[candidate.source.name]
                assert entry["order"] == [way.what for way in ways]
                assert candidate.note or entry["order"] == ["crop"]
    [note] = chosen(HESSE).notes()
    assert "icon-d2 (about" in note
    assert "--budget" in note


def test_a_budget_of_nothing_asks_nobody_and_says_how_to_go_on() -> None:
    found = chosen(KANSAS, budget=0)
    assert found.candidates == ()
    assert "--budget" in found.remedy()
    with pytest.raises(DataError, match="no model is there") as caught:
        gather(REQUEST, TOOLS, models=found.candidates, indices=[])
    assert caught.value.exit_code == 3


def test_offline_nothing_costs_anything() -> None:
    assert names(chosen(HESSE, budget=0, offline=True))[:3] == ["icon-d2", "icon-eu", "ecmwf"]


def test_a_box_may_cross_the_date_line() -> None:
    row = Row("gfs", 100, (-25.0, 170.0, -10.0, -170.0))
    assert row.covers(-17.0, 179.9)
    assert row.covers(-17.0, -179.9)
    assert not row.covers(-17.0, 160.0)
    assert not row.covers(17.0, 179.9)
    assert Row("gfs", 100, (-90.0, -180.0, 90.0, 180.0)).covers(0.0, 77.0)


@pytest.mark.parametrize(
    "row",
    [{"model": "gfs"}, {"until_h": 5}, {"model": "gfz", "until_h": 5},
     {"model": "gfs", "until_h": 5, "box": [1, 2, 3]},
     {"model": "gfs", "until_h": 5, "box": [50, 0, 40, 10]},
     {"model": "gfs", "until_h": 5, "box": "everywhere"}],
)  # fmt: skip
def test_a_table_that_cannot_be_used_is_refused(row: dict[str, Any]) -> None:
    shipped = load_endpoints()["choice"]
    with pytest.raises(UsageError):
        chosen(HESSE, choice={**shipped, "models": [row]})


def test_every_model_has_its_row() -> None:
    rows = Entry(load_endpoints(), "").entry("choice").rows("models")
    assert {row.text("model") for row in rows} == set(MODELS)


# ---------------------------------------------------------------------- a second K index


def index(name: str, values: list[float], kinds: list[str]) -> Forecast:
    time = hours_axis(NIGHT, len(values) - 1)
    found = Field(np.asarray(values, np.float32), Kind.MAXIMUM, name,
                  origin=np.asarray([KINDS.index(k) for k in kinds], np.uint8),
                  origins=KINDS)  # fmt: skip
    told_by = Provenance(name, name, None, to_datetime(time[0]), name * 8)
    return Forecast(time, {"planetary_k_index": found}, (told_by,))


@law
def test_the_higher_of_two_indices_counts_and_the_observed_before_a_guess() -> None:
    nan = float("nan")
    own = index(
        "swpc",
        [2, 3, 2, 5, nan, nan],
        ["observed", "estimated", "predicted", "predicted", "predicted", "predicted"],
    )
    other = index(
        "gfz",
        [2.3, 2, 4, nan, 3, nan],
        ["observed", "observed", "estimated", "estimated", "estimated", "estimated"],
    )
    found = higher_of_both(own, other)
    values = found.fields["planetary_k_index"].values
    np.testing.assert_allclose(values, np.float32([2.3, 2, 4, 5, 3, nan]))
    [note] = found.notes
    assert "swpc 2.00" in note
    assert "gfz 4.00" in note
    assert len(found.provenance) == 2
    assert higher_of_both(own, own).notes == ()


# ---------------------------------------------------------------------- at the command line

WHO = ("--aircraft", "mid-900g", "--pilot", "intermediate")
AT = ("--at", f"{NOW:%Y-%m-%dT%H:%MZ}")
FIELD = ("--lat", 39.0, "--lon", -98.0)


@pytest.fixture
def day() -> Iterator[Day]:
    """GFS (crop) on the good day; the table names HRRR before it, which is not served."""
    with LocalServer() as server:
        made = Day(server, Path(os.environ["WXGATE_CONFIG"]))
        configure(made, lambda e: None)
        yield made


def configure(day: Day, change: Callable[[dict[str, Any]], None]) -> None:
    file = day.config / "endpoints.yaml"
    entries = yaml.safe_load(file.read_text())
    entries["usual"]["models"] = None
    entries["hrrr"] = {"order": ["crop"], "crop": {"scripts": [day.server.url("/cgi/hrrr")]},
                       "products": None}  # fmt: skip
    entries.setdefault("choice", {})["models"] = [
        {"model": "hrrr", "until_h": 3, "box": [24, -125, 50, -66]},
        {"model": "gfs", "until_h": 99},
    ]  # fmt: skip
    change(entries)
    file.write_text(yaml.safe_dump(entries))


def asked(wx: Run, *more: object, place: tuple[object, ...] = FIELD, hours: int = 4) -> Any:
    code, out, err = wx("brief", *place, *WHO, *AT, "--hours", hours, "--json", *more)
    assert code == 0, err
    return json.loads(out)


def without_since(told: dict[str, Any]) -> dict[str, Any]:
    """A brief without what it tells of the one before: the first of its kind has none."""
    return {name: value for name, value in told.items() if name not in ("since", "since_made")}


def test_a_silent_best_model_goes_on_to_the_next_with_a_note(day: Day, wx: Run) -> None:
    found = asked(wx)
    assert found["provenance"][0]["source"] == "gfs"
    assert any(note.startswith("hrrr: no run") for note in found["notes"])
    assert {h["grade"] for h in found["hours"]} == {"marginal", "go"}, "the sun has just risen"


def serve_hrrr(day: Day) -> None:
    """HRRR's crop of a run that reaches three hours from now, its weather that of the service."""
    crop = hrrr_service.Crop()
    day.server.handler("/cgi/hrrr", crop.answer)
    for step in range(12):
        crop.add(hrrr_service.make_file(bad_days.RUN, step))
    coarse = {"step_m": hrrr_service.STEP_M, "columns": hrrr_service.COLUMNS,
              "rows": hrrr_service.ROWS}  # fmt: skip

    def change(entries: dict[str, Any]) -> None:
        entries["hrrr"] |= {"domain": coarse, "runs": {"first_step_after_h": 4.5}}
        entries["hrrr"]["crop"]["cell_deg"] = 1.0

    configure(day, change)


def test_two_models_share_the_hours_and_each_grades_as_alone(day: Day, wx: Run) -> None:
    serve_hrrr(day)
    joined = asked(wx)
    alone = {name: asked(wx, "--sources", name) for name in ("hrrr", "gfs")}
    sources = [next(iter(hour["by_source"])) for hour in joined["hours"]]
    assert sources == ["hrrr", "gfs", "gfs", "gfs"], "two hours beside are needed of a model"
    for n, hour in enumerate(joined["hours"]):
        other = alone[sources[n]]["hours"][n]
        keys = ("grade", "margin", "limiting", "reasons")
        assert [hour[k] for k in keys] == [other[k] for k in keys]
    assert any("hrrr to 15 Jun 12Z, then gfs" in note for note in joined["notes"])
    assert {p["source"] for p in joined["provenance"]} == {"hrrr", "gfs", "swpc"}
    # Stored hours answer the same without a request, but for what moved since the briefs between.
    before = len(day.server.requests)
    assert without_since(asked(wx)) == without_since(joined)
    assert len(day.server.requests) == before
    # An explanation of an hour tells the numbers of the model that graded it.
    code, out, err = wx("explain", "13:00", *FIELD, *WHO, *AT, "--hours", 4)
    assert (code, err) == (0, "")
    assert "[gfs]" in out
    assert "[hrrr]" not in out


def test_the_newest_run_of_hrrr_speaks_for_the_hours_asked_for(
    day: Day, wx: Run, tmp_path: Path
) -> None:
    """At 11:00 that of 10 UTC; the two hours before it are looked back at in that of 08 UTC."""
    serve_hrrr(day)
    crop = hrrr_service.Crop()
    day.server.handler("/cgi/hrrr", crop.answer)
    for hour, steps in ((6, range(20)), (8, range(4)), (10, range(12))):
        for step in steps:
            crop.add(hrrr_service.make_file(NOW.replace(hour=hour), step))

    def change(entries: dict[str, Any]) -> None:
        entries["hrrr"] |= {"domain": {"step_m": hrrr_service.STEP_M,
                                       "columns": hrrr_service.COLUMNS,
                                       "rows": hrrr_service.ROWS}}  # fmt: skip
        entries["hrrr"]["crop"]["cell_deg"] = 1.0
        entries["choice"]["models"][0]["until_h"] = 9

    configure(day, change)
    code, out, _ = wx("brief", *FIELD, *WHO, *AT, "--hours", 4, "--dry-run")
    assert code == 0
    assert "hrrr, run 15 Jun 10Z, 8 steps f000 to f007" in out
    assert "hrrr, run 15 Jun 08Z, 3 steps f000 to f002" in out
    found = asked(wx)
    assert {p["run"] for p in found["provenance"] if p["source"] == "hrrr"} == {
        "2026-06-15T10:00:00Z"
    }
    assert any("look back before 15 Jun 10Z look at the run of 15 Jun 08Z" in n
               for n in found["notes"])  # fmt: skip
    steps = {f"t{q['file'][6:8]}" + q["file"][-8:-6] for q in crop.queries}
    assert {s for s in steps if s.startswith("t08")} == {"t0800", "t0801", "t0802"}
    assert {s for s in steps if s.startswith("t10")} == {f"t10{n:02d}" for n in range(8)}
    [thunder] = [r for r in found["hours"][0]["reasons"] if r["rule"] == "thunder"]
    assert thunder["value"] is not None
    # Stored hours answer the same without a request.
    before = len(day.server.requests)
    assert without_since(asked(wx)) == without_since(found)
    assert len(day.server.requests) == before
    # A file holds one run, which then has to reach back itself (that of 08 UTC is not whole).
    code, _, err = wx("fetch", *FIELD, *AT, "--hours", 4, "--source", "hrrr",
                      "--out", tmp_path / "f.nc")  # fmt: skip
    assert (code, err) == (0, "")
    assert (
        asked(wx, "--forecast", tmp_path / "f.nc")["provenance"][0]["run"] == "2026-06-15T06:00:00Z"
    )


def test_parts_of_two_fetches_are_no_answer(day: Day, wx: Run) -> None:
    """Two runs of the program at once, or one stopped half way, may leave such."""
    serve_hrrr(day)
    asked(wx)
    hours = places.cache_folder() / "hours"
    [second] = hours.glob("*-1.json")
    old = second.read_bytes()
    later = ("--at", f"{NOW + timedelta(minutes=40):%Y-%m-%dT%H:%MZ}")
    whole = asked(wx, *later)["hours"]
    before = len(day.server.requests)
    assert asked(wx, *later)["hours"] == whole
    assert len(day.server.requests) == before, "what is whole answers"
    second.write_bytes(old)
    assert asked(wx, *later)["hours"] == whole
    assert len(day.server.requests) > before, "and what is mixed is fetched anew"


def test_several_named_models_are_held_against_each_other(day: Day, wx: Run) -> None:
    serve_hrrr(day)
    both = asked(wx, "--sources", "hrrr,gfs")
    for hour in both["hours"]:
        assert set(hour["by_source"]) == {"hrrr", "gfs"}
    assert [h["grade"] for h in both["hours"]] != [h["grade"] for h in asked(wx)["hours"]]


def test_a_dry_run_asks_nobody_and_tells_the_plan(day: Day, wx: Run) -> None:
    serve_hrrr(day)
    asks = ("brief", *FIELD, *WHO, *AT, "--hours", 4, "--dry-run")
    code, out, err = wx(*asks)
    assert (code, err) == (0, "")
    assert day.server.requests == []
    assert max(map(len, out.splitlines())) <= 80
    assert out.index("hrrr, run") < out.index("gfs, run") < out.index("Total:")
    code, out, _ = wx(*asks, "--json")
    told_first = json.loads(out)
    assert told_first["requests"] == sum(
        e["requests"] for p in told_first["plans"] for e in p["errands"]
    )
    asked(wx)
    assert len(day.server.requests) == told_first["requests"]
    seen = len(day.server.requests)
    after = json.loads(wx(*asks, "--json")[1])
    assert (after["bytes"], after["requests"]) == (0, 0)
    assert after["kept_bytes"] > 0
    assert len(day.server.requests) == seen
    code, out, _ = wx("fetch", *FIELD, *AT, "--hours", 4, "--dry-run")
    assert code == 0
    assert "Total:" in out


def test_a_budget_of_nothing_at_the_command_line(day: Day, wx: Run) -> None:
    code, out, err = wx("brief", *FIELD, *WHO, *AT, "--budget", 0)
    assert (code, out) == (3, "")
    assert "A larger --budget allows more, first " in err
    assert day.server.requests == [] or all("cgi" not in s.path for s in day.server.requests)
    code, out, _ = wx("brief", *FIELD, *WHO, *AT, "--budget", 0, "--dry-run")
    assert code == 0
    assert "over the budget of 0 MB" in " ".join(out.split())
    assert wx("brief", *FIELD, *WHO, *AT, "--budget", -1)[0] == 2


def test_without_the_crop_service_the_budget_buys_the_first_hours(day: Day, wx: Run) -> None:
    """Mirrors serve whole fields; all hours of them are over the budget, some are not."""
    day.server.handler("/cgi/filter", lambda query: Response(404, b"", {}))

    def change(entries: dict[str, Any]) -> None:
        entries["gfs"]["order"] = ["crop", "mirror"]
        entries["choice"]["models"] = [{"model": "gfs", "until_h": 99}]

    configure(day, change)
    code, out, _ = wx("brief", *FIELD, *WHO, *AT, "--hours", 7, "--dry-run", "--json",
                      "--budget", 9999)  # fmt: skip
    assert code == 0
    [mirror] = json.loads(out)["plans"][0]["otherwise"]
    budget = mirror["bytes"] * 0.8 / 1e6
    found = asked(wx, "--budget", budget, hours=7)
    [note] = [n for n in found["notes"] if "as far as the budget" in n]
    assert f"--budget {mirror['bytes'] / 1e6:.0f}"[:-1] in note
    grades = [hour["grade"] for hour in found["hours"]]
    assert set(grades[:3]) <= {"go", "marginal"}, "as the crop of the same run would"
    assert "go" in grades[:3]
    assert grades[6:] == ["unknown"], "the run was fetched to its step 11, 17 UTC"
    fetched = {p.split(".f")[-1] for p in day.server.paths() if p.startswith("/mirror")}
    assert max(fetched) <= "011.idx"
    # A budget that buys nearly nothing: one sentence with what to do.
    code, out, err = wx("brief", *FIELD, *WHO, *AT, "--hours", 7, "--budget", budget / 5)
    assert (code, out) == (3, "")
    assert "A larger --budget allows more" in err


def test_all_sources_down_is_one_short_sentence(day: Day, wx: Run) -> None:
    day.server.fault("*", Fault.STATUS, status=503)
    code, out, err = wx("brief", *FIELD, *WHO, *AT)
    assert (code, out) == (3, "")
    assert len(err) < 500
    assert "no forecast could be had" in err


def test_at_the_date_line_and_offline_with_an_empty_cache(day: Day, wx: Run) -> None:
    found = asked(wx, place=("--lat", -17.0, "--lon", 179.99))
    assert found["provenance"][0]["source"] == "gfs"
    code, out, err = wx("brief", "--lat", 10, "--lon", 10, *WHO, *AT, "--offline")
    assert (code, out) == (3, "")
    assert "no forecast could be had" in err


@pytest.mark.parametrize("command", ["brief", "fetch"])
def test_an_unknown_name_is_told_before_any_plan(wx: Run, command: str) -> None:
    option = ("--sources", "gfs,hrr") if command == "brief" else ("--source", "hrr")
    who = WHO if command == "brief" else ()
    code, out, err = wx(command, *FIELD, *who, "--dry-run", *option)
    assert (code, out) == (2, "")
    assert "Did you mean 'hrrr'" in err


def test_credits_stand_in_every_report(day: Day, wx: Run, tmp_path: Path) -> None:
    _, brief, _ = wx("brief", *FIELD, *WHO, *AT, "--hours", 4)
    assert "Credit: NOAA; modified by wxgate." in brief
    assert len(brief.splitlines()) < 20
    _, explained, _ = wx("explain", "12:00", *FIELD, *WHO, *AT, "--hours", 4)
    assert "Contains data of the US National Oceanic" in explained
    assert any("Oceanic" in credit for credit in asked(wx)["credits"])
    code, fetched, err = wx("fetch", *FIELD, *AT, "--hours", 4, "--out", tmp_path / "f.nc")
    assert code == 0, err
    assert "Credit: Contains data of the US National Oceanic" in fetched


def test_the_hours_in_which_named_models_disagree_are_told(day: Day, wx: Run) -> None:
    serve_hrrr(day)
    both = asked(wx, "--sources", "hrrr,gfs")
    disputed = [h["start"][11:13] for h in both["hours"] if len(set(h["by_source"].values())) > 1]
    assert disputed
    text = wx("brief", *FIELD, *WHO, *AT, "--hours", 4, "--sources", "hrrr,gfs")[1]
    line = next(line for line in text.splitlines() if line.startswith("Disputed: hrrr, gfs"))
    assert f"disagree in {len(disputed)} h, the stricter counts" in line
    assert f"{disputed[0]}:00-" in " ".join(text.split())
    assert len(text.splitlines()) < 20


def test_offline_with_nothing_kept_is_one_sentence_to_its_end(wx: Run) -> None:
    """With all the models that ship, of which none is cut short."""
    code, out, err = wx("brief", *FIELD, *WHO, *AT, "--offline")
    assert (code, out) == (3, "")
    assert "not kept: hrrr, ecmwf, gfs" in err
    assert "without --offline" in err
    assert "..." not in err
