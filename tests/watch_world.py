"""Invented weather for watches: briefs with any grade in any hour, and a watch file. Not a test."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from hours import forecast_of
from smtp_server import MailServer, Tls

from wxgate.brief import Brief
from wxgate.cli import session, watchjob
from wxgate.profiles import Site
from wxgate.rulebook import Rulebook
from wxgate.verdict import Grade, Reason, Verdict
from wxgate.watch.config import Watch
from wxgate.watch.due import Seen
from wxgate.windows import best_window

HOUR = timedelta(hours=1)
GradeOf = Callable[[datetime], Grade]


@cache
def rulebook() -> Rulebook:
    site = Site("x", "x", 50.0, 0.0, "UTC")
    cast = session.find_cast(site, "light-249g", "novice", demo=False)
    return session.rulebook_for(site, cast.pilot, None)


def verdict(start: datetime, grade: Grade) -> Verdict:
    reason = Reason(
        "gust", "gust_at_flight_height", grade, None if grade is Grade.UNKNOWN else 9.0, 10.0,
        Grade.NO_GO, "above", "m s-1", 0.1, "an invented reason", "invented", "practice",
    )  # fmt: skip
    return Verdict(start, start + HOUR, grade, (reason,), 0.1, "gust")


def brief(
    cast: session.Cast, now: datetime, hours: int, grade_of: GradeOf, *, minimum: int = 1,
    height: float = 40.0,
) -> Brief:  # fmt: skip
    first = now.replace(minute=0, second=0, microsecond=0)
    told = tuple(verdict(first + n * HOUR, grade_of(first + n * HOUR)) for n in range(hours))
    return Brief(
        site=cast.site, aircraft=cast.aircraft, pilot=cast.pilot, height=height, now=now,
        rulebook=rulebook(), forecasts=(forecast_of({"precipitation": [0.0, 0.0]}, start=first),),
        hours=told, window=best_window([v for v in told if v.start >= now], minimum_h=minimum),
        minimum_h=minimum,
    )  # fmt: skip


def seen_by(job: watchjob.Job, watch: Watch, grade_of: GradeOf | None) -> Seen:
    """What a look finds: a brief of these grades, or none."""
    cast = job.casts[watch.id]
    found = None if grade_of is None else brief(
        cast, job.now, watch.hours, grade_of, minimum=watch.minimum
    )  # fmt: skip
    fault = "" if found else "no forecast could be had: invented fault."
    tz = ZoneInfo(cast.site.zone)
    return Seen(watch, job.prefix(watch), tz, found, fault, cast.site.name)


SITE = """\
site:
  id: {id}
  name: {name}
  latitude: 52.0
  longitude: -1.5
  zone: Europe/London
"""

WATCH = """\
  - id: {id}
    site: {site}.yaml
    aircraft: light-249g
    pilot: novice
    height: 40 m
    hours: {hours}
    to: [{to}]
    send: {send}
"""


def write(
    folder: Path, server: MailServer, watches: str, *, stale: str = "6 h", mail: str = "",
    sites: tuple[str, ...] = ("field",),
) -> Path:  # fmt: skip
    """A watch file that leads to a server, with its sites beside it."""
    for name in sites:
        (folder / f"{name}.yaml").write_text(SITE.format(id=name, name=f"The {name}"))
    security = {Tls.NONE: "none", Tls.STARTTLS: "starttls", Tls.IMPLICIT: "tls"}[server.tls]
    config = folder / "watch.yaml"
    config.write_text(
        f"mail:\n  host: 127.0.0.1\n  port: {server.port}\n  security: {security}\n"
        f"  from: wxgate@example.org\n  ca-file: {server.ca_file}\n  timeout: 2 s\n{mail}"
        f"stale-after: {stale}\nwatches:\n{watches}"
    )
    return config


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)
