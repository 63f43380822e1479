"""What the field falls back on: the question that was asked last, and what its brief said."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from wxgate.cli import options as o
from wxgate.errors import UsageError

if TYPE_CHECKING:
    from datetime import datetime

    from wxgate.brief import Brief
    from wxgate.journal import IssuedHour

#: Hours that stored hours must hold to answer: this one and the next.
HOURS = 2
#: What the last question said of its place; another site has its own.
_OF_PLACE = ("lat", "lon", "zone", "forecast", "earlier", "bias")
#: Files of the last question that make its chances, and nothing else where limits grade.
_OF_CHANCES = ("chances", "bias", "earlier")


def brief_for(named: dict[str, Any], now: datetime, *, demo: bool, online: bool) -> Brief:
    """The brief of what was asked last, with what is named otherwise; from stored hours.

    UsageError when nothing was asked before and not enough is named.
    """
    from wxgate.cli.last import recall
    from wxgate.cli.prepare import prepare
    from wxgate.cli.question import DEMO_NOW

    last = {} if demo else recall() or {}
    if not last and not demo and None in (named["site"], named["aircraft"], named["pilot"]):
        raise UsageError(
            "there is no brief yet to hold it against",
            remedy="Run `wxgate brief` for the field before you drive; or give --site, --aircraft"
            " and --pilot.",
        )
    if named["site"] is not None:
        last = {name: value for name, value in last.items() if name not in _OF_PLACE}
    last = _without_what_is_gone(last)
    # Rules that were asked for in the morning hold on the field too.
    rules = [*(last.get("rules") or []), *(named["rules"] or [])]
    asked: dict[str, Any] = {
        "site": None, "lat": None, "lon": None, "zone": "UTC", "aircraft": None, "pilot": None,
        "height": "60 m", "forecast": None, "sources": None, "demo": demo, **last,
        **{name: value for name, value in named.items() if value is not None},
        "rules": rules or None, "minimum": 1,
    }  # fmt: skip
    # A new forecast takes the place of the stored one, and must reach as far.
    asked["hours"] = last.get("hours", 36) if online else HOURS
    demo = bool(asked["demo"])
    # As the brief was asked, so that its stored hours answer; those of a demonstration are made.
    if demo:
        asked["hours"], now = 36, DEMO_NOW
    return prepare(**asked, at=now.isoformat(), offline=not online and not demo)


def _without_what_is_gone(last: dict[str, Any]) -> dict[str, Any]:
    """The question without files of its chances that are gone, each with a note.

    Where the chances grade they stay in it, and are an error: without them it is another question.
    """
    from wxgate.cli.terminal import complain

    if last.get("grade_by", "limits") != "limits":
        return last
    kept = dict(last)
    for name in _OF_CHANCES:
        files = last.get(name)
        if files is None:
            continue
        gone = [path for path in (files if name == "earlier" else [files]) if not path.exists()]
        for path in gone:
            complain(f"{path} is gone: left out, for it told chances only (--{name})")
        if gone:
            kept[name] = [p for p in files if p not in gone] if name == "earlier" else None
    return kept


def said_before(made: Brief, now: datetime) -> tuple[IssuedHour, ...]:
    """What the last brief for this site, aircraft, pilot and height said of the hours.

    Nothing where there is none, or where this forecast was fetched after it: a newer one may be
    better.
    """
    from datetime import timedelta

    from wxgate.cli.answer import FRESH
    from wxgate.cli.journal import journal_file
    from wxgate.cli.terminal import complain
    from wxgate.errors import JournalError
    from wxgate.journal import Journal, Selection
    from wxgate.lookedup import PILOT

    if made.demonstration or not made.provenance or not journal_file().exists():
        return ()
    # No brief reaches further.
    since = now - timedelta(hours=o.MOST_HOURS)
    whose = (made.aircraft.id, made.pilot.id, made.height)
    try:
        with Journal(journal_file(), at=now, to_read=True) as journal:
            briefs = [
                one for one in journal.briefs(Selection(made.site.id, since=since))
                if (one.aircraft, one.pilot, one.height) == whose and one.made <= now
            ]  # fmt: skip
            # What the pilot looked up just now makes no newer forecast.
            fetched = max((p.fetched for p in made.provenance if p.source != PILOT), default=now)
            if not briefs or fetched > briefs[-1].made + FRESH:
                return ()
            return tuple(journal.hours(brief=briefs[-1].id))
    except JournalError as error:
        complain(f"what the last brief said is not known: {error}")
        return ()
