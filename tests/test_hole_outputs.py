"""Law: no output shows go for an hour with a hole that matters.

Random worlds with holes (``holes``) as files, through the command line: brief as text and JSON,
page, sheet, calendar, lessons, explanation; and through the watch to a mailbox. Every output is
read as its reader would, and what it calls go is held against the hours that must not be
(``hole_oracle``). A long run by hand: ``WXGATE_HOLES_OUTPUTS=200`` worlds.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import hole_oracle
import numpy as np
import pytest
from hole_digging import spoil
from holes import Worlds, dataset_of, worlds
from smtp_server import MailServer, Taken
from test_holes import RULES, SEED, rulebook
from watch_world import write

from wxgate.cli import watching, watchjob
from wxgate.contract import from_dataset
from wxgate.forecast import to_datetime
from wxgate.profiles import Skill
from wxgate.verdict import Grade

pytestmark = pytest.mark.law

Run = Callable[..., tuple[int, str, str]]
WORLDS = int(os.environ.get("WXGATE_HOLES_OUTPUTS", "3"))
HOUR = timedelta(hours=1)
LENGTH = 15  #: hours of a brief
SITE = """\
site:
  id: here
  name: Anywhere
  latitude: {lat:.4f}
  longitude: {lon:.4f}
  zone: UTC
"""
PILOTS = {Skill.FIRST_FLIGHT: "first-flight", Skill.NOVICE: "novice",
          Skill.INTERMEDIATE: "intermediate", Skill.EXPERIENCED: "experienced"}  # fmt: skip


class Told:
    """What outputs call go: spans of time, and how many hours that is."""

    def __init__(self, must_not: set[datetime]) -> None:
        self.must_not = must_not
        self.go = 0

    def hour(self, start: datetime, where: str) -> None:
        """An output calls this hour go."""
        self.go += 1
        assert start not in self.must_not, (where, start)

    def span(self, start: datetime, end: datetime, where: str) -> None:
        """An output calls this span go."""
        at = start.replace(minute=0, second=0)
        while at < end:
            self.hour(at, where)
            at += timedelta(hours=1)


def chosen(count: int, *, first: int) -> Iterator[tuple[Worlds, int, set[datetime]]]:
    """Worlds with holes and go hours beside them, and the hours that must not be go."""
    found, seed = 0, first
    while found < count:
        seed += 1
        rng = np.random.default_rng(seed)
        spoilt = spoil(rng, worlds(rng, 4))
        if spoilt.run is None or spoilt.now != spoilt.time[3].item().replace(tzinfo=UTC):
            continue  # refused, and of hours that no brief is asked for here
        must_not = hole_oracle.must_not_be_go(spoilt, rulebook(spoilt.law))[:-1]
        for world in range(2):
            if found < count and must_not[:, world].any():
                found += 1
                starts = spoilt.time[:-1][must_not[:, world]]
                yield spoilt, world, {to_datetime(t) for t in starts}


@pytest.fixture
def ask(tmp_path: Path) -> Callable[[Worlds, int], list[object]]:
    """Writes a world's files; the words of a question about it."""

    def words(found: Worlds, world: int) -> list[object]:
        name = f"{len(list(tmp_path.iterdir()))}"
        site, file = tmp_path / f"{name}.yaml", tmp_path / f"{name}.nc"
        lat, lon = float(found.latitude[world]), float(found.longitude[world])
        site.write_text(SITE.format(lat=lat, lon=lon))
        dataset_of(found, world).to_netcdf(file, engine="netcdf4")
        laws = {"": [], "air-quality": ["--rules", RULES / "air-quality.yaml"]}
        law = laws.get(found.law, ["--rules", RULES / f"law/{found.law}.yaml"])
        return [
            "--aircraft", found.aircraft, "--pilot", PILOTS[found.skill],
            "--height", f"{found.height:g} m", "--at", f"{found.now:%Y-%m-%dT%H:%MZ}",
            "--forecast", file, *law, "--hours", LENGTH, site,
        ]  # fmt: skip

    return words


def moment(text: str) -> datetime:
    return datetime.fromisoformat(text.replace("Z", "+00:00")).astimezone(UTC)


