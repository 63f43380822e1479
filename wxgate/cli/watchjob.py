"""What a watch file names, found and read; and one look at every watch, with downloads shared."""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from wxgate import places
from wxgate.brief import Brief, make_brief, targets_of
from wxgate.cli import options, session
from wxgate.cli.answer import Raws, derived_by_source
from wxgate.cli.display import display_of
from wxgate.cli.lagged import earlier_runs
from wxgate.cli.prepare import Asked
from wxgate.cli.progress import progress_bar
from wxgate.cli.question import Question
from wxgate.cli.sureness import Sureness, bias_of, policy_of
from wxgate.errors import DataError, UsageError, WxgateError
from wxgate.forecast import Forecast
from wxgate.profiles import Site, find, load_aircraft, load_pilot
from wxgate.report.display import Display
from wxgate.report.words import zone
from wxgate.strictyaml import Faults, raise_faults
from wxgate.watch.config import Settings, Watch, load_settings
from wxgate.watch.due import Seen
from wxgate.watch.readers import Named

if TYPE_CHECKING:
    from wxgate.rulebook import Rulebook

P = TypeVar("P")
#: When services that do not answer have taken so long in one run, the rest of it asks none: what
#: is stored answers, and the recipients hear of it while it is news.
PATIENCE_S = 600.0


@dataclass(frozen=True, slots=True)
class Job:
    """One call of the command: the file, and what it names, found and read."""

    settings: Settings
    casts: Mapping[str, session.Cast]  #: by watch id
    books: Mapping[str, Rulebook]  #: by watch id
    sure: Mapping[str, Sureness]  #: by watch id
    displays: dict[str, Display]
    now: datetime
    demo: bool = False
    offline: bool = False

    @property
    def stem(self) -> Path:
        """Where this watch file's state lies: a name without its ending."""
        path = self.settings.path.resolve()
        digest = hashlib.sha256(os.fsencode(path)).hexdigest()[:8]
        return places.state_folder() / "watch" / f"{path.stem}-{digest}"

    def prefix(self, watch: Watch) -> str:
        """The watch's id with a digest of what it is about: an edited watch begins anew."""
        cast = self.casts[watch.id]
        about = [asdict(cast.site), asdict(cast.aircraft), asdict(cast.pilot), watch.height]
        digest = hashlib.sha256(json.dumps(about, sort_keys=True, default=str).encode())
        return f"{watch.id}/{digest.hexdigest()[:12]}"


def read_job(
    path: Path, *, now: datetime, rules: Sequence[Path] | None, demo: bool, offline: bool
) -> Job:
    """Read the watch file and everything that it names; UsageError with every fault at once."""
    settings = load_settings(path)
    faults = Faults()
    casts, books, sure, displays = {}, {}, {}, {}
    known: dict[tuple[str | None, str | None], Rulebook] = {}
    for watch in settings.watches:
        cast = _cast(watch, path, faults)
        if cast is None:
            continue
        key = cast.site.law, cast.pilot.minima
        try:
            if key not in known:
                known[key] = session.rulebook_for(cast.site, cast.pilot, rules)
            casts[watch.id], books[watch.id] = cast, known[key]
            displays[watch.id] = display_of(**dict(watch.display))
            _know_sources(watch)
        except WxgateError as error:
            faults.add(watch.site.place, " ".join(str(error).split()))
        found = _sureness(watch, path, faults)
        if found is not None:
            sure[watch.id] = found
    if len(faults):
        raise_faults(faults, str(path), UsageError)
    return Job(settings, casts, books, sure, displays, now, demo, offline)


def _cast(watch: Watch, path: Path, faults: Faults) -> session.Cast | None:
    """Site, aircraft and pilot of a watch; None when one is at fault, and all faults are noted."""

    def known(named: Named, get: Callable[[str], P]) -> P | None:
        try:
            return get(_path(named, path))
        except WxgateError as error:
            faults.add(named.place, " ".join(str(error).split()))
            return None

    crafts, pilots = session.folders("aircraft"), session.folders("pilots")
    site = known(watch.site, lambda n: session.find_site(n, None, None, "UTC", demo=False))
    craft = known(watch.aircraft, lambda n: find(n, "aircraft", crafts, load_aircraft))
    pilot = known(watch.pilot, lambda n: find(n, "pilot", pilots, load_pilot))
    if site is None or craft is None or pilot is None:
        return None
    return session.Cast(site, craft, pilot)


def _sureness(watch: Watch, path: Path, faults: Faults) -> Sureness | None:
    """How sure a watch wants to be; None when a file is at fault, and all faults are noted."""
    before = len(faults)

    def read(named: Named | None, reader: Callable[[Path | None], P]) -> P | None:
        try:
            return reader(None if named is None else path.parent / Path(named.text).expanduser())
        except WxgateError as error:
            faults.add((named or watch.site).place, " ".join(str(error).split()))
            return None

    policy, bias = read(watch.chances, policy_of), read(watch.bias, bias_of)
    if policy is None or len(faults) > before:
        return None
    return Sureness(options.by_chance(watch.grade_by), policy, bias, watch.lagged)


