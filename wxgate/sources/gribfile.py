"""A forecast out of GRIB files that the user has, by the same matching as the fetched ones.

The files may be of any model that writes the fields the endpoints list for the GFS: numbers and
surfaces are the WMO's. A file holds what it holds: its steps are taken as they are, and hours
between two of them are filled when they are at most three hours apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from wxgate.errors import DataError
from wxgate.forecast import Forecast, Provenance, hours_axis, to_datetime
from wxgate.grib import Message, read_messages
from wxgate.sources.base import Request
from wxgate.sources.endpoints import Entry, load_endpoints
from wxgate.sources.sampler import Sampler
from wxgate.sources.sitefields import (
    RAIN,
    needed,
    notes_on,
    place_text,
    read_site_rules,
    site_fields,
)
from wxgate.sources.wanted import read_wanted
from wxgate.wholefile import read_whole

NAME = "file"


def forecast_from_grib(
    files: Iterable[Path | bytes],
    request: Request,
    endpoints: Mapping[str, Any] | None = None,
    model: str = "gfs",
) -> Forecast:
    """The forecast at the request's site and hours that GRIB2 files hold.

    Of several runs the newest that does not begin after the first hour is read. ``model`` is the
    entry of the endpoints (None: those shipped) whose list of messages and ceilings holds.
    DataError when a file is not GRIB2, none holds anything that is wanted, or the site lies
    outside.
    """
    entry = Entry(load_endpoints() if endpoints is None else endpoints, "").entry(model)
    rules = read_site_rules(entry)
    # A file of another model may count its sums from elsewhere: any begin of a window will do.
    wanted = [replace(w, bucket_h=None) for w in read_wanted(entry, needed(request.wanted))]
    time = hours_axis(request.start, request.hours)
    messages = [message for file in files for message in _read(file)]
    run = _run(messages, to_datetime(time[0]))
    sampler = Sampler(
        request.latitude, request.longitude, run, wanted,
        nearby=frozenset({RAIN}), radius_km=rules.radius_km,
    )  # fmt: skip
    by_step = _by_step(messages, run)
    for step in sorted(by_step):
        sampler.add(step, by_step[step])
    if not sampler.steps:
        raise DataError(
            f"the run {run:%Y-%m-%d %H} UTC in the file holds nothing that is wanted",
            remedy="Give a GRIB2 file with wind, gust, temperature and the like near the ground.",
        )
    steps = sorted(sampler.steps)
    fields = site_fields(sampler, steps, time, rules, NAME)
    fields = {name: f for name, f in fields.items() if request.wants(name)}
    notes = tuple(notes_on(sampler, steps, request.wanted))
    provenance = Provenance(
        source=NAME,
        title="GRIB file",
        run=run,
        fetched=request.now,
        sha256=sampler.sha256,
        cycle_h=entry.entry("runs").number("every_h"),
        place=place_text(sampler.spot),
        notes=notes,
        quantities=tuple(fields),
    )
    return Forecast(time, fields, (provenance,), tuple(f"{NAME}: {note}" for note in notes))


def _read(file: Path | bytes) -> list[Message]:
    if isinstance(file, bytes):
        return read_messages(file, skip_strays=True)
    try:
        return read_messages(read_whole(file), skip_strays=True)
    except OSError as error:
        raise DataError(
            f"the file cannot be read ({error.strerror})",
            where=str(file),
            remedy="Check its name and your rights to it.",
        ) from error
    except DataError as error:
        raise DataError(
            f"{error.where}: {error.what}", where=str(file), remedy="Give a GRIB2 file."
        ) from error


def _run(messages: Iterable[Message], first: datetime) -> datetime:
    runs = sorted({message.run for message in messages})
    early = [run for run in runs if run <= first]
    return early[-1] if early else runs[0]


def _by_step(messages: Iterable[Message], run: datetime) -> dict[int, list[Message]]:
    steps: dict[int, list[Message]] = {}
    for message in messages:
        if message.run == run and message.end_min % 60 == 0:
            steps.setdefault(message.end_min // 60, []).append(message)
    return steps
