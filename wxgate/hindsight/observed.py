"""What was observed in each hour: from reports of stations, or from a table of observations."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from wxgate.errors import DataError, UsageError
from wxgate.fieldcheck.seen import seen_from_report
from wxgate.forecast import HOUR, to_datetime64
from wxgate.quantities import NO_CEILING, quantity
from wxgate.sources.aviation_formats import Report
from wxgate.units import convert
from wxgate.verify.cases import Array
from wxgate.wholefile import read_whole

#: What can be observed, with how the reports of an hour make its value: the worst of them.
WORST = {
    "wind_speed": max, "gust": max, "visibility": min, "ceiling_height": min,
    "air_temperature": max, "dew_point_temperature": max, "precipitation": max,
}  # fmt: skip
#: Beside those, not graded: where the wind came from in the report of the strongest wind.
DIRECTION = "wind_from_direction"
#: A report of so many minutes before the hour speaks of its begin.
EARLY = timedelta(minutes=10)
#: Years of observations.
EARLIEST, LATEST = 1850, 2200
#: "It rains" in a report that measures no amount.
RAIN_MM = 0.2
#: Names that a table may use for the quantities above.
_ALSO = {
    "wind_speed_of_gust": "gust", "visibility_in_air": "visibility",
    "lwe_thickness_of_precipitation_amount": "precipitation",
}  # fmt: skip
_HEAD = re.compile(r"\s*([a-z0-9_]+)\s*(?:[\[(]([^\])]*)[\])]\s*)?")


@dataclass(frozen=True, slots=True)
class Observed:
    """Observations on hours: ``time[i]`` stands for [time[i], time[i] + 1 h); NaN: not observed.

    Hours follow each other without a gap.

    ``fields`` has arrays (hour,) in the quantities' own units. ``gust`` NaN where the wind is known
    says that no gust was told: it was less than the mean and 10 kt.
    """

    station: str
    time: Array
    fields: Mapping[str, Array]
    notes: tuple[str, ...] = ()

    def at(self, time: Array) -> dict[str, Array]:
        """The fields on other hours, NaN where there is none."""
        steps = (time - self.time[0]) / HOUR
        inside = (steps >= 0) & (steps < len(self.time)) & (steps == np.floor(steps))
        rows = np.where(inside, steps, -1).astype(int)
        padded = {name: np.append(values, np.nan) for name, values in self.fields.items()}
        return {name: values[rows] for name, values in padded.items()}


def observed_from_reports(reports: Iterable[Report]) -> Observed:
    """Hours out of a station's reports; DataError when there are none."""
    rows: list[tuple[datetime, dict[str, float]]] = []
    station = ""
    for report in reports:
        seen = seen_from_report(report)
        values = {
            "wind_speed": seen.wind, "gust": seen.gust, "ceiling_height": seen.ceiling,
            "visibility": report.says.visibility, "air_temperature": seen.temperature,
            "dew_point_temperature": seen.dew_point, DIRECTION: report.says.direction,
            "precipitation": RAIN_MM if seen.rain else 0.0,
        }  # fmt: skip
        rows.append((report.time, {n: v for n, v in values.items() if v is not None}))
        station = station or report.station
    return _hourly(station, rows)


def observed_from_csv(path: Path) -> Observed:
    """Hours out of a table: a column ``time`` (ISO, with zone), others ``name (unit)``.

    Names are those of the quantities. DataError with the line when it cannot be read.
    """
    try:
        with io.StringIO(read_whole(path).decode("utf-8-sig"), newline="") as lines:
            table = csv.reader(lines)
            heads = next(table, [])
            if len(heads) == 1 and ";" in heads[0]:
                raise DataError(
                    "the columns of the table stand between semicolons",
                    where=str(path),
                    remedy="Save it with commas between them, and with decimal points.",
                )
            columns = [_column(head, path) for head in heads]
            if "time" not in [c[0] for c in columns if c]:
                raise DataError(
                    "the table has no column time",
                    where=str(path),
                    remedy="Add one with ISO times such as 2026-09-15T05:00Z.",
                )
            rows = [_row(cells, columns, path, n) for n, cells in enumerate(table, 2) if cells]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        why = getattr(error, "strerror", None) or error
        raise DataError(f"the table cannot be read ({why})", where=str(path),
                        remedy="Give a CSV file in UTF-8.") from error  # fmt: skip
    return _hourly(path.stem, rows)


