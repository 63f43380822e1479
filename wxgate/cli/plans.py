"""``--dry-run``: what would be asked of whom, how many bytes, how long; nothing is fetched."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from wxgate.choice import Candidate, Choice, shortened
from wxgate.cli.question import (
    AFTER,
    BEFORE,
    Question,
    indices_for,
    models_for,
    wants_second_opinion,
)
from wxgate.cli.terminal import say
from wxgate.cli.tools import toolbox
from wxgate.errors import DataError
from wxgate.sources.base import Errand, Plan, Request, Source, Toolbox

_WIDTH = 80


@dataclass(frozen=True, slots=True)
class Plans:
    """The plans of all that a question would ask, models first, and what there is to say."""

    models: tuple[Plan, ...]
    indices: tuple[Plan, ...]
    notes: tuple[str, ...]

    @property
    def all(self) -> tuple[Plan, ...]:
        """Models and indices."""
        return (*self.models, *self.indices)


def make_plans(asks: Sequence[Question]) -> Plans:
    """The plans for a question to each model named, or to the best ones; without the network."""
    models: list[Plan] = []
    indices: list[Plan] = []
    notes: list[str] = []
    for ask in asks:
        if ask.file is not None or ask.demo:
            what = "the demonstration" if ask.demo else str(ask.file)
            return Plans((), (), (f"{what} is read where it lies; nothing is fetched",))
        tools = toolbox(lambda done, total, what: None, offline=ask.offline)
        request = ask.request
        chosen = models_for(ask, request, tools)
        models += _of_models(chosen, request, tools, notes)
        notes += chosen.notes()
        if not indices:
            count = 2 if wants_second_opinion(ask, tools) else 1
            for source in indices_for(ask, tools)[:count]:
                indices += _plan(source, request, tools, notes)
    if any(ask.offline for ask in asks):
        notes.insert(0, "offline: only what is kept is used, and nothing is fetched")
    return Plans(tuple(models), tuple(indices), tuple(dict.fromkeys(notes)))


def _of_models(
    chosen: Choice, request: Request, tools: Toolbox, notes: list[str]
) -> Iterator[Plan]:
    """A plan for each model in turn, until the hours are all told."""
    end = request.start + timedelta(hours=request.hours)
    begin = request.start
    for candidate in chosen.candidates:
        first = max(begin - timedelta(hours=BEFORE), request.start)
        asked = replace(request, start=first, hours=int((end - first) / timedelta(hours=1)))
        if candidate.until is not None:
            asked = shortened(asked, candidate.until)
        plans = _plan(candidate.source, asked, candidate.tools or tools, notes)
        yield from plans
        yield from _of_earlier_run(candidate, plans, asked, tools, notes)
        for plan in plans:
            begin = min(asked.start + timedelta(hours=asked.hours), _reach(plan) or end)
        if begin >= end - timedelta(hours=1):
            return
        begin -= timedelta(hours=AFTER)


def _of_earlier_run(
    candidate: Candidate, plans: Sequence[Plan], asked: Request, tools: Toolbox, notes: list[str]
) -> Iterator[Plan]:
    """The plan of the hours before the newest run, which an earlier one tells."""
    for plan in plans:
        if plan.run is not None and plan.run > asked.start:
            hours = math.ceil((plan.run - asked.start) / timedelta(hours=1))
            before = replace(asked, hours=hours, needed=None)
            for one in _plan(candidate.source, before, candidate.tools or tools, notes):
                why = "the hours before, for rules that look back"
                yield replace(one, notes=(why, *one.notes))


def _plan(source: Source, request: Request, tools: Toolbox, notes: list[str]) -> list[Plan]:
    if source.plan is None:
        return [Plan(source.name, None, (), (), notes=("what it costs is not known",))]
    try:
        return [source.plan(request, tools)]
    except DataError as error:
        notes.append(f"{source.name}: {error.what}")
        return []


def _reach(plan: Plan) -> datetime | None:
    return None if plan.run is None else plan.run + timedelta(hours=plan.steps[-1])


def tell_plans(asks: Sequence[Question], *, as_json: bool) -> None:
    """Print the plans for these questions."""
    plans = make_plans(asks)
    text = json.dumps(plans_json(plans), indent=1) + "\n" if as_json else plans_text(plans)
    say(text, end="")


# ---------------------------------------------------------------------- as text and as JSON


def plans_text(plans: Plans) -> str:
    """The plans in lines of 80 columns."""
    lines = ["What would be fetched (nothing was):"]
    for plan in plans.all:
        head = plan.source
        if plan.run is not None:
            head += f", run {plan.run:%d %b %H}Z, {len(plan.steps)} steps f{plan.steps[0]:03d} to"
            head += f" f{plan.steps[-1]:03d}"
        lines.append(f"{head}:")
        lines += [f"  {errand_text(errand)}" for errand in plan.errands]
        lines += [f"  if that fails, {errand_text(errand)}" for errand in plan.otherwise]
        for note in plan.notes:
            lines += textwrap.wrap(note, _WIDTH, initial_indent="  ", subsequent_indent="  ")
    lines.append(total_text(plans.all))
    for note in plans.notes:
        lines += textwrap.wrap(f"Note: {note}.", _WIDTH, subsequent_indent="  ")
    return "\n".join(line[:_WIDTH] for line in lines) + "\n"


def errand_text(errand: Errand) -> str:
    """One errand in one line."""
    about = "" if errand.exact else "about "
    kept = f", {bytes_text(errand.kept)} kept" if errand.kept else ""
    many = "1 request" if errand.requests == 1 else f"{errand.requests} requests"
    return (
        f"{errand.what}: {many}, {about}{bytes_text(errand.size)}{kept},"
        f" {time_text(errand.seconds)}"
    )


def total_text(plans: Sequence[Plan]) -> str:
    """The sum of the first ways."""
    about = "" if all(plan.exact for plan in plans) else "about "
    size, kept = sum(plan.size for plan in plans), sum(plan.kept for plan in plans)
    return (
        f"Total: {sum(plan.requests for plan in plans)} requests, {about}{bytes_text(size)} to"
        f" fetch, {bytes_text(kept)} kept, {time_text(sum(p.seconds for p in plans))}."
    )


def bytes_text(size: float) -> str:
    """Bytes as people read them, to two or three digits."""
    if size >= 1e8:
        return f"{size / 1e6:.0f} MB"
    if size >= 1e6:
        return f"{size / 1e6:.1f} MB"
    return f"{size / 1e3:.0f} kB" if size >= 1e4 else f"{size / 1e3:.1f} kB" if size else "0 kB"


def time_text(seconds: float) -> str:
    """How long at least."""
    if seconds < 1:
        return "at once"
    return f"{seconds:.0f} s or more" if seconds < 120 else f"{seconds / 60:.0f} min or more"


def plans_json(plans: Plans) -> dict[str, Any]:
    """The plans for programs."""
    return {
        "plans": [plan_json(plan) for plan in plans.all],
        "requests": sum(plan.requests for plan in plans.all),
        "bytes": sum(plan.size for plan in plans.all),
        "kept_bytes": sum(plan.kept for plan in plans.all),
        "seconds": round(sum(plan.seconds for plan in plans.all), 1),
        "notes": list(plans.notes),
    }


def plan_json(plan: Plan) -> dict[str, Any]:
    """One plan for programs."""
    return {
        "source": plan.source,
        "run": None if plan.run is None else f"{plan.run:%Y-%m-%dT%H:%M:%SZ}",
        "steps": list(plan.steps),
        "errands": [errand_json(errand) for errand in plan.errands],
        "otherwise": [errand_json(errand) for errand in plan.otherwise],
        "notes": list(plan.notes),
    }


def errand_json(errand: Errand) -> dict[str, Any]:
    """One errand for programs."""
    return {
        "what": errand.what, "service": errand.service, "requests": errand.requests,
        "bytes": errand.size, "kept_bytes": errand.kept, "exact": errand.exact,
        "seconds": round(errand.seconds, 1),
    }  # fmt: skip
