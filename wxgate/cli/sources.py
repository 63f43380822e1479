"""``wxgate sources``: what each source gives and costs, which are asked, and whom to credit."""

from __future__ import annotations

import json
import textwrap
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wxgate.cli import complete
from wxgate.cli import options as o
from wxgate.cli.standing import Looked, looked_at
from wxgate.cli.terminal import say
from wxgate.errors import UsageError

if TYPE_CHECKING:
    from wxgate.profiles import Site
    from wxgate.sources.answers import Answer
    from wxgate.sources.base import Source

HOURS = 36  #: of a brief where nothing else is said
PATIENCE_S = 10.0


def sources(
    site: o.SiteOption = None,
    lat: o.LatOption = None,
    lon: o.LonOption = None,
    hours: o.HoursOption = HOURS,
    at: o.AtOption = None,
    offline: o.OfflineOption = False,
    budget: o.BudgetOption = None,
    check: Annotated[
        bool, typer.Option("--check", "--now", help="Ask each service whether it answers now.")
    ] = False,
    probe: Annotated[
        bool, typer.Option("--probe", help="Fetch and check one hour of each, in full.")
    ] = False,
    only: Annotated[
        str | None,
        typer.Option(
            "--sources",
            metavar="NAMES",
            help="These sources only, such as gfs,hrrr.",
            autocompletion=complete.sources,
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for programs.")] = False,
) -> None:
    """List the sources; with a site: which cover it, what they cost, and which are asked."""
    named = o.names(only)
    _check_names(named)
    if site is None and lat is None and lon is None:
        if check or probe:
            raise UsageError("no site was given", remedy="Give a site file, or --lat and --lon.")
        _list(named, as_json=as_json)
        return
    from wxgate.cli import session

    place = session.find_site(site, lat, lon, "UTC", demo=False)
    if probe:
        from wxgate.cli.probe import tell_probe

        tell_probe(place, named)
        return
    found = looked_at(place, named, hours, o.moment(at), offline=offline, budget=budget)
    answers = _checked(place, found, o.moment(at), offline=offline) if check else {}
    if as_json:
        told = [
            {
                **_one_json(one),
                "answers": [_answer_json(a) for a in answers.get(one.source.name, [])],
            }
            for one in found
        ]
        say(json.dumps({"hours": hours, "sources": told}, indent=1))
        return
    say(f"For {place.name}, a brief of {hours} h:\n")
    for one in found:
        _tell_one(one, answers.get(one.source.name))


# ---------------------------------------------------------------------- without a site


def _check_names(named: list[str]) -> None:
    from wxgate.sources.registry import ENSEMBLES, INDICES, MODELS, source

    for name in named:
        source(name, {**MODELS, **ENSEMBLES, **INDICES})


def _list(named: list[str], *, as_json: bool) -> None:
    from wxgate.sources.registry import ENSEMBLES, INDICES, MODELS, source

    tables = (
        ("Models, for --sources", MODELS),
        ("Ensembles", ENSEMBLES),
        ("K index", INDICES),
    )
    if as_json:
        every = [source(n, t) for _, t in tables for n in t if not named or n in named]
        say(json.dumps({"sources": [_source_json(one) for one in every]}, indent=1))
        return
    for heading, table in tables:
        names = [name for name in table if not named or name in named]
        if names:
            say(f"{heading}\n")
        for name in names:
            _tell(source(name, table))


def _tell(source: Source) -> None:
    say(f"{source.name}: {source.title}")
    _lines(("gives", ", ".join(source.gives)), *_terms(source))
    say()


def _terms(source: Source) -> tuple[tuple[str, str], ...]:
    return (
        ("resolution", source.resolution),
        ("runs", source.runs),
        ("licence", source.licence),
        ("credit", source.credit),
    )


def _lines(*labelled: tuple[str, str]) -> None:
    for label, text in labelled:
        if text:
            say(textwrap.fill(f"  {label}: {text}", 80, subsequent_indent="    "))


# ---------------------------------------------------------------------- for a site


def _tell_one(one: Looked, answers: list[Answer] | None) -> None:
    from wxgate.cli.plans import bytes_text

    say(f"{one.source.name}: {one.source.title}")
    covers = {True: "yes", False: "no", None: "not known before it is asked"}[one.covers]
    run, cost = "", "not known"
    if one.plan is not None:
        if one.plan.run is not None:
            run = f"{one.plan.run:%d %b %H}Z expected by now"
        ways = [*one.plan.errands[:1], *one.plan.otherwise] if one.plan.steps else []
        alike: dict[tuple[int, int], list[str]] = {}
        for way in ways:
            alike.setdefault((way.size, way.requests), []).append(way.what)
        parts = [
            f"{bytes_text(size)} by {_any_of(names)} ({requests} requests)"
            for (size, requests), names in alike.items()
        ]
        cost = "about " + ("; ".join(parts) or bytes_text(one.plan.size))
    now = [
        (f"{a.place}: " if a.place else "")
        + a.told + (f" ({a.host}, {a.seconds:.1f} s)" if a.host else "")
        for a in answers or []
    ]  # fmt: skip
    _lines(
        ("asked", one.asked), ("covers the site", covers), ("newest run", run), ("costs", cost),
        ("now", "; ".join(now) if answers is not None else ""), *_terms(one.source),
    )  # fmt: skip
    say()


def _any_of(names: list[str]) -> str:
    *others, last = names
    return f"{', '.join(others)} or {last}" if others else last


def _checked(
    site: Site, found: list[Looked], now: datetime, *, offline: bool
) -> dict[str, list[Answer]]:
    from wxgate.sources.answers import Answer, ask_all
    from wxgate.sources.base import Request

    asked = [one.source for one in found if one.kind != "ensemble" and one.covers is not False]
    if offline:
        return {s.name: [Answer(s.name, "", "", False, "offline: not asked", 0.0)] for s in asked}
    from wxgate.cli.tools import toolbox

    tools = toolbox(lambda done, total, what: None, patience_s=PATIENCE_S)
    request = Request(site.latitude, site.longitude, start=now, hours=1, now=now)
    answers: dict[str, list[Answer]] = {}
    for answer in ask_all(asked, request, tools):
        answers.setdefault(answer.source, []).append(answer)
    return answers


# ---------------------------------------------------------------------- as JSON


def _source_json(source: Source) -> dict[str, Any]:
    return {
        "name": source.name, "title": source.title, "gives": list(source.gives),
        **dict(_terms(source)),
    }  # fmt: skip


def _one_json(one: Looked) -> dict[str, Any]:
    from wxgate.cli.plans import plan_json

    return {
        **_source_json(one.source), "kind": one.kind, "asked": one.chosen, "why": one.asked,
        "covers": one.covers, "plan": None if one.plan is None else plan_json(one.plan),
    }  # fmt: skip


def _answer_json(answer: Answer) -> dict[str, Any]:
    return {
        "place": answer.place, "host": answer.host, "answers": answer.answers,
        "told": answer.told, "seconds": round(answer.seconds, 2),
    }  # fmt: skip
