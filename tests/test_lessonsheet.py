"""Contract: the lesson sheet says what the day's limits say, on one page, and nothing like leave.

HTML is held against html5lib in its strict mode and printed by Chromium where it is installed.
"""

from __future__ import annotations

import base64
import math
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree.ElementTree import Element

import html5lib
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lesson_cases import AIRCRAFT, FIELD, brief_of, limits_of, named

from wxgate.brief import Brief
from wxgate.daylimits import day_limits
from wxgate.profiles import Shelter
from wxgate.report.display import Display, Units
from wxgate.report.lessonnumbers import bearing_text, compass
from wxgate.report.lessonsheet import Sheet, sheet_html, sheet_note, sheet_of, sheet_text
from wxgate.verdict import Grade

pytestmark = pytest.mark.contract

Run = Callable[..., tuple[int, str, str]]
CALM = {"u10": 2.0, "u100": 2.9, "gust": 3.5, "d10": 225.0}
#: One hour's later gust makes these hours marginal for a novice, and none no-go.
BREEZY = {"u10": 3.4, "u100": 5.4, "gust": 5.8, "d10": 225.0}
STORM = {"u10": 9.0, "u100": 13.0, "gust": 16.0}
HOSTILE = [
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7 * 7 }}{% raw %}",
    "</title><meta http-equiv=refresh content=0>", "a\x00b\x1b[31m\x07", "‮evil‬\u2028line",
    "<!-- -->&amp;&lt;", "👩‍🚀" * 100, "ä" * 300, "one\ntwo\r\nGO\n" * 20,
]  # fmt: skip


def sheet_for(brief: Brief, **more: object) -> Sheet:
    return sheet_of(brief, limits_of(brief), **more)  # type: ignore[arg-type]


def parsed(html: str) -> Element:
    """The page by html5lib; any fault of the page raises."""
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    page: Element = parser.parse(html)
    return page


def words_of(element: Element) -> str:
    return " ".join("".join(element.itertext()).split())


# ---------------------------------------------------------------------- one page


@pytest.mark.parametrize("weather", [CALM, BREEZY, STORM], ids=["go", "marginal", "no-go"])
def test_text_is_one_page_of_80_columns(weather: dict) -> None:
    text = sheet_text(sheet_for(brief_of(weather)))
    lines = text.splitlines()
    assert len(lines) <= 52
    assert max(map(len, lines)) <= 80
    assert text.endswith("\n")


def test_the_worst_case_is_still_one_page() -> None:
    hedge = Shelter(height=8.0, distance=40.0, porosity=0.3, leaf=True)
    site = replace(FIELD, name="ä" * 300, shelter=hedge, field_radius=15.0)
    brief = brief_of({**BREEZY, "gust": 5.2}, site=site)
    text = sheet_text(sheet_for(brief))
    assert len(text.splitlines()) <= 58  # A4 at 10 point has over 60
    assert max(map(len, text.splitlines())) <= 80


# ---------------------------------------------------------------------- what it says


def test_go() -> None:
    brief = brief_of(CALM)
    limits = limits_of(brief)
    assert limits.grade is Grade.GO
    text = sheet_text(sheet_of(brief, limits))
    assert "WEATHER: GO" in text
    assert "not a licence and no permission to fly" in text
    assert "airspace, NOTAM, local law and permissions are not checked" in " ".join(text.split())
    assert "licensed or qualified instructor" in " ".join(text.split())
    # The numbers are those of the limits, rounded to the careful side.
    stops = limits.stops
    told = re.search(r"STOP +mean above ([\d.]+) m/s, strongest above ([\d.]+) m/s", text)
    assert told
    for shown, real in zip(told.groups(), (stops.mean, stops.maximum), strict=True):
        assert real is not None
        assert 0 <= real - float(shown) < 0.1
    assert "start towards 225° (SW)" in text
    assert "downwind, towards 045° (NE)" in text


@pytest.mark.parametrize(
    "rule",
    # The practitioner's stop rules (science notes 10.8, common practice).
    ["stop number", "second strong-wind warning", "drifts", "thunder heard", "shower within 20 km",
     "30 min", "first drops", "attitude", "cold hands", "battery at 30%", "near 20%",
     "near 10%", "within about 20 m of home"],
)  # fmt: skip
def test_stop_rules_and_battery(rule: str) -> None:
    assert rule in " ".join(sheet_text(sheet_for(brief_of(CALM))).split())


