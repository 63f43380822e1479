"""The journal for other programs: tables as CSV, Parquet or netCDF.

Times are UTC, grades are words, units are those of the quantities and stand in the netCDF file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wxgate.errors import JournalError, UsageError
from wxgate.journal.book import Journal
from wxgate.journal.records import Selection
from wxgate.quantities import QUANTITIES
from wxgate.verdict import Grade
from wxgate.wholefile import written_aside

if TYPE_CHECKING:
    import pandas as pd

#: What can be exported: the tables of the journal.
TABLES = ("hours", "briefs", "readings", "deeds", "observations")
FORMATS = (".csv", ".parquet", ".nc")
_AT_START = "at start: "


def export(journal: Journal, out: Path, *, table: str, which: Selection) -> int:
    """Write a table of the journal to a file, its form told by its ending; how many rows.

    Written aside and moved into place. UsageError for another ending or table, and for Parquet
    where its library is not installed; JournalError when it cannot be written.
    """
    if out.suffix not in FORMATS:
        raise UsageError(
            f"{out.name} does not tell its form",
            remedy=f"Give it one of the endings {', '.join(FORMATS)}.",
        )
    frame = frame_of(journal, table, which)
    try:
        with written_aside(out) as partial:
            _WRITE[out.suffix](frame, partial)
    except ImportError as error:
        raise UsageError(
            "Parquet needs a library that is not installed",
            remedy="Install pyarrow, or write CSV or netCDF.",
        ) from error
    except OSError as error:
        raise JournalError(
            f"the file cannot be written ({error.strerror or error})",
            where=str(out),
            remedy="Check its folder and the space on the disk.",
        ) from error
    return len(frame)


def frame_of(journal: Journal, table: str, which: Selection) -> pd.DataFrame:
    """A table of the journal as a pandas frame; times as UTC without a zone."""
    import pandas as pd

    rows: Mapping[str, Callable[[], Iterable[Mapping[str, Any]]]] = {
        "hours": lambda: _hours(journal, which),
        "briefs": lambda: map(_flat_brief, map(asdict, journal.briefs(which))),
        "readings": lambda: map(asdict, journal.readings(which)),
        "deeds": lambda: map(asdict, journal.deeds(which)),
        "observations": lambda: map(asdict, journal.observations(which)),
    }
    if table not in rows:
        raise UsageError(f"{table!r} is no table of the journal",
                         remedy=f"Tables: {', '.join(TABLES)}.")  # fmt: skip
    return pd.DataFrame([_plain(row) for row in rows[table]()])


def _hours(journal: Journal, which: Selection) -> Iterable[Mapping[str, Any]]:
    """Each verdict with its brief's facts and the numbers behind it."""
    briefs: dict[int, Mapping[str, Any]] = {}
    numbers: dict[int, Mapping[datetime, Mapping[str, float | None]]] = {}
    for brief in journal.briefs(Selection(which.site, demonstration=which.demonstration)):
        briefs[brief.id] = {
            "site": brief.site, "aircraft": brief.aircraft, "pilot": brief.pilot,
            "skill": brief.skill, "height": brief.height, "graded_by": brief.graded_by,
            "rulebook_sha256": brief.rulebook_sha256,
        }  # fmt: skip
    for hour in journal.hours(which):
        if hour.brief not in numbers:
            numbers[hour.brief] = _by_hour(journal, hour.brief)
        facts = asdict(hour) | {"lead_h": hour.lead_h}
        yield {**facts, **briefs.get(hour.brief, {}), **numbers[hour.brief].get(hour.start, {})}


def _by_hour(journal: Journal, brief: int) -> dict[datetime, dict[str, float | None]]:
    found = journal.quantities(brief)
    if found is None:
        return {}
    graded = {f"{found.rules[rule]} ({rule})": v for rule, v in found.graded.items()}
    columns = {**graded, **{_AT_START + n: v for n, v in found.at_start.items()}}
    spread = journal.spread(brief)
    if spread is not None:
        for name, quantiles in spread.at_start.items():
            for share, column in zip(spread.shares, quantiles, strict=True):
                columns[f"{_AT_START}{name} (p{100 * share:.0f})"] = column
    return {
        start: {name: values[i] for name, values in columns.items() if i < len(values)}
        for i, start in enumerate(found.start)
    }


def _flat_brief(brief: Mapping[str, Any]) -> dict[str, Any]:
    told = dict(brief)
    window, sources = told.pop("window"), told.pop("provenance")
    told["window_start"], told["window_end"] = window or (None, None)
    told["sources"] = "; ".join(f"{p['source']} {p['run'] or p['fetched']}" for p in sources)
    told["sources_sha256"] = "; ".join(str(p["sha256"]) for p in sources)
    told["notes"] = "; ".join(told["notes"])
    return told


def _plain(row: Mapping[str, Any]) -> dict[str, Any]:
    return {name: _value(value) for name, value in row.items()}


def _value(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.replace(tzinfo=None)
    return value.word if isinstance(value, Grade) else value


# ---------------------------------------------------------------------- files


def _csv(frame: pd.DataFrame, path: Path) -> None:
    # A text that begins like a formula would be run by a spreadsheet that opens the file.
    texts = frame.select_dtypes(include=["object", "string"]).columns
    guarded = frame.assign(**{name: frame[name].map(_no_formula) for name in texts})
    guarded.to_csv(path, index=False, date_format="%Y-%m-%dT%H:%M:%SZ")


def _no_formula(value: Any) -> Any:
    return f"'{value}" if isinstance(value, str) and value[:1] in set("=+-@\t\r") else value


def _parquet(frame: pd.DataFrame, path: Path) -> None:
    frame.to_parquet(path, index=False)


def _netcdf(frame: pd.DataFrame, path: Path) -> None:
    import numpy as np
    import xarray as xr

    variables = {}
    for name in frame.columns:
        column = frame[name]
        if column.dtype.kind in "Mmuif":
            values = column.to_numpy()
        elif _is_numeric(column):
            values = column.astype(float).to_numpy()
        else:
            values = np.array(["" if v is None or v != v else str(v) for v in column], dtype=str)
        row = QUANTITIES.get(name.removeprefix(_AT_START).split(" (")[0])
        known = {} if row is None else {"units": row.cf_units, "long_name": row.label}
        variables[name] = ("entry", values, known)
    whole = xr.Dataset(variables, attrs={"title": "wxgate journal", "Conventions": "CF-1.10"})
    # Each time by itself in seconds: a time that is missing must stay missing.
    times = {n: {"units": "seconds since 1970-01-01", "dtype": "float64"}
             for n, v in whole.variables.items() if v.dtype.kind == "M"}  # fmt: skip
    whole.to_netcdf(path, encoding=times)


def _is_numeric(column: Sequence[Any]) -> bool:
    return all(v is None or isinstance(v, bool | int | float) for v in column)


_WRITE: Mapping[str, Callable[[Any, Path], None]] = {
    ".csv": _csv, ".parquet": _parquet, ".nc": _netcdf,
}  # fmt: skip
