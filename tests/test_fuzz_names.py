"""Contract: no name, note or reason can break out of a page, a sheet, a mail, a text or JSON.

Names of sites, aircraft, pilots and rules, credits and notes come from files and servers. Whatever
they hold, a page has the very tags and attributes that it has with plain names, and nothing in it
hides or turns the line about. Long runs by hand: ``WXGATE_FUZZ=50``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from email.message import EmailMessage
from functools import cache
from html.parser import HTMLParser
from unittest.mock import patch

import page_briefs
import pytest
import test_mail_message
from fuzzing import examples
from hypothesis import given
from hypothesis import strategies as st

from wxgate import places
from wxgate.brief import Brief, make_brief
from wxgate.cli.terminal import visible
from wxgate.daylimits import day_limits
from wxgate.profiles import Pilot, known_aircraft
from wxgate.report.json import brief_json
from wxgate.report.lessonsheet import sheet_html, sheet_of, sheet_text
from wxgate.report.mail import trial_mail
from wxgate.report.page import page_html
from wxgate.report.text import brief_text
from wxgate.rulebook import Practice, load_rulebook
from wxgate.strictyaml.characters import is_hidden

pytestmark = pytest.mark.contract

NASTY = [
    "<script>alert(1)</script>", "</style><script>x</script>", "</title><svg onload=x>", "]]>",
    '"><img src=x onerror=x>', "' onmouseover='x", "&lt;&#60;&amp;", "{{ 7 * 7 }}{% raw %}",
    "<!-- -->", "-->", "javascript:alert(1)", "}body{display:none}", "url(http://x)", "\\3c script",
    "\u202egnp.exe", "\u2066\u2069\u200b\ufeff", "\x1b]0;x\x07", "\0", "\r\nBcc: a@example.org",
    "\r\n\r\nbody", "=?utf-8?b?R08=?=", "GO: every hour", "\ud800", "\U000e0041", "a" * 3000,
    "%0d%0aX: y", "\u2028\u2029", "`${x}`", "﹤script﹥", "＜script＞", "\x7f\x85",
]  # fmt: skip
names = st.one_of(
    st.sampled_from(NASTY),
    st.tuples(st.sampled_from(NASTY), st.text(max_size=20), st.sampled_from(NASTY)).map("".join),
    st.text(min_size=1, max_size=60),
)


@cache
def plain_brief() -> Brief:
    return page_briefs.long_day()


@cache
def practice() -> Mapping[str, Practice]:
    """The figures of the field that ship."""
    return load_rulebook([places.shipped("rules") / "practice"], aircraft=known_aircraft(
        [places.shipped("rules") / "aircraft"])).practice  # fmt: skip


def named(name: str) -> Brief:
    """The brief with this for every name that it tells."""
    found = plain_brief()
    origins = tuple(
        replace(p, title=name, credit=name, place=name, licence=name, notes=(name,))
        for p in found.provenance
    )
    weather = replace(found.forecast, provenance=origins).with_notes(name, f"note {name}")
    rules = tuple(replace(r, because=name, source=name) for r in page_briefs.BOOK.rules)
    book = replace(page_briefs.BOOK, name=name, rules=rules, loosened=(name,), practice=practice())
    return make_brief(
        [weather], book,
        site=replace(found.site, name=name), aircraft=replace(found.aircraft, id=name, name=name),
        pilot=Pilot(id=name, name=name, skill=found.pilot.skill), height=found.height,
        now=found.now, hours=12,
    )  # fmt: skip


class Skeleton(HTMLParser):
    """The tags of a page with the names of their attributes, and no text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, ...]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, *(key for key, _ in attrs)))
        for key, value in attrs:
            assert not key.startswith("on")
            assert key not in {"href", "src"} or (value or "").startswith(("#", "data:,", "cid:"))

    def handle_comment(self, data: str) -> None:
        raise AssertionError("a comment")

    def handle_decl(self, decl: str) -> None:
        assert decl.lower() == "doctype html"


def nothing_hides(text: str) -> None:
    hidden = {c for c in text if c not in "\n\u2060" and is_hidden(c)}
    assert not hidden, hidden
    text.encode("utf-8")


@cache
def tags_of_the_page() -> list[tuple[str, ...]]:
    return Skeleton(page_html(named("plain"))).tags


@examples(25)
@given(name=names)
def test_a_page_has_the_same_tags_whatever_the_names(name: str) -> None:
    text = page_html(named(name))
    assert Skeleton(text).tags == tags_of_the_page()
    nothing_hides(text)


@examples(40)
@given(name=names)
def test_a_sheet_has_the_same_tags_whatever_the_names(name: str) -> None:
    def sheet(shown: str) -> tuple[str, str]:
        found = named(shown)
        window = found.window
        limits = None if window is None else day_limits(found, window.start, window.end)
        one = sheet_of(found, limits, title=shown if len(shown) % 2 else "")
        return sheet_html(one), sheet_text(one)

    html, text = sheet(name)
    assert Skeleton(html).tags == Skeleton(sheet("plain")[0]).tags
    nothing_hides(html)
    assert "DO NOT FLY" in html or plain_brief().grade.word in {"go", "marginal"}
    assert all(len(line) <= 80 for line in text.splitlines()), text


@examples(40)
@given(name=names)
def test_text_and_json_whatever_the_names(name: str) -> None:
    found = named(name)
    shown = visible(brief_text(found))
    assert not any(is_hidden(c) for c in shown if c != "\n")
    heads = [line for line in shown.splitlines() if line.startswith(("GO:", "NO-GO:", "UNKNOWN:"))]
    assert len(heads) <= 1, heads
    again = json.loads(json.dumps(brief_json(found), allow_nan=False))
    assert [h["grade"] for h in again["hours"]] == [h.grade.word for h in found.hours]


@examples(25)
@given(name=names)
def test_a_mail_has_the_headers_that_we_give_it(name: str) -> None:
    seen = test_mail_message.seen(named(name))
    with patch("wxgate.report.plots.inline_png", lambda *_, **__: b"invented"):
        raw = test_mail_message.mail_of(seen, note=name)
    message = test_mail_message.read(raw)
    assert isinstance(message, EmailMessage)
    html = message.get_body(("html",))
    assert html is not None
    Skeleton(html.get_content())
    trial = trial_mail(
        "pilot@example.org", [name], sender="wxgate@example.org",
        now=test_mail_message.NOW, message_id=test_mail_message.ID,
    ).as_bytes()  # fmt: skip
    assert {line.split(b":")[0] for line in trial.split(b"\r\n\r\n")[0].splitlines()
            if not line.startswith(b" ")} <= {h.encode() for h in
            (*test_mail_message.HEADERS, "Content-Transfer-Encoding")}  # fmt: skip