@pytest.mark.parametrize(
    "check",
    # Checks that are not weather, as the practice of instructors has them.
    ["battery full", "latched", "controller on before the aircraft", "home point recorded",
     "fence set", "emergency ground named", "20 m of radius want 30 m clear"],
)  # fmt: skip
def test_checks_that_are_not_weather(check: str) -> None:
    assert check in " ".join(sheet_text(sheet_for(brief_of(CALM))).split())


def test_marginal_is_said_large_and_offers_nothing_higher() -> None:
    brief = brief_of(BREEZY)
    sheet = sheet_for(brief)
    assert sheet.grade is Grade.MARGINAL
    text = sheet_text(sheet)
    assert "*** NOT A GO." in text
    assert "WEATHER: GO" not in text
    assert "still go" not in text
    assert "Careful" not in text
    page = parsed(sheet_html(sheet))
    assert "NOT A GO" in words_of(page)
    assert page.find(".//header").get("class") == "marginal"  # type: ignore[union-attr]


NOTHING_OF_A_LESSON = ["STOP", "Upwind", "Height", "Radius", "BEFORE TAKE-OFF", "at most",
                       "WEATHER: GO", "hover", "METER"]  # fmt: skip


@pytest.mark.parametrize("case", ["no-go", "unknown", "no window"])
def test_no_flying_and_nothing_else(case: str) -> None:
    brief = brief_of(CALM, lost="eastward_wind") if case == "unknown" else brief_of(STORM)
    sheet = sheet_of(brief, None) if case == "no window" else sheet_for(brief)
    assert sheet.grade is (Grade.UNKNOWN if case == "unknown" else Grade.NO_GO)
    for page in (sheet_text(sheet), words_of(parsed(sheet_html(sheet))), sheet_note(sheet)):
        assert "NO FLYING" in page
        assert "DO NOT FLY" in page
        assert not [word for word in NOTHING_OF_A_LESSON if word in page.split("DO NOT FLY")[1]]
    assert len(sheet.sections) == 1


def test_a_brief_with_a_window_and_no_limits_is_never_leave() -> None:
    brief = brief_of(CALM)
    assert brief.window is not None
    sheet = sheet_of(brief, None)
    assert sheet.grade is Grade.UNKNOWN
    assert sheet.banner.startswith("NO FLYING")


def test_shelter_and_stable_air_are_told() -> None:
    hedge = Shelter(height=8.0, distance=40.0, porosity=0.3, leaf=True)
    text = " ".join(
        sheet_text(sheet_for(brief_of(CALM, site=replace(FIELD, shelter=hedge)))).split()
    )
    assert "A LOW READING SAYS NOTHING ABOUT 60 m" in text
    assert "trees or walls" in text
    assert "SAYS NOTHING" not in sheet_text(sheet_for(brief_of(CALM)))


def test_what_is_too_small_too_far_or_too_slow_is_told() -> None:
    small = sheet_text(sheet_for(brief_of(CALM, site=replace(FIELD, field_radius=12.0))))
    assert "TOO SMALL: 20 m of radius want 30 m clear" in " ".join(small.split())
    brief = brief_of(CALM)
    far = sheet_text(sheet_of(brief, limits_of(brief, radius=250.0)))
    assert "250 m IS TOO FAR" in " ".join(far.split())
    slow = brief_of(BREEZY, aircraft=replace(AIRCRAFT["light-249g"], slow_airspeed=4.0))
    assert "CANNOT RETURN" in sheet_text(sheet_for(slow))
    gusty = brief_of(BREEZY)
    assert "A GUST CAN STOP IT" in " ".join(sheet_text(sheet_for(gusty)).split())


def test_figures_that_the_profiles_lack_are_told() -> None:
    craft = replace(AIRCRAFT["light-249g"], slow_airspeed=None, descent_speed=None, endurance=None)
    brief = brief_of(CALM, aircraft=craft, site=replace(FIELD, field_radius=None))
    text = " ".join(sheet_text(sheet_for(brief)).split())
    assert "usual, see the manual" in text
    assert "NOT KNOWN (no descent speed)" in text
    assert "pace out the clear ground" in text
    assert "battery at 30% (by itself" in text


