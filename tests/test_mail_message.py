"""Contract: the mail as the standard library reads it back, and names that try to break out.

The names are invented attacks: header injection (CR and LF in every spelling), quotes, HTML,
letters of other scripts, and text that turns its direction.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from unittest.mock import patch
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from watch_world import GradeOf, brief, utc

from wxgate.brief import Brief
from wxgate.cli import session
from wxgate.cli.prepare import prepare
from wxgate.report.display import make_display
from wxgate.report.mail import news_mail
from wxgate.report.panels import wind_panel
from wxgate.report.words import CAUTIONS
from wxgate.strictyaml import Place
from wxgate.verdict import Grade
from wxgate.watch.config import LocalSlot, Send, Watch
from wxgate.watch.due import Due, Past, Seen, due
from wxgate.watch.readers import Named

pytestmark = pytest.mark.contract

NOW = utc("2026-09-15T05:00")
PLACE = Place("watch.yaml", 1, 1)
ID = "<0123456789abcdef@example.org>"
HEADERS = {"Subject", "From", "To", "Date", "Message-ID", "Auto-Submitted", "MIME-Version",
           "Content-Type"}  # fmt: skip


@pytest.fixture(scope="module")
def demo() -> Brief:
    return prepare(
        site=None, lat=None, lon=None, zone="UTC", aircraft=None, pilot=None, height="60 m",
        hours=36, minimum=1, at=None, rules=None, forecast=None, sources=None, demo=True,
        offline=False,
    )  # fmt: skip


def seen(found: Brief | None, **more: object) -> Seen:
    from datetime import time

    slots = (LocalSlot(frozenset({1}), time(10), time(12)),)
    facts: dict[str, object] = {
        "id": "w", "site": Named("demo-field", PLACE), "aircraft": Named("light-249g", PLACE),
        "pilot": Named("novice", PLACE), "height": 60.0, "hours": 36,
        "to": ("pilot@example.org",), "send": Send(change=True), "slots": slots,
    }  # fmt: skip
    watch = Watch(**(facts | more))  # type: ignore[arg-type]
    return Seen(
        watch,
        "w/0",
        ZoneInfo("Europe/London"),
        found,
        "" if found else "invented fault.",
        found.site.name if found else "",
    )


def mail_of(*seens: Seen, now: object = NOW, note: str = "", display: object = None) -> bytes:
    items = []
    for one in seens:
        new: Due = due(one, Past(NOW - timedelta(days=1), NOW), NOW, timedelta(hours=6))
        assert new.news
        items.append((one, new.news))
    message = news_mail(
        "pilot@example.org", items, sender="wxgate@example.org", now=NOW, message_id=ID,
        note=note, displays={} if display is None else {"w": display},
    )  # type: ignore[dict-item]  # fmt: skip
    return message.as_bytes()


def read(raw: bytes) -> EmailMessage:
    assert raw.isascii(), "any server takes it"
    assert all(len(line) <= 998 for line in raw.split(b"\r\n"))
    assert b"\n" not in raw.replace(b"\r\n", b"")
    message = message_from_bytes(raw, policy=default)
    assert isinstance(message, EmailMessage)
    for part in message.walk():
        assert not part.defects
    assert set(message.keys()) == HEADERS
    assert all(not header.defects for header in message.values())
    assert str(message["To"]) == "pilot@example.org"
    return message


def subject_of(message: EmailMessage) -> str:
    return str(message["Subject"])


def plain(message: EmailMessage) -> str:
    return message.get_body(("plain",)).get_content()  # type: ignore[union-attr]


def test_the_parts_and_the_text_alone(demo: Brief) -> None:
    message = read(mail_of(seen(demo)))
    kinds = [part.get_content_type() for part in message.walk()]
    assert kinds == [
        "multipart/mixed", "multipart/alternative", "text/plain", "multipart/related",
        "text/html", "image/png", "text/calendar",
    ]  # fmt: skip
    assert subject_of(message).startswith("GO Tue 15 Sep 10:00-12:00 BST, Hollin Meadow")
    text = plain(message)
    assert text.startswith("GO Tue 15 Sep 10:00-12:00 BST")  # the verdict
    assert "GO: Tue 15 Sep 10:00-12:00 BST (2 h)" in text  # the window
    assert "strongest gust up to flight height 6.9" in " ".join(text.split())  # the reason
    assert "first verdict" in " ".join(text.split())  # what changed
    assert "run 15 Sep 00Z, 5 h old" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80


def test_every_header_begins_on_the_line_of_its_name(light: Brief) -> None:
    """Some programs show no subject at all where its first line is empty."""
    for length in range(1, 61):
        with patch("wxgate.report.plots.inline_png", lambda *_, **__: b"invented"):
            raw = mail_of(seen(named(light, "x" * length)))
        head = raw.split(b"\r\n\r\n")[0].split(b"\r\n")
        assert not [line for line in head if re.fullmatch(rb"[A-Za-z-]+:", line)], length
        assert subject_of(read(raw)).endswith(f"{'x' * length}: first verdict")


def test_the_cautions_stand_in_every_mail_about_weather(demo: Brief) -> None:
    from datetime import time

    for one in (seen(demo), seen(None, send=Send(at=(time(6),)))):
        message = read(mail_of(one))
        html = message.get_body(("html",)).get_content()  # type: ignore[union-attr]
        for caution in CAUTIONS:
            assert plain(message).count(caution) == 1
            assert unescape(html).count(caution) == 1
        assert "Sent by wxgate, watch w." in plain(message)
        assert "Sent by wxgate, watch w." in html


def test_the_plot_is_inline_and_named_by_the_page(demo: Brief) -> None:
    message = read(mail_of(seen(demo)))
    png = next(part for part in message.walk() if part.get_content_type() == "image/png")
    assert png.get_content().startswith(b"\x89PNG\r\n\x1a\n")
    html = message.get_body(("html",)).get_content()  # type: ignore[union-attr]
    assert f'src="cid:{png["Content-ID"][1:-1]}"' in html
    assert "http" not in html.replace("<!DOCTYPE html>", "").lower(), "nothing is fetched"


def test_the_plot_is_told_in_words_with_its_band(demo: Brief) -> None:
    html = read(mail_of(seen(demo))).get_body(("html",)).get_content()  # type: ignore[union-attr]
    [alt] = re.findall(r'alt="([^"]*)"', html)
    assert unescape(alt).endswith(wind_panel(demo).told)
    assert "8 of 10 weathers" in alt


def test_the_calendar_part_is_read_by_a_library(demo: Brief) -> None:
    import icalendar

    message = read(mail_of(seen(demo)))
    part = next(part for part in message.walk() if part.get_content_type() == "text/calendar")
    assert part["Content-Type"].params["method"] == "PUBLISH"
    (event,) = icalendar.Calendar.from_ical(part.get_content()).walk("VEVENT")
    assert event.decoded("dtstart") == utc("2026-09-15T09:00")
    assert event.decoded("dtend") == utc("2026-09-15T11:00")
    assert event["status"] == "CONFIRMED"
    assert "Told Tue 15 Sep 06:00 BST" in event["description"]
    assert all(caution in event["description"] for caution in CAUTIONS)
    again = news_mail_uid(demo)
    assert event["uid"] == again, "a later mail updates the event"


def news_mail_uid(demo: Brief) -> str:
    import icalendar

    part = next(
        p for p in read(mail_of(seen(demo))).walk() if p.get_content_type() == "text/calendar"
    )
    return str(icalendar.Calendar.from_ical(part.get_content()).walk("VEVENT")[0]["uid"])


@pytest.mark.parametrize("window", [False, True])
def test_a_mail_at_a_fixed_time_makes_an_event_only_where_its_end_is_told(
    demo: Brief, window: bool
) -> None:
    """Without ``window`` nobody would take it back when the weather turns."""
    from datetime import time

    at_six = seen(demo, send=Send(at=(time(6),), window=window), slots=())
    kinds = [part.get_content_type() for part in read(mail_of(at_six)).walk()]
    assert ("text/calendar" in kinds) is window


def test_no_calendar_where_nothing_can_be_flown(demo: Brief) -> None:
    shut = replace(
        demo, hours=tuple(replace(v, grade=Grade.NO_GO) for v in demo.hours), window=None
    )
    message = read(mail_of(seen(shut)))
    assert "text/calendar" not in [part.get_content_type() for part in message.walk()]
    assert subject_of(message).startswith("NO-GO")


def test_without_a_verdict_the_mail_says_so() -> None:
    from datetime import time

    message = read(mail_of(seen(None, send=Send(at=(time(6),)))))
    assert subject_of(message) == "NO VERDICT, demo-field: the forecast could not be had"
    assert "Do not fly on an earlier verdict" in " ".join(plain(message).split())
    assert "invented fault" in plain(message)
    assert "GO " not in plain(message)


def test_a_twelve_hour_clock_and_other_units(demo: Brief) -> None:
    text = plain(read(mail_of(seen(demo), display=make_display("mph", "12"))))
    assert "10:00 am" in text
    assert "mph" in text
    assert "m/s" not in text.split("-" * 20)[0]


NASTY = [
    "Field\r\nBcc: everyone@example.org",
    "Field\nSubject: GO all day",
    "Field\r\n\r\n<html>body",
    'The "Old" Field, \\ with; everything: <here>',
    "Поле у реки, 河边, Größe, 🛩",
    "<script>alert(1)</script><img src=http://example.org/x>",
    "=?utf-8?q?GO_all_day?=",
    "\u202eDLEIF\u202c\u200b\x00\x1b[31m\x85\u2028 x",
    "x" * 5000,
    "%s {0} ${x}",
]


def named(demo: Brief, name: str) -> Brief:
    return replace(demo, site=replace(demo.site, name=name))


@pytest.mark.parametrize("name", NASTY)
def test_a_name_cannot_break_out(demo: Brief, name: str) -> None:
    check_name(demo, name)


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.add(tag)
        assert all(not key.startswith("on") for key, _ in attrs)
        if tag == "img":
            assert dict(attrs)["src"] == "cid:plot@wxgate"


def check_name(demo: Brief, name: str) -> None:
    message = read(mail_of(seen(named(demo, name)), note=name))
    subject = subject_of(message)
    assert subject.startswith("GO Tue 15 Sep")
    assert "\n" not in subject + "\r"[1:]
    assert len(subject) < 300
    tags = Tags()
    tags.feed(message.get_body(("html",)).get_content())  # type: ignore[union-attr]
    assert tags.found <= {"html", "head", "meta", "title", "body", "p", "b", "img", "pre"}
    if "Поле" in name or '"Old"' in name:
        assert name[:20] in subject, "what is harmless is shown as it is"


@pytest.fixture(scope="module")
def light() -> Brief:
    cast = session.find_cast(
        session.find_site("demo-field", None, None, "UTC", demo=False), "light-249g", "novice",
        demo=False,
    )  # fmt: skip
    go: GradeOf = lambda _: Grade.GO  # noqa: E731
    return brief(cast, NOW, 36, go)


@settings(max_examples=60, deadline=None)
@given(name=st.text(st.characters(codec="utf-8"), min_size=1, max_size=200))
def test_no_name_breaks_out(light: Brief, name: str) -> None:
    with patch("wxgate.report.plots.inline_png", lambda *_, **__: b"invented"):
        check_name(light, name)


def test_many_watches_make_one_readable_mail(demo: Brief) -> None:
    many = [replace(seen(demo), prefix=f"w{n}/0") for n in range(30)]
    many = [replace(s, watch=replace(s.watch, id=f"w{n}")) for n, s in enumerate(many)]
    message = read(mail_of(*many))
    assert subject_of(message).endswith("(and 29 more)")
    assert plain(message).count("wxgate: Hollin") == 4
    assert len(plain(message).splitlines()) < 220


def test_the_mail_holds_nothing_of_the_machine(demo: Brief) -> None:
    raw = mail_of(seen(demo))
    assert str(Path.home()).encode() not in raw or str(Path.home()) == "/"
