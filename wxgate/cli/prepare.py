"""From the words of the command line to a brief, for ``brief`` and ``explain`` alike."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from wxgate import places
from wxgate.brief import Brief, make_brief, targets_of
from wxgate.chancepolicy import Policy
from wxgate.cli import options, session
from wxgate.cli.answer import derived_by_source
from wxgate.cli.issued import is_of_now
from wxgate.cli.lagged import earlier_runs
from wxgate.cli.progress import progress_bar
from wxgate.cli.question import DEMO_NOW, Question
from wxgate.cli.sureness import Sureness, sureness
from wxgate.forecast import Forecast
from wxgate.rulebook import Rulebook


@dataclass(frozen=True, slots=True)
class Asked:
    """What the words of a command line ask for, every word of them understood."""

    cast: session.Cast
    rulebook: Rulebook
    question: Question
    height: float  #: m above ground
    models: list[str]  #: by name; empty: the best ones
    now: datetime

    @property
    def questions(self) -> list[Question]:
        """One question to each model named, or the one to the best ones; UsageError for a slip."""
        from wxgate.sources.registry import source

        named = [source(name).name for name in dict.fromkeys(self.models)]
        return [replace(self.question, model=name) for name in named] or [self.question]


def understand(
    *,
    site: str | None,
    lat: float | None,
    lon: float | None,
    zone: str,
    aircraft: str | None,
    pilot: str | None,
    height: str,
    hours: int,
    at: str | None,
    rules: list[Path] | None,
    forecast: Path | None,
    sources: str | None,
    demo: bool,
    offline: bool,
    budget: float | None = None,
) -> Asked:
    """The records that the options name; nothing is fetched. Every fault is a WxgateError."""
    now = DEMO_NOW if demo and at is None else options.moment(at)
    place = session.find_site(site, lat, lon, zone, demo=demo)
    cast = session.find_cast(place, aircraft, pilot, demo=demo)
    rulebook = session.rulebook_for(place, cast.pilot, rules)
    metres = options.height_m(height)
    question = Question(
        place, now, hours, demo=demo, offline=offline, file=forecast, budget_mb=budget,
        targets=targets_of(rulebook),
    )  # fmt: skip
    return Asked(cast, rulebook, question, metres, options.names(sources), now)


def completed(
    asked: Asked, found: Sequence[Forecast], sure: Sureness, k_index: float | None, *,
    progress: Callable[[int, int, str], None],
) -> tuple[list[Forecast], list[Forecast]]:  # fmt: skip
    """The derived forecasts and those of earlier runs, all with what the pilot looked up.

    What could not be had of the earlier runs is a note on the first.
    """
    runs, notes = earlier_runs(asked, found, sure, progress=progress)
    found = [found[0].with_notes(*notes), *found[1:]]
    if k_index is None:
        return found, runs
    from wxgate.lookedup import with_k_index

    found, runs = (
        [with_k_index(one, k_index, asked.now) for one in some] for some in (found, runs)
    )
    return found, runs


def prepare(
    *,
    site: str | None,
    lat: float | None,
    lon: float | None,
    zone: str,
    aircraft: str | None,
    pilot: str | None,
    height: str,
    hours: int,
    minimum: int,
    at: str | None,
    rules: list[Path] | None,
    forecast: Path | None,
    sources: str | None,
    demo: bool,
    offline: bool,
    budget: float | None = None,
    reports: bool = False,
    chances: Path | None = None,
    grade_by: str = "limits",
    bias: Path | None = None,
    lagged: int = 0,
    earlier: Sequence[Path] | None = None,
    k_index: float | None = None,
) -> Brief:
    """The brief that the options ask for; every fault is a WxgateError.

    ``reports``: with what the airports around say now, which caps the hour under way; a fault there
    is only a note. ``bias``, ``lagged`` (how many earlier runs) and ``earlier`` (files of such)
    concern the chances. ``k_index`` is what the pilot looked up.
    """
    sure = sureness(grade_by=grade_by, chances=chances, bias=bias, lagged=lagged, earlier=earlier)
    asked = understand(
        site=site, lat=lat, lon=lon, zone=zone, aircraft=aircraft, pilot=pilot, height=height,
        hours=hours, at=at, rules=rules, forecast=forecast, sources=sources, demo=demo,
        offline=offline, budget=budget,
    )  # fmt: skip
    with progress_bar() as progress:
        found = derived_by_source(
            asked.question, asked.cast.aircraft, asked.height, asked.models, progress=progress
        )
        found, runs = completed(asked, found, sure, k_index, progress=progress)
    made = make_brief(
        found,
        asked.rulebook,
        site=asked.cast.site,
        aircraft=asked.cast.aircraft,
        pilot=asked.cast.pilot,
        height=asked.height,
        now=asked.now,
        hours=hours,
        minimum_h=minimum,
        demonstration=demo,
        policy=sure.policy,
        by_chance=sure.by_chance,
        lagged=runs,
        bias=sure.bias,
    )
    made = made if demo or not is_of_now(made.now) else _since_the_last(made, sure.policy)
    if not reports or demo:
        return made
    from wxgate.cli.tools import toolbox
    from wxgate.fieldcheck import capped
    from wxgate.observed import observed

    with progress_bar() as progress:
        told = observed(asked.cast.site, asked.now, toolbox(progress, offline=offline))
    return capped(replace(made, reports=told), told.reports)


def _since_the_last(made: Brief, policy: Policy) -> Brief:
    """The brief with what moved since the last one of its kind; it is kept for the next."""
    from wxgate.changes import changes, load_kept, save_kept

    folder = places.state_folder() / "briefs"
    before = load_kept(folder, made)
    with suppress(OSError):  # where nothing can be kept, the next brief only cannot compare
        save_kept(folder, made, before)
    oldest = timedelta(hours=policy.number("earlier", "brief_hours"))
    return replace(made, since=changes(before, made, oldest=oldest))
