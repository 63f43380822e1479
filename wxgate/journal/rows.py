"""Rows of the journal's tables: records to values that sqlite keeps, and back."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import fields
from datetime import UTC, datetime
from typing import Any

from wxgate.journal.records import (
    Deed,
    Done,
    IssuedBrief,
    IssuedHour,
    Observation,
    Reading,
    Selection,
)
from wxgate.journal.taken import PROVENANCE
from wxgate.verdict import Grade


def insert(write: sqlite3.Connection, table: str, row: Sequence[object]) -> int:
    """Write one row; its number."""
    marks = ", ".join("?" * len(row))
    number = write.execute(f"INSERT INTO {table} VALUES ({marks})", row).lastrowid  # noqa: S608
    return int(number or 0)


def terms_of(
    which: Selection, *, when: str, site: str | None = None, invented: str | None = None
) -> dict[str, object]:
    """The selection as terms, each with its value."""
    terms: dict[str, object] = {}
    if site is not None and which.site is not None:
        terms[f"{site} = ?"] = which.site
    if which.since is not None:
        terms[f"{when} >= ?"] = which.since
    if which.until is not None:
        terms[f"{when} < ?"] = which.until
    if invented is not None and not which.demonstration:
        terms[f"{invented} = ?"] = False
    return terms


def stored(value: Any) -> Any:
    """A value as sqlite keeps it: times as whole seconds (an aware time only), flags as 0 or 1."""
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise ValueError("a time without a zone")
        return int(value.timestamp())
    return int(value) if isinstance(value, bool | Grade) else value


def _moment(seconds: int) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


OF_BRIEF = ", ".join(
    {"window": "window_start, window_end"}.get(f.name, f.name) for f in fields(IssuedBrief)
)


def brief_of(row: sqlite3.Row) -> IssuedBrief:
    """The brief in a row."""
    told = {name: row[name] for name in row.keys()}  # noqa: SIM118
    start, end = told.pop("window_start"), told.pop("window_end")
    return IssuedBrief(
        **{
            **told,
            **{name: float(told[name]) for name in ("latitude", "longitude", "height")},
            "made": _moment(told["made"]),
            "grade": Grade(told["grade"]),
            "demonstration": bool(told["demonstration"]),
            "provenance": tuple(
                {name: p[name] for name in PROVENANCE} for p in json.loads(told["provenance"])
            ),
            "notes": tuple(map(str, json.loads(told["notes"]))),
        },
        window=None if start is None else (_moment(start), _moment(end)),
    )


def hour_of(row: sqlite3.Row) -> IssuedHour:
    """The verdict on an hour in a row, with when its brief was made."""
    return IssuedHour(
        row["brief"], _moment(row["start"]), Grade(row["grade"]), _number(row["margin"]),
        None if row["limiting"] is None else str(row["limiting"]), _number(row["chance"]),
        _moment(row["made"]),
    )  # fmt: skip


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def observation_of(row: sqlite3.Row) -> Observation:
    """The report of a station in a row."""
    return Observation(row["station"], _moment(row["time"]), row["raw"], row["distance_km"])


_FLAGS = ("sheltered", "rain", "thunder")


def reading_of(row: sqlite3.Row) -> Reading:
    """The reading in a row."""
    told = {field.name: row[field.name] for field in fields(Reading)}
    flags = {name: None if told[name] is None else bool(told[name]) for name in _FLAGS}
    grade = None if told["grade"] is None else Grade(told["grade"])
    return Reading(**{**told, **flags, "made": _moment(told["made"]), "grade": grade})


def deed_of(row: sqlite3.Row) -> Deed:
    """What was done, in a row."""
    told = {field.name: row[field.name] for field in fields(Deed)}
    end = None if told["end"] is None else _moment(told["end"])
    times = {"made": _moment(told["made"]), "start": _moment(told["start"]), "end": end}
    return Deed(**{**told, **times, "done": Done(told["done"])})