Column = tuple[str, str] | None


def _column(head: str, path: Path) -> Column:
    """Name and unit of a column; None for one that is not ours."""
    match = _HEAD.fullmatch(head)
    name = _ALSO.get(match[1], match[1]) if match else ""
    if name == "time":
        return "time", ""
    if match is None or name not in {*WORST, DIRECTION}:
        return None
    if match[2] is None:
        raise DataError(
            f"the column {name} has no unit", where=str(path),
            remedy=f"Write the head as {name} ({quantity(name).units}).",
        )  # fmt: skip
    try:
        convert(0.0, match[2], quantity(name).units)
    except UsageError as error:
        raise DataError(f"the column {name}: {error.what}", where=str(path),
                        remedy=error.remedy) from error  # fmt: skip
    return name, match[2]


def _row(
    cells: Sequence[str], columns: Sequence[Column], path: Path, line: int
) -> tuple[datetime, dict[str, float]]:
    when: datetime | None = None
    values: dict[str, float] = {}
    for cell, column in zip(cells, columns, strict=False):
        text = cell.strip()
        if column is None or not text or text.upper() in {"NA", "NAN", "M"}:
            continue
        try:
            if column[0] == "time":
                when = datetime.fromisoformat(text)
            else:
                values[column[0]] = convert(float(text), column[1], quantity(column[0]).units)
        except ValueError as error:
            raise DataError(f"{column[0]} {text!r} cannot be read", where=f"{path}:{line}",
                            remedy="Mend the row or leave the cell empty.") from error  # fmt: skip
    if when is None or when.tzinfo is None:
        raise DataError("the row has no time with a zone", where=f"{path}:{line}",
                        remedy="Write times such as 2026-09-15T05:00Z.")  # fmt: skip
    try:
        when = when.astimezone(UTC)
    except OverflowError:
        when = datetime.min.replace(tzinfo=UTC)
    if not plausible(when):
        raise DataError(f"no year that can be: {when.year}", where=f"{path}:{line}",
                        remedy="Write times such as 2026-09-15T05:00Z.")  # fmt: skip
    low_high = {name: (quantity(name).low, quantity(name).high) for name in values}
    kept = {n: v for n, v in values.items() if low_high[n][0] <= v <= low_high[n][1]}
    return when, kept


def plausible(when: datetime) -> bool:
    """Whether anything can have been observed in this year."""
    return EARLIEST <= when.year <= LATEST


def _hourly(station: str, rows: Sequence[tuple[datetime, dict[str, float]]]) -> Observed:
    if not rows:
        raise DataError("there are no observations", where=station or "observations",
                        remedy="Give reports or a table that covers the hours.")  # fmt: skip
    hours: dict[datetime, list[dict[str, float]]] = {}
    for when, values in rows:
        moved = when + EARLY
        hours.setdefault(moved.replace(minute=0, second=0, microsecond=0), []).append(values)
    first, last = min(hours), max(hours)
    count = round((last - first) / timedelta(hours=1)) + 1
    if count > 20 * 366 * 24:
        raise DataError("the observations span more than twenty years", where=station,
                        remedy="Check their times.")  # fmt: skip
    time = to_datetime64(first) + np.arange(count) * HOUR
    fields = {name: np.full(count, np.nan) for name in (*WORST, DIRECTION)}
    for hour, told in hours.items():
        i = round((hour - first) / timedelta(hours=1))
        for name, worst in WORST.items():
            found = [one[name] for one in told if name in one]
            fields[name][i] = worst(found) if found else np.nan
        strongest = max(told, key=lambda one: one.get("wind_speed", -math.inf))
        fields[DIRECTION][i] = strongest.get(DIRECTION, np.nan)
    fields["ceiling_height"] = np.minimum(fields["ceiling_height"], NO_CEILING)
    return Observed(station, time, fields)
