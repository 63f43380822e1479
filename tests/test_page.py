"""Contract: the page as a file, read with a strict parser of HTML and held against the brief."""

from __future__ import annotations

import io
import itertools
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import html5lib
import numpy as np
import page_briefs
import pytest

from wxgate.brief import Brief
from wxgate.report.display import Display, Units
from wxgate.report.page import page_html
from wxgate.report.page.svg import nice, stretches
from wxgate.report.panels import panels
from wxgate.report.plots import MOST_BYTES, inline_png

pytestmark = pytest.mark.contract

BRIEFS = [page_briefs.holes, page_briefs.ten_days, page_briefs.long_day, page_briefs.short_day,
          page_briefs.disputed, page_briefs.unknown, page_briefs.hostile]  # fmt: skip
each_brief = pytest.mark.parametrize("make", BRIEFS, ids=lambda f: f.__name__)
Make = Callable[[], Brief]
Result = tuple[int, str, str]
SVG = "{http://www.w3.org/2000/svg}"
H = "{http://www.w3.org/1999/xhtml}"


@cache
def tree(make: Make) -> ET.Element:
    """The page as a tree; the parser refuses whatever HTML does not allow."""
    parser = html5lib.HTMLParser(html5lib.getTreeBuilder("etree"), strict=True)
    return parser.parse(page_html(make()))


def words(element: ET.Element) -> str:
    """The text of an element, spaces made one."""
    return " ".join("".join(element.itertext()).split())


def by_class(element: ET.Element, name: str) -> list[ET.Element]:
    return [e for e in element.iter() if name in e.get("class", "").split()]


def cells(make: Make) -> list[ET.Element]:
    return [li for ol in by_class(tree(make), "strip") for li in ol]


# ---------------------------------------------------------------------- a file whole in itself


@each_brief
def test_nothing_is_loaded_and_no_script_can_run(make: Make) -> None:
    page = tree(make)
    names = {e.tag.rpartition("}")[2] for e in page.iter() if isinstance(e.tag, str)}
    assert not names & {"script", "img", "iframe", "object", "embed", "form", "base", "image"}
    for e in page.iter():
        for key, value in e.attrib.items():
            name = key.rpartition("}")[2]
            assert not name.startswith("on"), f"{name} runs a script"
            assert name != "style", "the policy lets no inline style in"
            if name in {"src", "href", "data", "action", "srcset"}:
                assert value.startswith("#") or value == "data:,", value
    style = "".join(s.text or "" for s in page.iter(f"{H}style"))
    assert not re.search(r"url\(|@import|expression", style)
    policy = next(
        m.get("content", "") for m in page.iter(f"{H}meta")
        if m.get("http-equiv") == "Content-Security-Policy"
    )  # fmt: skip
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy


def test_every_text_is_escaped() -> None:
    page = tree(page_briefs.hostile)
    shown = words(page)
    assert shown.count(page_briefs.HOSTILE) >= 6, "name, aircraft, pilot, note, rule, credit"
    assert page_briefs.HOSTILE not in page_html(page_briefs.hostile())