def _path(named: Named, config: Path) -> str:
    """A file is named as seen from the watch file, for cron starts anywhere."""
    text = named.text
    if text.endswith((".yaml", ".yml")) or "/" in text:
        return str(config.parent / Path(text).expanduser())
    return text


def _know_sources(watch: Watch) -> None:
    from wxgate.sources.registry import source

    for name in watch.sources:
        source(name)


# ---------------------------------------------------------------------- looking


@dataclass(slots=True)
class _Downloads:
    """What one run has fetched, and what did not answer: that is not asked again in it."""

    raws: dict[Question, tuple[Forecast, ...]] = field(default_factory=dict)
    silent: set[Site] = field(default_factory=set)
    waited: float = 0.0  #: s, for what did not answer

    def forecasts(self, job: Job, watch: Watch, ask: Question) -> list[Forecast]:
        cast = job.casts[watch.id]
        if ask.site in self.silent or self.waited > PATIENCE_S:
            ask = replace(ask, offline=True)
        start, raws = time.monotonic(), self.raws
        shared: Raws = raws
        try:
            with progress_bar() as progress:
                found = derived_by_source(
                    ask, cast.aircraft, watch.height, watch.sources, progress=progress, raws=shared
                )
        except DataError as error:
            self._note_silence(ask, start)
            if ask.offline and not job.offline:
                raise DataError(
                    "its services did not answer earlier in this run, and nothing is stored",
                    remedy="The next run asks them anew.",
                ) from error
            raise
        if any(note.startswith("stored hours used") for note in found[0].notes):
            self._note_silence(ask, start)
        return found

    def earlier(
        self, job: Job, watch: Watch, ask: Question, newest: Sequence[Forecast]
    ) -> tuple[list[Forecast], list[str]]:
        """The earlier runs that a watch wants, and a note on what could not be had."""
        sure = job.sure[watch.id]
        if job.demo and sure.lagged:
            return [], ["the demonstration has no earlier runs"]
        if ask.site in self.silent or self.waited > PATIENCE_S:
            ask = replace(ask, offline=True)
        asked = Asked(job.casts[watch.id], job.books[watch.id], ask, watch.height,
                      list(watch.sources), job.now)  # fmt: skip
        start = time.monotonic()
        with progress_bar() as progress:
            found, notes = earlier_runs(asked, newest, sure, progress=progress)
        if notes and not ask.offline:
            self.waited += time.monotonic() - start
        return found, notes

    def _note_silence(self, ask: Question, start: float) -> None:
        self.silent.add(ask.site)
        self.waited += time.monotonic() - start


def look(job: Job) -> list[Seen]:
    """Every watch with its brief, or with the reason why there is none. Downloads are shared."""
    downloads = _Downloads()
    return [_look(job, watch, downloads) for watch in job.settings.watches]


def _look(job: Job, watch: Watch, downloads: _Downloads) -> Seen:
    site = job.casts[watch.id].site
    about = Seen(watch, job.prefix(watch), zone(site.zone), None, name=site.name)
    try:
        return replace(about, brief=_brief(job, watch, downloads))
    except WxgateError as error:
        fault = " ".join(str(error).split())
    except Exception as error:
        if os.environ.get("WXGATE_DEBUG"):
            raise
        # One site's fault must not silence the others.
        fault = f"a fault of the program ({type(error).__name__}: {error})."
    return replace(about, fault=fault)


def _brief(job: Job, watch: Watch, downloads: _Downloads) -> Brief:
    cast = job.casts[watch.id]
    # As long and as much as all watches of the place need, so that all of them ask one question.
    beside = [w for w in job.settings.watches if job.casts[w.id].site == cast.site]
    ask = Question(
        cast.site,
        job.now,
        max(w.hours for w in beside),
        demo=job.demo,
        offline=job.offline,
        targets=frozenset().union(*(targets_of(job.books[w.id]) for w in beside)),
    )
    found, sure = downloads.forecasts(job, watch, ask), job.sure[watch.id]
    runs, notes = downloads.earlier(job, watch, ask, found)
    return make_brief(
        [found[0].with_notes(*notes), *found[1:]],
        job.books[watch.id],
        site=cast.site,
        aircraft=cast.aircraft,
        pilot=cast.pilot,
        height=watch.height,
        now=job.now,
        hours=watch.hours,
        minimum_h=watch.minimum,
        demonstration=job.demo,
        policy=sure.policy,
        by_chance=sure.by_chance,
        lagged=runs,
        bias=sure.bias,
    )