def test_other_units_and_clock() -> None:
    brief = brief_of(CALM)
    limits = limits_of(brief)
    text = sheet_text(sheet_of(brief, limits, display=Display(Units.MPH, twelve=True)))
    told = re.search(r"STOP +mean above ([\d.]+) mph", text)
    assert told
    mean = (limits.stops.mean or math.nan) / 0.44704  # an international mile per hour, exactly
    assert 0 <= mean - float(told[1]) < 0.1
    assert "197 ft" in text  # 60 m
    assert "11:00 am" in text


def test_html_says_what_the_text_says() -> None:
    brief = brief_of(CALM)
    sheet = sheet_for(brief)
    page = words_of(parsed(sheet_html(sheet)))
    for section in sheet.sections:
        assert section.heading in page
        for _, text in section.lines:
            assert " ".join(text.split()) in page
    for line in (sheet.banner, sheet.when, sheet.reminder, *sheet.foot):
        assert line in page


@pytest.mark.parametrize(
    ("bearing", "point", "text"),
    [(0, "N", "360° (N)"), (11.2, "N", "011° (N)"), (11.3, "NNE", "011° (NNE)"),
     (225, "SW", "225° (SW)"), (348.8, "N", "349° (N)"), (359.7, "N", "360° (N)"),
     (360, "N", "360° (N)")],
)  # fmt: skip
def test_points_of_the_compass(bearing: float, point: str, text: str) -> None:
    # Sixteen points of 22.5 degrees each, north as 360 (WMO code table 0877).
    assert compass(bearing) == point
    assert bearing_text(bearing) == text


# ---------------------------------------------------------------------- hostile names


def check_page(html: str) -> Element:
    """A page without faults, scripts, pictures, links or anything that is asked for elsewhere."""
    page = parsed(html)
    tags = {element.tag for element in page.iter() if isinstance(element.tag, str)}
    assert tags <= {"html", "head", "meta", "title", "style", "body", "header", "h1", "h2", "p",
                    "span", "article", "main", "section", "ul", "li", "dl", "dt", "dd",
                    "footer"}  # fmt: skip
    for element in page.iter():
        assert not {
            n for n in element.attrib if n.startswith("on") or n in ("src", "href", "style")
        }
    assert not re.search(r"url\(|@import|https?:", html)
    return page


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("weather", [CALM, STORM], ids=["go", "no-go"])
def test_hostile_names(name: str, weather: dict) -> None:
    brief = brief_of(weather, site=named(name))
    sheet = sheet_for(brief, title=name)
    page = check_page(sheet_html(sheet))
    assert words_of(page.find(".//title")) == words_of(page.find(".//h1"))  # type: ignore[arg-type]
    text = sheet_text(sheet)
    assert all(c == "\n" or c.isprintable() for c in text)
    assert max(map(len, text.splitlines())) <= 80
    assert text.count("WEATHER") == 1
    assert sum(1 for line in text.splitlines() if line.startswith("WEATHER: GO")) <= 1


@settings(deadline=None, max_examples=50)
@given(st.text(max_size=200))
def test_any_name_is_escaped(name: str) -> None:
    brief = _CALM_BRIEF
    sheet = sheet_of(replace(brief, site=named(name)), None, title=name)
    page = check_page(sheet_html(sheet))
    shown = words_of(page.find(".//h1"))  # type: ignore[arg-type]
    assert shown == " ".join(f"Lesson sheet: {sheet.title}".split())


_CALM_BRIEF = brief_of(CALM)


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.floats(0, 14),
    st.floats(0, 8),
    st.floats(0, 9),
    st.sampled_from(["first-flight", "novice", "experienced"]),
)
def test_never_leave_unless_every_hour_is_go(
    wind: float, aloft: float, excess: float, skill: str
) -> None:
    brief = brief_of({"u10": wind, "u100": wind + aloft, "gust": wind + excess}, skill=skill)
    text = sheet_text(sheet_for(brief))
    worst = max(v.grade for v in brief.hours)
    assert ("WEATHER: GO" in text) is (worst is Grade.GO)
    assert ("STOP AND LAND" in text) is (worst <= Grade.MARGINAL)
    assert ("DO NOT FLY" in text) is (worst >= Grade.UNKNOWN)
    assert ("NOT A GO" in text) is (worst is Grade.MARGINAL)


def test_the_note_does_not_change_with_the_age_of_the_data() -> None:
    brief = brief_of(CALM)
    later = replace(brief, now=brief.now + timedelta(minutes=30))
    limits = limits_of(brief)
    assert sheet_note(sheet_of(brief, limits)) == sheet_note(sheet_of(later, limits))
    assert sheet_text(sheet_of(brief, limits)) != sheet_text(sheet_of(later, limits))


