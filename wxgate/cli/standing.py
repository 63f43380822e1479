"""How each source stands for a site: whether and why a brief asks it, and what it would cost."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from wxgate.cli.question import Question
    from wxgate.profiles import Site
    from wxgate.sources.base import Plan, Request, Source, Toolbox


@dataclass(frozen=True, slots=True)
class Looked:
    """One source as it stands for a site: whether and why it is asked, and what it would cost."""

    source: Source
    kind: str
    asked: str  #: in words
    chosen: bool  #: whether a brief asks it, where those before it answer
    covers: bool | None  #: None: not known before it is asked
    plan: Plan | None


def looked_at(
    site: Site, named: list[str], hours: int, now: datetime, *, offline: bool, budget: float | None
) -> list[Looked]:
    """Every source, or those named, in the order of the registry; nobody is asked."""
    from wxgate.choice import read_rows, shortened
    from wxgate.cli.question import Question
    from wxgate.cli.tools import toolbox
    from wxgate.sources.endpoints import Entry
    from wxgate.sources.registry import ENSEMBLES, INDICES, MODELS, source

    ask = Question(site, now, hours, budget_mb=budget)
    # As if nothing were kept: what a first brief costs.
    tools = replace(toolbox(lambda done, total, what: None, offline=offline), cache=None)
    request = ask.request
    words = _words(ask, request, replace(tools, offline=False))
    # A brief asks each for the hours that it is best for, and a short run may do for these.
    rows = read_rows(Entry(tools.endpoints, ""))
    reaches = {row.model: now + timedelta(hours=row.until_h) for row in rows}
    found = []
    for kind, table in (("model", MODELS), ("ensemble", ENSEMBLES), ("K index", INDICES)):
        for name in table:
            if named and name not in named:
                continue
            model = source(name, table)
            until = reaches.get(name)
            asked_for = request if until is None else shortened(request, until)
            plan, fault = _plan_of(model, asked_for, tools)
            asked, is_asked = words.get(name, (_NOT_ONE, False))
            outside = "outside" in asked
            covers = False if outside else None if fault else True
            if fault and not asked.startswith("no"):
                asked = f"no: {fault}"
            found.append(Looked(model, kind, asked, is_asked, covers, plan))
    return found


_NOT_ONE = "not by a brief of one forecast"


def _words(ask: Question, request: Request, tools: Toolbox) -> dict[str, tuple[str, bool]]:
    """By source: in words whether and why it is asked, and whether it is."""
    from wxgate.cli.plans import make_plans
    from wxgate.cli.question import indices_for, models_for, wants_second_opinion
    from wxgate.sources.registry import INDICES, MODELS

    chosen = models_for(ask, request, tools)
    words = dict.fromkeys(MODELS, ("no: it is not among your models", False))
    words |= dict.fromkeys(INDICES, ("no: it is not among your indices", False))
    words |= {p.name: (f"no: {p.why}", False) for p in chosen.passed}
    words |= {
        c.source.name: (f"no: {p.why}, but for its first hours where all others fail", False)
        for c in chosen.candidates
        if c.note
        for p in chosen.passed
        if p.name == c.source.name
    }
    words |= {
        c.source.name: ("only where the models before it fail", False)
        for c in chosen.candidates
        if not c.note
    }
    planned = list(dict.fromkeys(plan.source for plan in make_plans([ask]).models))
    for n, name in enumerate(planned):
        words[name] = (f"for the hours behind {planned[n - 1]}" if n else "first", True)
    for n, index in enumerate(indices_for(ask, tools)):
        if n == 0:
            words[index.name] = ("first, for the K index", True)
        elif n == 1 and wants_second_opinion(ask, tools):
            words[index.name] = ("for a second opinion on the K index", True)
        else:
            words[index.name] = ("only where the indices before it fail", False)
    return words


def _plan_of(source: Source, request: Request, tools: Toolbox) -> tuple[Plan | None, str]:
    from wxgate.errors import DataError

    if source.plan is None:
        return None, ""
    try:
        return source.plan(request, tools), ""
    except DataError as error:
        return None, error.what