def test_letters_that_cannot_be_seen_are_written_out() -> None:
    made = page_briefs.long_day()
    turned = "field\x1b[2J\u202egnp.exe\x00\ud800"
    text = page_html(replace(made, site=replace(made.site, name=turned)))
    text.encode("utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    assert r"field\x1b[2J\u202egnp.exe\x00\ud800" in text
    assert not set(text) & set("\x1b\u202e\x00")


@each_brief
def test_links_lead_somewhere_and_ids_are_single(make: Make) -> None:
    page = tree(make)
    ids = [e.get("id") for e in page.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    pointed = [
        v for e in page.iter() for k, v in e.attrib.items()
        if k.rpartition("}")[2] == "href" and v.startswith("#")
    ]  # fmt: skip
    named = [n for e in page.iter() for n in e.get("aria-labelledby", "").split()]
    assert pointed
    assert {p[1:] for p in pointed} | set(named) <= set(ids)


@each_brief
def test_headings_and_landmarks_in_order(make: Make) -> None:
    page = tree(make)
    levels = [int(e.tag[-1]) for e in page.iter() if re.fullmatch(rf"{H}h[1-6]", str(e.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels)), "none is left out"
    for name in ("header", "main", "footer"):
        assert len(list(page.iter(H + name))) == 1
    assert next(page.iter(f"{H}html")).get("lang") == "en"


# ---------------------------------------------------------------------- what the brief says


@each_brief
def test_every_hour_stands_in_the_strip_and_opens(make: Make) -> None:
    made, page = make(), tree(make)
    found = [words(by_class(li, "word")[0]) for li in cells(make)]
    assert found == [v.grade.word for v in made.hours]
    opened = [d for d in page.iter(f"{H}details") if by_class(d, "at")]
    assert [words(by_class(d, "word")[0]) for d in opened] == found
    for detail, verdict in zip(opened, made.hours, strict=True):
        rows = [tr for body in detail.iter(f"{H}tbody") for tr in body]
        assert len(rows) == len(verdict.reasons)
        told = {re.split(r"[:\s]", words(by_class(r, "rule")[0]))[0] for r in rows}
        assert told == {r.rule for r in verdict.reasons}


@each_brief
def test_verdict_and_reason_stand_on_top(make: Make) -> None:
    made = make()
    verdict = by_class(tree(make), "verdict")[0]
    assert words(by_class(verdict, "big")[0]) == made.grade.word.upper()
    assert "Why:" in words(verdict)
    shapes = by_class(verdict, "big")[0].iter(f"{SVG}use")
    assert [u.get("{http://www.w3.org/1999/xlink}href") or u.get("href") for u in shapes] == [
        f"#shape-{made.grade.word}"
    ]


def test_a_day_of_25_hours_and_one_of_23() -> None:
    # 25 October and 29 March 2026, Europe/London (SI 2002/262; see page_briefs).
    tz = ZoneInfo("Europe/London")
    for make, hours in ((page_briefs.long_day, 25), (page_briefs.short_day, 23)):
        made = make()
        marks = [words(by_class(li, "at")[0]) for li in cells(make)]
        assert len(marks) == hours
        assert [m[:2] for m in marks] == [f"{v.start.astimezone(tz):%H}" for v in made.hours]
        assert "the clocks change" in words(tree(make))
    twice = [words(by_class(li, "at")[0]) for li in cells(page_briefs.long_day)][1:3]
    assert twice == ["01 BST", "01 GMT"]


def test_disputed_hours_are_marked_and_told() -> None:
    made = page_briefs.disputed()
    marked = [bool(by_class(li, "split")) for li in cells(page_briefs.disputed)]
    assert marked == [v.disputed for v in made.hours]
    assert any(marked)
    assert "calm model, rough model disagree" in words(tree(page_briefs.disputed))
    assert "calm model says go, rough model says marginal" in words(tree(page_briefs.disputed))


def test_what_is_missing_is_named_on_top() -> None:
    text = words(by_class(tree(page_briefs.holes), "verdict")[0])
    assert re.search(r"Missing:.*visibility \(37 h from Mon 1 Jun 07:00\)", text)
    assert "gust at flight height (8 h from Mon 1 Jun 16:00)" in text
    assert "Missing: in all hours the forecast" in words(tree(page_briefs.unknown))


# ---------------------------------------------------------------------- plots


def figures(make: Make) -> list[ET.Element]:
    return list(tree(make).iter(f"{H}figure"))


def scale(plot: ET.Element) -> Callable[[float], float]:
    """From the height in a plot to the number, by the marks on the plot's own axis."""
    marks = [
        (float(t.get("y", "")) - 3.5, float(t.text or ""))
        for t in by_class(plot, "tick") if t.get("text-anchor") == "end"
    ]  # fmt: skip
    (y1, v1), (y2, v2) = marks[0], marks[-1]
    return lambda y: v1 + (y - y1) * (v2 - v1) / (y2 - y1)


def points(plot: ET.Element, kind: str) -> Iterator[list[tuple[float, float]]]:
    for line in by_class(plot, kind):
        if line.tag == f"{SVG}polyline":
            pairs = [p.split(",") for p in line.get("points", "").split()]
            yield [(float(x), float(y)) for x, y in pairs]


def test_the_lines_are_the_numbers_of_the_forecast() -> None:
    made = page_briefs.long_day()
    gusts = made.forecast.fields["gust_at_flight_height"].values
    drawing = by_class(figures(page_briefs.long_day)[0], "plot")[0]
    [line] = points(drawing, "l0")
    number = scale(drawing)
    assert len(line) == 26, "both ends of 25 hours"
    assert [number(y) for _, y in line] == pytest.approx(list(gusts), abs=0.02)


def test_gaps_are_gaps() -> None:
    made = page_briefs.holes()
    drawing = by_class(figures(page_briefs.holes)[0], "plot")[0]
    pieces = list(points(drawing, "l0"))
    assert len(pieces) == 2, "before and behind the hole"
    gaps = [(float(r.get("x", "")), float(r.get("width", ""))) for r in by_class(drawing, "gap")]
    for piece in pieces:
        for x, width in gaps:
            assert piece[-1][0] <= x + 0.1 or piece[0][0] >= x + width - 0.1
    values = made.forecast.fields["gust_at_flight_height"].values
    assert sum(len(p) for p in pieces) == int(np.isfinite(values).sum())
    for e in drawing.iter(f"{SVG}desc"):
        assert "missing in 11 h from Mon 1 Jun 16:00" in words(e)


@each_brief
def test_every_plot_has_words_for_those_who_do_not_see_it(make: Make) -> None:
    found = figures(make)
    assert len(found) == 9
    for figure, panel in zip(found, panels(make()), strict=True):
        drawing = by_class(figure, "plot")[0]
        assert drawing.get("role") == "img"
        desc = words(next(drawing.iter(f"{SVG}desc")))
        assert panel.told in desc
        assert panel.limits in desc
        assert re.search(r"largest|smallest|missing in all hours", desc)


def test_limits_are_those_that_graded() -> None:
    made, held = page_briefs.ten_days(), 0
    for panel in panels(made):
        for level in panel.levels:
            used = {
                r.limit for v in made.hours for r in v.reasons
                if r.quantity == level.name and r.limit_grade is level.grade
            }  # fmt: skip
            for limit in used:
                number = level.number * (1000 if panel.unit == "km" else 1)
                assert number == pytest.approx(limit)
                held += 1
    assert held >= 10, "gust, wind, rain, visibility, cloud, sun and K index"


def test_runs_and_round_numbers() -> None:
    assert stretches(np.array([True, True, False, True])) == [(0, 2), (3, 4)]
    assert stretches(np.zeros(3, bool)) == []
    assert nice(0, 10) == [0, 2.5, 5, 7.5, 10]
    assert nice(-15, 42) == [0, 20, 40]


@each_brief
def test_the_picture_for_mail_is_small_and_told(make: Make) -> None:
    from PIL import Image

    content = inline_png(make())
    assert len(content) <= MOST_BYTES
    with Image.open(io.BytesIO(content)) as picture:
        assert picture.format == "PNG"
        assert 500 <= picture.width <= 800
        told = str(picture.info["Title"])
    assert told == panels(make())[0].told


def test_the_picture_needs_no_screen_and_no_pyplot() -> None:
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r}); import page_briefs;"
        "from wxgate.report.plots import inline_png; inline_png(page_briefs.long_day());"
        "print('matplotlib.pyplot' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


# ---------------------------------------------------------------------- other units and clocks


def test_units_and_clock_of_the_reader() -> None:
    text = page_html(page_briefs.long_day(), display=Display(Units.MPH, twelve=True))
    assert "mph" in text
    assert "m/s" not in text
    assert "12:00 noon" in text
    assert not re.search(r"\b(1[3-9]|2[0-3]):00", text)


# ---------------------------------------------------------------------- the command


def test_the_command_writes_the_page(wx: Callable[..., Result], tmp_path: Path) -> None:
    file = tmp_path / "brief.html"
    code, out, err = wx("page", "--demo", "--out", file)
    assert (code, err) == (0, "")
    assert str(file) in out
    assert "GO: Tue 15 Sep 10:00-12:00 BST" in out
    text = file.read_text(encoding="utf-8")
    assert "Invented demonstration forecast" in text
    html5lib.HTMLParser(strict=True).parse(text)
    assert [p.name for p in tmp_path.iterdir()] == ["brief.html"], "nothing half-written is left"


def test_a_path_that_cannot_be_written_gives_one_sentence(
    wx: Callable[..., Result], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    code, _, err = wx("page", "--demo", "--out", tmp_path)
    assert (code, err.count("\n")) == (2, 1)
    assert "a folder or a device, not a file" in err
    code, _, err = wx("page", "--demo", "--out", "/dev/null")
    assert (code, err.count("\n")) == (2, 1)
    assert "a folder or a device, not a file" in err
    code, _, err = wx("page", "--demo", "--out", tmp_path / "no" / "brief.html")
    assert (code, err.count("\n")) == (2, 1)
    assert "its folder is not there" in err
    old = tmp_path / "old.html"
    old.write_text("the old page")

    def full(descriptor: int) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(os, "fsync", full)
    code, _, err = wx("page", "--demo", "--out", old)
    assert (code, err.count("\n")) == (2, 1)
    assert "No space left" in err
    assert old.read_bytes() == b"the old page"
    assert [p.name for p in tmp_path.iterdir()] == ["old.html"]


def test_bad_words_are_told_as_by_the_brief(wx: Callable[..., Result], tmp_path: Path) -> None:
    out = ("--out", tmp_path / "x.html")
    assert wx("page", *out)[0] == 2
    assert wx("page", "--demo", "--pilot", "novise", *out)[0] == 2
    assert wx("page", "--demo", "--units", "furlongs", *out)[0] == 2
    assert wx("page", "--demo")[0] == 2
    assert not (tmp_path / "x.html").exists()


def test_the_tour_walks_through_and_needs_nobody(wx: Callable[..., Result], tmp_path: Path) -> None:
    code, out, err = wx("demo", "--out", tmp_path)
    assert (code, err) == (0, "")
    assert max(map(len, out.splitlines())) <= max(80, len(str(tmp_path)) + 11)
    assert [n for n in "12345" if f"\n{n}. " in "\n" + out] == list("12345")
    assert wx("brief", "--demo")[1] in out
    assert (tmp_path / "brief.html").read_text().startswith("<!DOCTYPE html>")
    told = re.findall(r"^wxgate (\w+)", out, re.M)
    from wxgate.cli.main import COMMANDS

    assert set(told) <= set(COMMANDS)


def test_every_command_is_offered_for_completion() -> None:
    from wxgate.cli.main import COMMANDS

    code = "import sys; sys.argv = ['wxgate']; from wxgate.cli.main import run; run()"

    def complete(*line: str) -> str:
        env = {**os.environ, "_WXGATE_COMPLETE": "complete_bash", "COMP_WORDS": " ".join(line),
               "COMP_CWORD": str(len(line) - 1)}  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-c", code], env=env, capture_output=True, text=True, check=False
        )
        return done.stdout

    assert set(COMMANDS) <= set(complete("wxgate", "").split())
    assert {"--units", "--json", "--exit-verdict"} <= set(complete("wxgate", "brief", "--").split())


def test_the_page_ships_with_its_template_style_and_schema() -> None:
    import wxgate.report

    folder = Path(wxgate.report.__file__).parent
    for name in ("page/page.html.j2", "page/page.css", "brief.schema.json"):
        assert (folder / name).is_file()
    top = Path(__file__).resolve().parents[1]
    shipped = ["wxgate/report/page/page.css", "wxgate/report/page/page.html.j2"]
    left_out = subprocess.run(
        ["git", "check-ignore", *shipped], cwd=top, capture_output=True, text=True, check=False
    )
    assert left_out.stdout == "", "the wheel leaves out what git ignores"


def test_times_are_those_of_the_site() -> None:
    made = page_briefs.long_day()
    tz = ZoneInfo("Europe/London")
    captions = [words(c) for c in tree(page_briefs.long_day).iter(f"{H}caption")]
    for caption, verdict in zip(captions, made.hours, strict=True):
        start: datetime = verdict.start.astimezone(tz)
        end = (verdict.start + timedelta(hours=1)).astimezone(tz)
        plain = caption.replace("\u2060", "")
        assert f"{start:%H:%M}\u2013" in plain
        assert f"{end:%H:%M}" in plain
