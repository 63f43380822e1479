"""Law: no mail of a watch tells go, or a window, for an hour in which something vital is missing.

The good day (``bad_days``, every hour of it go) goes through the watch as a user has it, from the
services to the mail server; what a source handed over is holed on the way.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bad_days import KP_FILE, NOW, Day, kp_rows
from local_server import Fault, LocalServer
from smtp_server import MailServer, Taken
from watch_world import write

from wxgate import places
from wxgate.brief import targets_of
from wxgate.cli import question, session, watching, watchjob
from wxgate.errors import WxgateError
from wxgate.forecast import Forecast, to_datetime64
from wxgate.profiles import load_pilot
from wxgate.quantities import Kind

pytestmark = pytest.mark.law

PILOT = "pilot@example.org"
HOURS = 6
#: 13:00 to 15:00 in London.
SLOT = NOW + timedelta(hours=1), NOW + timedelta(hours=3)
WATCH = f"""\
  - id: w
    site: field.yaml
    aircraft: mid-900g
    pilot: intermediate
    height: 60 m
    hours: {HOURS}
    to: [{PILOT}]
    slots: [{{days: every, from: 13:00, to: 15:00}}]
    send: {{change: true, window: true, at: [12:00]}}
"""
#: What an hour cannot do without (the K index among them: it is forecast for these hours).
VITAL = (
    "eastward_wind", "northward_wind", "wind_speed_of_gust", "air_temperature",
    "visibility_in_air", "lwe_thickness_of_precipitation_amount", "planetary_k_index",
)  # fmt: skip
Spoil = Callable[[Forecast], Forecast]


@dataclass
class Post:
    """One watch of the good day, and the mails that its runs send."""

    day: Day
    box: MailServer
    config: Path
    monkeypatch: pytest.MonkeyPatch
    seen: list[Any] = field(default_factory=list)  #: what the last run saw

    def run(self, spoil: Spoil) -> list[Taken]:
        """The mails of the first run of a watch that sees the spoilt day."""

        def spoilt(*about: Any, **options: Any) -> tuple[Forecast, ...]:
            return tuple(map(spoil, question.raw_forecasts(*about, **options)))

        def look(job: watchjob.Job) -> list[Any]:
            self.seen = watchjob.look(job)
            return self.seen

        self.box.mails.clear()
        with self.monkeypatch.context() as patch:
            patch.setattr("wxgate.cli.answer.raw_forecasts", spoilt)
            patch.setattr(watching, "look", look)
            watching.run(
                watchjob.read_job(self.config, now=NOW, rules=None, demo=False, offline=False)
            )
        return list(self.box.mails)


@pytest.fixture
def post(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Post]:
    monkeypatch.setattr("wxgate.report.plots.inline_png", lambda *_, **__: b"invented")
    with LocalServer() as server, MailServer() as box:
        day = Day(server, Path(os.environ["WXGATE_CONFIG"]))
        yield Post(day, box, write(tmp_path, box, WATCH), monkeypatch)


def subject(mails: Sequence[Taken]) -> str:
    (mail,) = mails
    return str(mail.message["Subject"])


def body(mails: Sequence[Taken]) -> str:
    (mail,) = mails
    return " ".join(mail.message.get_body(("plain",)).get_content().split())


def holed(name: str, first: int, last: int) -> Spoil:
    """The field is missing at the instants so many hours from now."""

    def spoil(forecast: Forecast) -> Forecast:
        found = forecast.fields[name]
        values = found.values.copy()
        at = (forecast.time - to_datetime64(NOW)) / np.timedelta64(1, "h")
        values[(at >= first) & (at <= last)] = np.nan
        return forecast.with_fields({name: replace(found, values=values)})

    return spoil


def without(name: str) -> Spoil:
    return lambda f: replace(f, fields={n: v for n, v in f.fields.items() if n != name})


def test_the_good_day_is_told_go(post: Post) -> None:
    mails = post.run(lambda forecast: forecast)
    assert subject(mails).startswith("GO Mon 15 Jun 13:00-15:00 BST")
    assert "GO: Mon 15 Jun 12:00-18:00 BST (6 h)" in body(mails)


@pytest.mark.parametrize("name", VITAL)
@pytest.mark.parametrize("what", ["all hours", "one hour", "not there"])
def test_an_hour_that_lacks_something_vital_is_in_no_mail_as_go(
    post: Post, name: str, what: str
) -> None:
    spoil = {
        "all hours": holed(name, -9, 99), "one hour": holed(name, 2, 2), "not there": without(name),
    }[what]  # fmt: skip
    mails = post.run(spoil)
    assert not subject(mails).startswith("GO"), subject(mails)
    told = body(mails)
    if what == "one hour":
        # From 11Z on; the hole spoils 13Z, as an instant 12Z too, and their neighbours in rain.
        assert "GO: Mon 15 Jun 12:00-18:00" not in told
    else:
        assert "GO:" not in told
        assert " GO " not in told.split("Why")[0]


@pytest.mark.parametrize("age", [13, 49])
def test_a_stale_run_is_no_go(post: Post, age: int) -> None:
    run = NOW - timedelta(hours=age)

    def older(forecast: Forecast) -> Forecast:
        told = [replace(p, run=run if p.run else None) for p in forecast.provenance]
        return replace(forecast, provenance=tuple(told))

    word = {13: "MARGINAL", 49: "UNKNOWN"}[age]
    assert word in subject(post.run(older))
    assert "GO:" not in body(post.box.mails)


def test_yesterdays_k_index_is_no_go(post: Post) -> None:
    post.day.server.blob(KP_FILE, kp_rows(NOW - timedelta(hours=30)).encode())
    mails = post.run(lambda forecast: forecast)
    assert subject(mails).startswith("MARGINAL")
    assert "look it up before flying" in body(mails)


def test_no_hole_of_any_kind_is_told_better_than_its_hours(post: Post) -> None:
    """Each fetched quantity in turn: what the mail says of the slot is the worst of its hours."""
    site = session.find_site(str(post.config.parent / "field.yaml"), None, None, "UTC", demo=False)
    pilot = load_pilot(places.shipped("rules") / "pilots" / "intermediate.yaml")
    rules = session.rulebook_for(site, pilot, None)
    ask = question.Question(site, NOW, HOURS, targets=targets_of(rules))
    raw = question.raw_forecasts(ask, progress=lambda *_: None)[0]
    names = [name for name, found in raw.fields.items() if found.kind is not Kind.CONSTANT]
    assert set(VITAL) <= set(names)
    for name in names:
        for folder in ("CACHE", "STATE"):  # each is the first run of its watch
            post.monkeypatch.setenv(
                f"WXGATE_{folder}", str(post.config.parent / f"{folder}-{name}")
            )
        told = subject(post.run(holed(name, 1, 2)))
        hours = [v for v in post.seen[0].brief.hours if SLOT[0] <= v.start < SLOT[1]]
        assert len(hours) == 2
        assert told.startswith(max(v.grade for v in hours).word.upper()), (name, told)


def test_what_was_asked_in_vain_is_told_as_such(post: Post) -> None:
    """The second watch of a place that is silent asks nobody, and names no option of the user's."""
    post.config.write_text(post.config.read_text() + WATCH.replace("id: w", "id: second"))
    post.day.server.fault("*", Fault.STATUS, status=503)
    with pytest.raises(WxgateError) as told:
        watching.run(watchjob.read_job(post.config, now=NOW, rules=None, demo=False, offline=False))
    assert "second: its services did not answer earlier in this run" in str(told.value)
    assert "--offline" not in str(told.value)
    with pytest.raises(WxgateError) as told:
        watching.run(watchjob.read_job(post.config, now=NOW, rules=None, demo=False, offline=True))
    assert "Run once without --offline" in str(told.value)
