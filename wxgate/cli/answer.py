"""The derived forecast that answers: stored hours while they are fresh, else a fetch."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from datetime import timedelta
from pathlib import Path

from wxgate import places, store
from wxgate.cli.question import AFTER, BEFORE, Question, raw_forecast
from wxgate.errors import DataError
from wxgate.forecast import Forecast, hours_axis
from wxgate.profiles import Aircraft

#: Stored hours answer again without a fetch for this long; the sources change no faster.
FRESH = timedelta(minutes=30)


def derived(
    ask: Question, aircraft: Aircraft, height: float, *, progress: Callable[[int, int, str], None]
) -> Forecast:
    """The derived forecast that answers: stored hours while they are fresh, else a fetch.

    Without a network the last stored hours answer at whatever age they have; the note says so
    and the staleness rules cap the grade. DataError when nothing is stored either.
    """
    folder = places.cache_folder() / "hours"
    key = _key(ask, aircraft, height)
    stored = store.load(folder, key)
    if stored is not None and _covers(stored.forecast, ask) and _fresh(stored, ask):
        return stored.forecast
    from wxgate.derive.run import derive

    try:
        raw = raw_forecast(ask, progress=progress)
    except DataError as error:
        if stored is None or ask.file is not None:
            raise
        # First, so that a brief of few lines does not leave it out.
        notes = (f"stored hours used: {error.what}", *stored.forecast.notes)
        return replace(stored.forecast, notes=notes)
    whole = derive(raw, site=ask.site, aircraft=aircraft, height=height)
    try:
        store.save(folder, key, whole, at=ask.now)
    except OSError as error:
        whole = whole.with_notes(f"the hours could not be stored ({error.strerror})")
    return whole


def derived_by_source(
    ask: Question,
    aircraft: Aircraft,
    height: float,
    models: Sequence[str],
    *,
    progress: Callable[[int, int, str], None],
) -> list[Forecast]:
    """One derived forecast for each model named, or one of the usual models when none is.

    A model that does not answer is a note on the others; DataError when none does.
    """
    if not models:
        return [derived(ask, aircraft, height, progress=progress)]
    from wxgate.sources.registry import source

    for name in models:
        source(name)  # a slip of the pen is told before anything is fetched
    found: list[Forecast] = []
    faults: list[DataError] = []
    for name in dict.fromkeys(models):
        try:
            found.append(derived(replace(ask, model=name), aircraft, height, progress=progress))
        except DataError as error:
            faults.append(error)
    if not found:
        raise faults[0]
    return [found[0].with_notes(*(error.what for error in faults)), *found[1:]]


def _key(ask: Question, aircraft: Aircraft, height: float) -> str:
    stamp: object = None
    if ask.file is not None:
        stat = _stat(ask.file)
        stamp = (str(ask.file.resolve()), stat)
    elif ask.demo:
        root = places.shipped("cached_forecasts")
        stamp = [(p.name, _stat(p)) for p in sorted(root.rglob("*")) if p.is_file()]
    own = places.config_folder() / "endpoints.yaml"
    return store.question(
        endpoints=_stat(own) if own.exists() else None,
        site=asdict(ask.site), aircraft=asdict(aircraft), height=height, demo=ask.demo,
        file=stamp, model=ask.model,
    )  # fmt: skip


def _stat(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError as error:
        raise DataError(
            f"cannot read the file ({error.strerror})", where=str(path), remedy="Check its path."
        ) from error
    return found.st_size, found.st_mtime_ns


def _covers(forecast: Forecast, ask: Question) -> bool:
    # With the hours that rules look at beside them, so that stored hours grade as fresh ones do.
    asked = hours_axis(ask.now - timedelta(hours=BEFORE), ask.hours + BEFORE + AFTER)
    return bool(forecast.time[0] <= asked[0] and forecast.time[-1] >= asked[-1])


def _fresh(stored: store.Stored, ask: Question) -> bool:
    return ask.offline or ask.file is not None or abs(ask.now - stored.at) < FRESH
