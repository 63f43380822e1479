"""The index beside an ECMWF GRIB file: one JSON object a line, in any order of keys.

All values are texts but ``_offset`` and ``_length``; members of an ensemble have a ``number``.
Source: indices of IFS and AIFS runs of 2023 to 2026.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from wxgate.errors import DataError
from wxgate.sources.sidecar import Line, Lines
from wxgate.sources.wanted import Wanted


def index_url(url: str) -> str:
    """The index of a file: ``.index`` in place of the last ending."""
    return url.rpartition(".")[0] + ".index"


def parse_index(text: str, where: str = "") -> Lines:
    """The lines of an index, each with the bytes of one message.

    The level is ``sfc``, or ``pl 850`` where there is one; the window text is the step as it
    stands there. DataError when a line cannot be read or there is none.
    """
    rows = enumerate(text.splitlines(), 1)
    lines = Lines(_line(n, row, where) for n, row in rows if row.strip())
    if not lines:
        raise _fault("it is empty", where)
    return lines


def find_in_index(lines: Lines, wanted: Wanted, step: int) -> Line | None:
    """The line of what is wanted, under its first name that the index has; None without one."""
    member = () if wanted.member is None else (str(wanted.member),)
    for name in (wanted.element, *wanted.aliases):
        for line in lines.named(name, wanted.level, member):
            if line.window_text == str(step):
                return line
    return None


def _line(number: int, text: str, where: str) -> Line:
    try:
        row: Any = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _fault(f"line {number} is not JSON ({error})", where) from error
    if not isinstance(row, Mapping):
        raise _fault(f"line {number} is not a JSON object", where)
    offset, length = (_bytes(row, key, number, where) for key in ("_offset", "_length"))
    level = " ".join(str(row[key]) for key in ("levtype", "levelist") if key in row)
    member = (str(row["number"]),) if "number" in row else ()
    return Line(
        str(number), offset, offset + length - 1, _run(row, number, where),
        str(row.get("param")), level, str(row.get("step")), member,
    )  # fmt: skip


def _bytes(row: Mapping[str, Any], key: str, number: int, where: str) -> int:
    value = row.get(key)
    least = 1 if key == "_length" else 0
    if isinstance(value, bool) or not isinstance(value, int) or value < least:
        raise _fault(f"line {number} does not tell its {key}", where)
    return value


def _run(row: Mapping[str, Any], number: int, where: str) -> datetime:
    with contextlib.suppress(ValueError):
        when = f"{row.get('date')}{str(row.get('time')).zfill(4)}"
        return datetime.strptime(when, "%Y%m%d%H%M").replace(tzinfo=UTC)
    raise _fault(f"line {number} does not tell its run", where)


def _fault(what: str, where: str) -> DataError:
    return DataError(
        f"the index cannot be used: {what}", where=where, remedy="Try another mirror, or later."
    )
