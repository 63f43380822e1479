"""The derived forecast that answers: stored hours while they are fresh, else a fetch."""

from __future__ import annotations

from collections.abc import Callable, MutableMapping, Sequence
from dataclasses import asdict, replace
from datetime import timedelta
from pathlib import Path

from wxgate import figures, places, store
from wxgate.cli.issued import is_ahead
from wxgate.cli.question import AFTER, BEFORE, Question, covers, raw_forecasts
from wxgate.errors import DataError
from wxgate.forecast import Forecast, hours_axis
from wxgate.profiles import Aircraft

#: Stored hours answer again without a fetch for this long; the sources change no faster.
FRESH = timedelta(minutes=30)


#: Raw forecasts by question, shared by all that one run of the program asks.
Raws = MutableMapping[Question, tuple[Forecast, ...]]


def derived(
    ask: Question,
    aircraft: Aircraft,
    height: float,
    *,
    progress: Callable[[int, int, str], None],
    raws: Raws | None = None,
) -> tuple[Forecast, ...]:
    """The derived forecasts that answer: stored hours while they are fresh, else a fetch.

    One as a rule; where one model does not reach all hours, one for each, with the hours that it
    speaks for. ``raws``, shared by the calls of one run, makes a question be fetched but once.

    Without a network the last stored hours answer at whatever age they have; the note says so
    and the staleness rules cap the grade. DataError when nothing is stored either.
    """
    folder = places.cache_folder() / "hours"
    key = _key(ask, aircraft, height)
    stored = _load(folder, key)
    if stored and _covers(stored[0], ask) and all(_fresh(part, ask) for part in stored):
        return tuple(part.forecast for part in stored)
    from wxgate.derive.run import derive

    # Whoever asks for other quantities in turn does not make each other fetch anew.
    ask = replace(ask, targets=_both(ask.targets, stored[0])) if stored else ask
    try:
        raw = _raw(ask, progress, raws)
    except DataError as error:
        if not stored or ask.file is not None:
            raise
        # First, so that a brief of few lines does not leave it out.
        first, *others = (part.forecast for part in stored)
        notes = (f"stored hours used: {error.what}", *first.notes)
        return (replace(first, notes=notes), *others)
    whole = [
        derive(part, site=ask.site, aircraft=aircraft, height=height, wanted=ask.wanted)
        for part in raw
    ]
    try:
        _save(folder, key, whole, ask)
    except OSError as error:
        whole[0] = whole[0].with_notes(f"the hours could not be stored ({error.strerror})")
    return tuple(whole)


def derived_by_source(
    ask: Question,
    aircraft: Aircraft,
    height: float,
    models: Sequence[str],
    *,
    progress: Callable[[int, int, str], None],
    raws: Raws | None = None,
) -> list[Forecast]:
    """One derived forecast for each model named; those of the best models when none is.

    The best ones each speak for hours of their own, those named for all. A model that does not
    answer is a note on the others; DataError when none does.
    """
    if not models:
        return list(derived(ask, aircraft, height, progress=progress, raws=raws))
    from wxgate.sources.registry import source

    for name in models:
        source(name)  # a slip of the pen is told before anything is fetched
    found: list[Forecast] = []
    faults: list[DataError] = []
    for name in dict.fromkeys(models):
        try:
            one = replace(ask, model=name)
            found += derived(one, aircraft, height, progress=progress, raws=raws)
        except DataError as error:
            faults.append(error)
    if not found:
        raise faults[0]
    return [found[0].with_notes(*(error.what for error in faults)), *found[1:]]


def _raw(
    ask: Question, progress: Callable[[int, int, str], None], raws: Raws | None
) -> tuple[Forecast, ...]:
    had = next((raws[one] for one in raws or () if ask.answered_by(one)), None)  # type: ignore[index]
    if had is None:
        had = raw_forecasts(ask, progress=progress)
        if raws is not None:
            raws[ask] = had
    return had


def _both(asked: frozenset[str] | None, stored: store.Stored) -> frozenset[str] | None:
    had = stored.forecast.attributes.get("targets")
    return None if asked is None or had is None else asked | frozenset(had)


def _load(folder: Path, key: str) -> list[store.Stored]:
    """The stored parts of an answer in their order; none unless all of one fetch are there."""
    first = store.load(folder, key)
    if first is None:
        return []
    count = first.forecast.attributes.get("parts", 1)
    others = [store.load(folder, f"{key}-{n}") for n in range(1, count)]
    # Two runs of the program at once, or one that was stopped half way, leave parts of two fetches.
    whole = [one for one in others if one is not None and one.at == first.at]
    return [first, *whole] if len(whole) == len(others) else []


def _save(folder: Path, key: str, parts: Sequence[Forecast], ask: Question) -> None:
    """Store the parts of an answer, the first one last, so that what is found is whole."""
    targets = None if ask.targets is None else sorted(ask.targets)
    marks = {"targets": targets, "parts": len(parts), "ahead": is_ahead(ask.now)}
    for n, part in reversed(list(enumerate(parts))):
        marked = replace(part, attributes={**part.attributes, **marks})
        store.save(folder, f"{key}-{n}" if n else key, marked, at=ask.now)


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
        figures=[figures.hash_of(file) for file in figures.DERIVATION],
        endpoints=_stat(own) if own.exists() else None,
        site=asdict(ask.site), aircraft=asdict(aircraft), height=height, demo=ask.demo,
        file=stamp, model=ask.model, budget=ask.budget_mb,
    )  # fmt: skip


def _stat(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError as error:
        raise DataError(
            f"cannot read the file ({error.strerror})", where=str(path), remedy="Check its path."
        ) from error
    return found.st_size, found.st_mtime_ns


def _covers(stored: store.Stored, ask: Question) -> bool:
    forecast = stored.forecast
    had = forecast.attributes.get("targets")
    if not covers(None if had is None else frozenset(had), ask.targets):
        return False
    # With the hours that rules look at beside them, so that stored hours grade as fresh ones do.
    asked = hours_axis(ask.now - timedelta(hours=BEFORE), ask.hours + BEFORE + AFTER)
    first = (forecast if forecast.earlier is None else forecast.earlier).time[0]
    return bool(first <= asked[0] and forecast.time[-1] >= asked[-1])


def _fresh(stored: store.Stored, ask: Question) -> bool:
    if ask.offline or ask.file is not None:
        return True
    # Had before its time came (by --at): so old is it then.
    waited = stored.forecast.attributes.get("ahead", False) and not is_ahead(ask.now)
    return not waited and abs(ask.now - stored.at) < FRESH