def test_several_sheets_in_one_file() -> None:
    sheets = [sheet_for(brief_of(w), title=t) for w, t in ((CALM, "Ada"), (STORM, "Bo"))]
    page = check_page(sheet_html(*sheets))
    told = [words_of(article) for article in page.findall(".//article")]
    assert ["WEATHER: GO" in t for t in told] == [True, False]
    assert ["NO FLYING" in t for t in told] == [False, True]
    assert sheet_text(*sheets) == sheet_text(sheets[0]) + "\n" + sheet_text(sheets[1])


# ---------------------------------------------------------------------- printed


#: Width and height in inches: ISO 216 and ANSI/ASME Y14.1.
PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}


@pytest.mark.slow
@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("weather", [CALM, BREEZY, STORM], ids=["go", "marginal", "no-go"])
def test_prints_on_one_sheet_of_paper(
    browser: Any, tmp_path: Path, weather: dict, paper: str
) -> None:
    page = tmp_path / "sheet.html"
    page.write_text(sheet_html(sheet_for(brief_of(weather, site=named("ä" * 300)))))
    browser.get(page.as_uri())
    width, height = PAPERS[paper]
    told = browser.execute_cdp_cmd(
        "Page.printToPDF",
        {"paperWidth": width, "paperHeight": height, "preferCSSPageSize": False},
    )
    pdf = base64.b64decode(told["data"])
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1


# ---------------------------------------------------------------------- sun and chance


def test_where_not_to_look() -> None:
    """5 May, 52 N, 11:00-14:00 BST: the sun goes through south at 13:03 (almanac, from memory)."""
    limits = limits_of(brief_of(CALM))
    glare = limits.glare
    assert glare.azimuths is not None
    assert glare.sector is not None
    first, last = glare.azimuths
    assert first == pytest.approx(133, abs=5)  # at 11:00
    assert last == pytest.approx(204, abs=5)  # at 14:00
    # Within 25 degrees of the sun at some height: wider than the sun's own way on both sides.
    assert glare.sector[0] < first - 20
    assert glare.sector[1] > last + 20
    assert glare.away is not None
    assert (glare.away - sum(glare.sector) / 2) % 360 == pytest.approx(180)
    text = " ".join(sheet_text(sheet_for(brief_of(CALM))).split())
    assert f"look away from {bearing_text(glare.sector[0])} to" in text
    assert f"at your back: {bearing_text(glare.away)}" in text
    assert "UPWIND LIES IN THE GLARE" in " ".join(
        sheet_text(sheet_for(brief_of({**CALM, "d10": 170.0}))).split()
    )
    assert "UPWIND LIES" not in " ".join(
        sheet_text(sheet_for(brief_of({**CALM, "d10": 350.0}))).split()
    )
    cloudy = " ".join(sheet_text(sheet_for(brief_of({**CALM, "cloud": 100}))).split())
    assert "behind cloud; if it comes out, look away from" in cloudy


def test_a_sector_that_holds_north_goes_over_it() -> None:
    """A sun on its way from 010 over north to 350, as at a southern noon; 30 degrees each side."""
    brief = brief_of(CALM)
    one = brief.forecasts[0]
    turned = {"solar_azimuth_angle": (np.linspace(10, -10, one.time.size) % 360),
              "glare_half_width": np.full(one.time.size, 30.0)}  # fmt: skip
    moved = replace(brief, forecasts=(one.with_fields(
        {n: one.fields[n].with_values(v) for n, v in turned.items()}),))  # fmt: skip
    glare = limits_of(moved).glare
    assert glare.sector is not None
    first, last = glare.sector
    assert first > 310
    assert last < 50
    assert glare.away == pytest.approx(180, abs=10)
    assert glare.half_width is not None
    assert 30 < glare.half_width <= 40


def test_how_sure_the_hours_are_is_on_the_sheet() -> None:
    brief = brief_of(CALM)
    assert "of 100 weathers" not in sheet_text(sheet_for(brief))
    for share, told in ((0.789, "flown in 78 of 100 weathers"), (None, "is NOT KNOWN")):
        chances = SimpleNamespace(session=lambda start, end, s=share: s, kind="error model")
        text = sheet_text(sheet_for(replace(brief, chances=chances)))  # type: ignore[arg-type]
        assert told in " ".join(text.split())