def read_json(found: dict[str, Any], told: Told) -> set[datetime]:
    """The go hours of a brief as JSON; its window and grade are held too."""
    hours = {moment(h["start"]) for h in found["hours"] if h["grade"] == "go"}
    for start in hours:
        told.hour(start, "json")
    window = found["window"]
    if window is not None and window["grade"] == "go":
        told.span(moment(window["start"]), moment(window["end"]), "json window")
    assert (found["grade"] == "go") <= bool(hours)
    return hours


#: The word of a window and when, as in "GO: Mon 15 Jun 12:00-18:00 UTC".
WINDOW = re.compile(r"(?<!NO-)\bGO\b\W{1,4}\w{3} (\d+ \w{3}) (\d\d:\d\d)-(?:(\d\d:\d\d)|"
                    r"\w{3} (\d+ \w{3}) (\d\d:\d\d))")  # fmt: skip
#: A row of the strip: the day and its hours, and below them what each is.
STRIP = re.compile(r"^\w{3} +(\d+) *((?: \d\d)+)\n +((?:\S\S ?)+)$", re.M)
#: A cell of the page: its grade, and which hour of the brief it is.
CELL = re.compile(r'<li class="c\d+ g-([a-z-]+)[^"]*"><a href="#hour-(\d+)">')


def read_headline(text: str, now: datetime, told: Told, where: str) -> None:
    """The windows that a text calls GO."""
    for day, begin, end, other_day, other_end in WINDOW.findall(" ".join(text.split())):
        first = datetime.strptime(f"{day} {now:%Y} {begin}", "%d %b %Y %H:%M").replace(tzinfo=UTC)
        until = f"{other_day or day} {now:%Y} {other_end or end}"
        last = datetime.strptime(until, "%d %b %Y %H:%M").replace(tzinfo=UTC)
        first, last = (t.replace(year=t.year + 1) if t < now - timedelta(days=2) else t
                       for t in (first, last))  # fmt: skip
        told.span(first, last if last > first else last + timedelta(days=1), where)


def events(text: str) -> Iterator[tuple[datetime, datetime, str]]:
    """Start, end and title of the events of a calendar file that are not cancelled."""
    import icalendar

    for event in icalendar.Calendar.from_ical(text).walk("VEVENT"):
        if str(event.get("STATUS")) != "CANCELLED":
            start, end = (event.decoded(k).astimezone(UTC) for k in ("DTSTART", "DTEND"))
            yield start, end, str(event["SUMMARY"])


def read_strip(text: str) -> list[str]:
    """What the strip of a text says of each hour."""
    rows = STRIP.findall(text)
    assert rows, text
    assert all(len(times.split()) == len(words.split()) for _, times, words in rows)
    return [word for _, _, words in rows for word in words.split()]


def read_text(out: str, now: datetime, hours: set[datetime], told: Told, where: str) -> None:
    """A brief as text: its first lines, and its strip against the go hours of the JSON."""
    read_headline(out, now, told, where)
    first = now.replace(minute=0)
    cells = read_strip(out)
    assert {first + n * HOUR for n, word in enumerate(cells) if word == "GO"} == hours, out
    assert hours or not any(line.startswith("GO:") for line in out.splitlines())


