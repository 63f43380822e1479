"""Earlier runs as more weathers: fetched as they were out before, or out of files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from wxgate.cli.question import raw_forecasts
from wxgate.errors import DataError, UsageError
from wxgate.forecast import FROM, UNTIL, Forecast

if TYPE_CHECKING:
    from wxgate.cli.prepare import Asked
    from wxgate.cli.sureness import Sureness

Progress = Callable[[int, int, str], None]


def earlier_runs(
    asked: Asked, newest: Sequence[Forecast], sure: Sureness, *, progress: Progress
) -> tuple[list[Forecast], list[str]]:  # fmt: skip
    """The derived forecasts of earlier runs, and a note on what could not be had.

    ``sure.lagged`` runs before each of the ``newest``, from the services or from what the cache
    keeps of them, and one of each file of ``sure.earlier``. UsageError for a file of a run that is
    not earlier, or that tells none, and for ``lagged`` where the newest is a file.
    """
    found: list[Forecast] = []
    notes: list[str] = []
    for path in sure.earlier:
        whole = _of_file(asked, newest, path, progress)
        if _too_old(asked, _run(whole), sure):
            notes.append(f"{path.name}: its run is too old for more weathers")
        else:
            found.append(whole)
    if sure.lagged and (asked.question.file is not None or asked.question.demo):
        raise UsageError(
            "--lagged asks the services for earlier runs, but the forecast is a file",
            remedy="Give files of earlier runs with --earlier FILE.",
        )
    for part in newest if sure.lagged else ():
        runs, fault = _fetched(asked, part, sure, progress)
        found += runs
        if fault:
            notes.append(fault)
    return found, notes


def _of_file(asked: Asked, newest: Sequence[Forecast], path: Path, progress: Progress) -> Forecast:
    [raw] = raw_forecasts(replace(asked.question, file=path), progress=progress)
    run, now = _run(raw), min((r for f in newest if (r := _run(f))), default=None)
    if run is None or now is None or not run < now:
        raise UsageError(
            "the run of this file is not earlier than that of the forecast", where=str(path),
            remedy="Give a file of an earlier run of the same model.",
        )  # fmt: skip
    return _derived(asked, raw)


def _too_old(asked: Asked, run: datetime | None, sure: Sureness) -> bool:
    oldest = timedelta(hours=sure.policy.number("earlier", "run_hours"))
    return run is None or asked.now - run > oldest


def _fetched(
    asked: Asked, part: Forecast, sure: Sureness, progress: Progress
) -> tuple[list[Forecast], str]:
    """So many runs before that of a forecast, the newest of them first; and what went wrong."""
    count, found = sure.lagged, list[Forecast]()
    before, name = _run(part), part.provenance[0].source if part.provenance else ""
    while before is not None and len(found) < count:
        ask = replace(asked.question, model=name, as_of=before)
        try:
            raw, *_ = raw_forecasts(ask, progress=progress)
        except DataError as error:
            return found, f"{name}: {len(found)} of {count} earlier runs ({error.what})"
        run = _run(raw)
        if run is None or not run < before or _too_old(asked, run, sure):
            return found, f"{name}: {len(found)} of {count} earlier runs are young enough"
        spoken = {key: part.attributes[key] for key in (FROM, UNTIL) if key in part.attributes}
        whole = _derived(asked, raw)
        found.append(replace(whole, attributes={**whole.attributes, **spoken}))
        before = run
    return found, ""


def _derived(asked: Asked, raw: Forecast) -> Forecast:
    from wxgate.derive.run import derive

    return derive(
        raw, site=asked.cast.site, aircraft=asked.cast.aircraft, height=asked.height,
        wanted=asked.question.wanted,
    )  # fmt: skip


def _run(forecast: Forecast) -> datetime | None:
    return forecast.provenance[0].run if forecast.provenance else None
