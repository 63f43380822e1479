"""Contract: the brief in plain text, at a terminal and in a mail client."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hours import MID, START, forecast_of

from wxgate.brief import Brief, make_brief
from wxgate.errors import ContractError
from wxgate.forecast import Forecast, make_field
from wxgate.profiles import Pilot, Site, Skill
from wxgate.report.display import WIDTH
from wxgate.report.json import brief_json
from wxgate.report.text import MOST_LINES, brief_text
from wxgate.report.words import age, shown, span, zone
from wxgate.rulebook import Rule, Rulebook, Word
from wxgate.rulebook.limits import Amount
from wxgate.verdict import Grade

pytestmark = pytest.mark.contract

SITE = Site(id="f", name="Field (invented)", latitude=51.5, longitude=-0.1, zone="Europe/London")
PILOT = Pilot(id="novice", name="n", skill=Skill.NOVICE)
BOOK = Rulebook(
    "test",
    (
        Rule("gust", "gust_at_flight_height", Word.ABOVE,
             {Grade.MARGINAL: Amount.of(6.0), Grade.NO_GO: Amount.of(8.0)},
             because="It takes the aircraft away.", source="common practice, no source"),
        Rule("visibility", "visibility", Word.BELOW,
             {Grade.MARGINAL: Amount.of(5000.0), Grade.NO_GO: Amount.of(1500.0)},
             because="You must see it.", source="common practice, no source"),
    ),
)  # fmt: skip


def brief(gusts: list[float], visibility: float = 20000.0, hours: int | None = None) -> Brief:
    forecast = forecast_of(
        {"gust_at_flight_height": gusts, "visibility": [visibility] * len(gusts)}
    )
    return make_brief(
        [forecast], BOOK, site=SITE, aircraft=MID, pilot=PILOT, height=60.0, now=START,
        hours=hours or len(gusts) - 1,
    )  # fmt: skip


def test_verdict_window_and_reason_come_first() -> None:
    lines = brief_text(brief([9.0, 9.0, 5.0, 5.0, 5.5, 5.0, 9.0])).splitlines()
    assert lines[1] == "GO: Mon 1 Jun 09:00-12:00 BST (3 h)"
    assert "gust at flight height 5.5 m/s" in lines[2]
    assert "Now (07:00 hour): no-go, gust" in "\n".join(lines)


def test_it_fits_a_phone_and_a_terminal() -> None:
    for length in (3, 25, 49, 73, 121, 241):
        lines = brief_text(brief([5.0] * length)).splitlines()
        assert max(map(len, lines)) <= WIDTH
        assert len(lines) <= MOST_LINES


def test_missing_hours_are_named_and_are_not_go() -> None:
    text = brief_text(brief([5.0, 5.0, np.nan, 5.0, 5.0], hours=6))
    # Both hours beside the hole, and the last one, whose end the forecast does not reach.
    assert "gust at flight height (3 h from Mon 1 Jun 08:00)" in " ".join(text.split())
    assert "the forecast" in text
    assert "??" in text


def test_no_window_tells_what_stands_in_the_way() -> None:
    text = " ".join(brief_text(brief([9.5, 9.0, 10.0], visibility=1000.0)).split())
    assert "NO-GO: no window of 1 h can be flown" in text
    assert "below 1.5 km" in text or "above 8.0 m/s" in text


def test_the_cautions_are_always_there() -> None:
    for gusts in ([5.0, 5.0], [9.0, 9.0], [np.nan, np.nan]):
        text = brief_text(brief(gusts))
        assert "airspace, NOTAM" in text
        assert "the pilot decides" in text


def test_local_days_of_23_and_25_hours() -> None:
    # The clocks of Europe/London change on the last Sundays of March and October
    # (The Summer Time Order 2002, SI 2002/262): 29 March and 25 October 2026.
    tz = zone("Europe/London")
    before = datetime(2026, 10, 25, 0, tzinfo=UTC)
    assert span(before, before + timedelta(hours=3), tz) == "Sun 25 Oct 01:00-03:00 BST/GMT"
    spring = datetime(2026, 3, 29, 0, tzinfo=UTC)
    assert span(spring, spring + timedelta(hours=2), tz) == "Sun 29 Mar 00:00-03:00 GMT/BST"
    midnight = datetime(2026, 10, 24, 23, tzinfo=UTC)
    forecast = forecast_of(
        {"gust_at_flight_height": [5.0] * 26, "visibility": [9e3] * 26}, start=midnight
    )
    made = make_brief(
        [forecast], BOOK, site=SITE, aircraft=MID, pilot=PILOT, height=60.0, now=midnight, hours=25
    )
    rows = [line.split()[2:] for line in brief_text(made).splitlines() if line[:6] == "Sun 25"]
    assert sum(len(row) for row in rows) == 25
    assert rows[0].count("01") == 2


def test_values_are_shown_in_the_units_of_the_trade() -> None:
    # Arithmetic on definitions: 273.15 K is 0 degC.
    assert shown("air_temperature", 273.15) == "0.0 °C"
    assert shown("air_temperature", 273.13) == "0.0 °C", "no minus nought"
    assert shown("visibility", 300.0) == "0.30 km"
    assert shown("visibility", 24135.0) == "24.1 km"
    assert shown("dew_point_spread", 3.0) == "3.0 K"
    assert shown("precipitation_probability", 0.155) == "16%"
    assert shown("planetary_k_index", 0.0) == "0.00"
    assert shown("gust_at_flight_height", None) == "missing"
    assert [age(0.5), age(5.2), age(80)] == ["30 min", "5 h", "3 days"]


def test_a_forecast_of_members_is_no_brief() -> None:
    gusts = make_field("gust_at_flight_height", np.full((4, 3), 5.0))
    forecast = forecast_of({"gust_at_flight_height": gusts, "visibility": [9e3] * 4})
    with pytest.raises(ContractError, match="one place and one forecast"):
        make_brief(
            [forecast], BOOK, site=SITE, aircraft=MID, pilot=PILOT, height=60.0, now=START, hours=3
        )


def test_where_sources_disagree_the_stricter_counts_and_it_is_told() -> None:
    def told_by(name: str, gusts: list[float]) -> Forecast:
        made = forecast_of({"gust_at_flight_height": gusts, "visibility": [9e3] * len(gusts)})
        return replace(made, provenance=(replace(made.provenance[0], source=name, title=name),))

    calm, rough = told_by("calm", [5.0] * 5), told_by("rough", [5.0, 5.0, 7.0, 9.0, 5.0])
    for order in ([calm, rough], [rough, calm]):
        made = make_brief(
            order, BOOK, site=SITE, aircraft=MID, pilot=PILOT, height=60.0, now=START, hours=4
        )
        assert [v.grade for v in made.hours] == [
            Grade.GO, Grade.MARGINAL, Grade.NO_GO, Grade.NO_GO,
        ]  # fmt: skip
        assert dict(made.hours[1].by_source) == {"calm": Grade.GO, "rough": Grade.MARGINAL}
        text = " ".join(brief_text(made).split())
        assert "disagree in 3 h, the stricter counts" in text
        assert brief_json(made)["hours"][2]["by_source"] == {
            name: {"calm": "go", "rough": "no-go"}[name] for name in ("calm", "rough")
        }