def test_no_output_of_a_file_with_holes_shows_go(
    wx: Run, ask: Callable[[Worlds, int], list[object]], tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    go = 0

    def run(*words: object) -> str:
        code, out, err = wx(*words)
        assert code == 0, err
        return out

    for n, (found, world, must_not) in enumerate(chosen(WORLDS, first=5_000_000 + SEED)):
        words, told, now = ask(found, world), Told(must_not), found.now
        *options, site = words
        # An event that has begun stays in the calendar, also that of another world.
        monkeypatch.setenv("WXGATE_STATE", str(tmp_path / f"state{n}"))
        hours = read_json(json.loads(run("brief", *words, "--json")), told)
        read_text(run("brief", *words), now, hours, told, "text")
        read_json(json.loads(run("brief", *words, "--grade-by", "chance", "--json")), told)
        page, sheet, ics = (tmp_path / f"out{n}{end}" for end in (".html", ".txt", ".ics"))
        read_headline(run("page", *words, "--out", page), now, told, "page")
        read_headline(re.sub(r"<[^>]+>", " ", page.read_text()), now, told, "page")
        cells = CELL.findall(page.read_text())
        assert len(cells) == LENGTH
        assert {now + int(at) * HOUR for grade, at in cells if grade == "go"} == hours
        said = run("sheet", *words, "--out", sheet, "--calendar", ics)
        read_headline(said + "\n" + sheet.read_text(), now, told, "sheet")
        for start, end, title in events(ics.read_text()) if ics.exists() else ():
            if title.startswith("GO"):
                told.span(start, end, "calendar")
        for slot in go_slots(json.loads(run("lessons", site, *options, "--json"))):
            told.span(*slot, "lessons")
        for start in sorted(t for t in must_not if now <= t < now + LENGTH * HOUR)[:1]:
            first = run("explain", f"{start:%Y-%m-%dT%H:%MZ}", *words).splitlines()[0]
            assert re.search(r": (MARGINAL|UNKNOWN|NO-GO)$", first), first
        go += told.go
    print(f"\n{WORLDS} worlds, {go} hours that an output calls go")
    assert go > 3 * WORLDS


def test_no_mail_of_a_day_with_holes_tells_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Subject, text, page and calendar of the first mail of a watch."""
    monkeypatch.setattr("wxgate.report.plots.inline_png", lambda *_, **__: b"invented")
    go = 0
    with MailServer() as box:
        for n, (found, world, must_not) in enumerate(chosen(WORLDS, first=6_000_000 + SEED)):
            told, folder = Told(must_not), tmp_path / str(n)
            for name in ("CACHE", "STATE"):  # each is the first run of its watch
                monkeypatch.setenv(f"WXGATE_{name}", str(folder / name))
            raw = replace(
                from_dataset(dataset_of(found, world)), provenance=found.provenance
            )  # fmt: skip
            monkeypatch.setattr(
                "wxgate.cli.answer.raw_forecasts", lambda *_, _raw=raw, **__: (_raw,)
            )
            config = watch_file(folder, box, found, world)
            box.mails.clear()
            job = watchjob.read_job(config, now=found.now, rules=None, demo=False, offline=False)
            (seen,) = watchjob.look(job)
            monkeypatch.setattr(watching, "look", lambda job, _seen=seen: [_seen])
            watching.run(job)
            (mail,) = box.mails
            read_mail(mail, found.now, told)
            assert seen.brief is not None
            hours = [h.start for h in seen.brief.hours if h.grade is Grade.GO]
            for start in hours:
                told.hour(start, "watch")
            assert hours or not str(mail.message["Subject"]).strip().startswith("GO")
            go += told.go
    print(f"\n{WORLDS} worlds, {go} hours that a mail or its brief calls go")
    assert go > WORLDS


def watch_file(folder: Path, box: MailServer, found: Worlds, world: int) -> Path:
    """A watch over the day of a world."""
    folder.mkdir()
    begin, end = found.now + HOUR, found.now + 9 * HOUR
    end = end if end.date() == begin.date() else begin.replace(hour=23, minute=45)
    config = write(folder, box, f"""\
  - id: w
    site: field.yaml
    aircraft: {found.aircraft}
    pilot: {PILOTS[found.skill]}
    height: {found.height:g} m
    hours: {LENGTH}
    to: [pilot@example.org]
    slots: [{{days: every, from: "{begin:%H:%M}", to: "{end:%H:%M}"}}]
    send: {{change: true, window: true, at: ["{found.now:%H:%M}"]}}
""")  # fmt: skip
    lat, lon = float(found.latitude[world]), float(found.longitude[world])
    (folder / "field.yaml").write_text(SITE.format(lat=lat, lon=lon))
    return config


def read_mail(mail: Taken, now: datetime, told: Told) -> None:
    """Every part of a mail that a person or a calendar program reads."""
    read_headline(str(mail.message["Subject"]), now, told, "subject")
    for part in mail.message.walk():
        kind = part.get_content_type()
        if kind in ("text/plain", "text/html"):
            read_headline(re.sub(r"<[^>]+>", " ", part.get_content()), now, told, kind)
        elif kind == "text/calendar":
            for start, end, title in events(part.get_content()):
                if title.startswith("GO"):
                    told.span(start, end, kind)


def go_slots(found: dict[str, Any]) -> Iterator[tuple[datetime, datetime]]:
    """The flying part of every go slot of the lessons as JSON, wherever it stands."""
    stack: list[Any] = [found]
    while stack:
        one = stack.pop()
        if isinstance(one, list):
            stack += one
        elif isinstance(one, dict):
            stack += one.values()
            if one.get("grade") == "go" and "flying_start" in one:
                yield moment(one["flying_start"]), moment(one["flying_end"])