def test_the_demonstrations_sheet_tells_its_chance(wx: Run) -> None:
    code, out, err = wx("sheet", "--demo", "--reports", "--budget", "10")
    assert code == 0, err
    assert re.search(r"Chance +flown in \d\d of 100 weathers \(error model\)", out)


# ---------------------------------------------------------------------- the command


def test_sheet_of_the_demonstration(wx: Run) -> None:
    code, out, _ = wx("sheet", "--demo")
    assert code == 0
    assert "WEATHER: GO   Tue 15 Sep 10:00-12:00 BST" in out
    assert "INVENTED DEMONSTRATION" in out
    assert len(out.splitlines()) <= 52  # one page of A4 at 10 point has over 60
    code, out, _ = wx("sheet", "--demo", "--units", "mph", "--clock", "12")
    assert "10:00 am" in out
    assert "mean above 7.9 mph" in out  # 3.547 m/s is 7.935 mph


HOURS = [
    (["--from", "10:00"], "WEATHER: GO   Tue 15 Sep 10:00-11:00"),
    (["--from", "10:15", "--to", "11:45"], "WEATHER: GO   Tue 15 Sep 10:15-11:45"),
    (["--from", "11:00", "--to", "12:01"], "WEATHER: MARGINAL"),
    (["--from", "14:00"], "NO FLYING: WEATHER NO-GO"),
    (["--from", "05:00"], "NO FLYING: WEATHER NO-GO   Wed 16 Sep"),
    (["--from", "2026-09-15T10:00", "--to", "2026-09-15T11:00"], "WEATHER: GO"),
    (["--minimum", "8"], "NO FLYING"),
]


def test_hours_of_the_command(wx: Run) -> None:
    for words, banner in HOURS:  # one test, so that the stored hours serve all of them
        code, out, err = wx("sheet", "--demo", *words)
        assert code == 0, err
        assert banner in out, words


REFUSED = [
    "--from 25:00", "--from x", "--to 10:00", "--from 2026-09-15T10:00 --to 2026-09-15T10:00",
    "--from 2026-09-15T10:00 --to 2026-09-15T09:00", "--from 2027-01-01T10:00", "--radius 20",
    "--radius -5m", "--radius 5kg", "--radius 0m", "--out sheet.pdf", "--out sheet",
    "--out /nowhere/at/all/sheet.txt", "--from 10:00 --calendar x.ics", "--from 10:-5",
    "--from 10:00:00:00", "--calendar /nowhere/at/all/x.ics",
]  # fmt: skip


def test_what_the_command_refuses(wx: Run) -> None:
    for words in REFUSED:
        code, out, err = wx("sheet", "--demo", *words.split())
        assert code == 2, (words, out)
        assert err.startswith("wxgate:"), words
        assert "GO" not in out or "calendar" in words, words


@pytest.mark.parametrize("ending", ["txt", "html"])
def test_a_file_of_the_command(wx: Run, tmp_path: Path, ending: str) -> None:
    file = tmp_path / f"sheet.{ending}"
    code, out, _ = wx("sheet", "--demo", "--out", file)
    assert code == 0
    assert "WEATHER: GO" in out
    content = file.read_text(encoding="utf-8")
    assert "WEATHER: GO" in content
    if ending == "html":
        check_page(content)
    assert [p.name for p in tmp_path.iterdir()] == [file.name]


def test_calendar_of_the_command(wx: Run, tmp_path: Path) -> None:
    file = tmp_path / "fly.ics"
    _, out, _ = wx("sheet", "--demo", "--calendar", file)
    assert out.endswith("event new\n")
    first = file.read_bytes()
    _, out, _ = wx("sheet", "--demo", "--calendar", file)
    assert out.endswith("nothing has changed\n")
    assert file.read_bytes() == first
    _, out, _ = wx("sheet", "--demo", "--calendar", file, "--minimum", "8")
    assert out.endswith("event cancelled\n")
    assert b"STATUS:CANCELLED" in file.read_bytes()
    assert b"SEQUENCE:1" in file.read_bytes()
    assert b"BEGIN:VALARM" not in file.read_bytes()


def test_lessons_in_parts_of_hours_take_whole_hours() -> None:
    brief = brief_of(CALM)
    start = brief.hours[0].start + timedelta(minutes=15)
    limits = day_limits(brief, start, start + timedelta(minutes=50))
    assert len(limits.hours) == 2
