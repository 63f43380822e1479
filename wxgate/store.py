"""Stored derived hours: a brief that was derived before answers again at once.

One JSON file a question (site, aircraft, height, sources), in the user's cache folder: small for
one site, readable by eye, and read without xarray, pandas or MetPy. A file that is damaged or of
another version is as good as none. The model runs inside it keep their own times, so stored hours
grow old like any other data and the staleness rules see it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from wxgate import __version__
from wxgate.errors import DataError
from wxgate.forecast import (
    AT_SITE_HEIGHT,
    CLOCK_BEHIND_H,
    Array,
    Field,
    Forecast,
    Provenance,
    check_axis,
)
from wxgate.quantities import QUANTITIES, Kind
from wxgate.wholefile import make_private_folder, write_whole

FORMAT = 6
#: What a forecast says of itself that is stored with it: plain numbers, texts and lists.
ATTRIBUTES = ("targets", "from", "until", "parts", "ahead", CLOCK_BEHIND_H, AT_SITE_HEIGHT)


#: What a file raises that was damaged, or written by somebody else.
_UNREADABLE = (
    OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError,
    DataError,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Stored:
    """Derived hours with the moment at which they were stored."""

    forecast: Forecast
    at: datetime


def question(**parts: Any) -> str:
    """A short key for what was asked: the same parts give the same key, in any order."""
    text = json.dumps({"version": __version__, **parts}, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def save(folder: Path, key: str, forecast: Forecast, *, at: datetime) -> None:
    """Store derived hours under a key; written aside, then moved into place.

    OSError when the folder cannot be written; the caller decides whether that matters.
    """
    about = {"format": FORMAT, "version": __version__, "key": key, "at": _text(at)}
    body = json.dumps({**about, "forecast": _pack(forecast)}, separators=(",", ":"))
    whole = {"sha256": hashlib.sha256(body.encode()).hexdigest(), "body": body}
    make_private_folder(folder)
    write_whole(folder / f"{key}.json", json.dumps(whole), private=True)


def load(folder: Path, key: str) -> Stored | None:
    """The hours stored under a key; None when there are none that can be trusted."""
    try:
        whole = json.loads((folder / f"{key}.json").read_text(encoding="utf-8"))
        if hashlib.sha256(whole["body"].encode()).hexdigest() != whole["sha256"]:
            return None
        told = json.loads(whole["body"])
        if (told["format"], told["version"], told["key"]) != (FORMAT, __version__, key):
            return None
        return Stored(_unpack(told["forecast"]), _moment(told["at"]))
    except _UNREADABLE:
        return None


def prune(folder: Path, before: datetime) -> int:
    """Remove what was stored before a moment; how many files went."""
    gone = 0
    for path in folder.glob("*.json") if folder.is_dir() else ():
        try:
            if path.stat().st_mtime < before.timestamp():
                path.unlink()
                gone += 1
        except OSError:  # another process was quicker, or it is not ours to remove
            continue
    return gone


# ---------------------------------------------------------------------- packing


def _pack(forecast: Forecast) -> dict[str, Any]:
    return {
        "time": forecast.time.astype("datetime64[s]").astype(np.int64).tolist(),
        "fields": {name: _pack_field(f) for name, f in forecast.fields.items()},
        "provenance": [_pack_provenance(p) for p in forecast.provenance],
        "notes": list(forecast.notes),
        "attributes": {k: v for k, v in forecast.attributes.items() if k in ATTRIBUTES},
        "members": _pack_members(forecast),
        "earlier": None if forecast.earlier is None else _pack(forecast.earlier),
    }


def _pack_field(f: Field) -> dict[str, Any]:
    packed: dict[str, Any] = {"values": f.values.tolist(), "kind": f.kind.value}
    if f.source:
        packed["source"] = f.source
    if f.levels is not None:
        packed["levels"] = f.levels.tolist()
    if f.origin is not None:
        packed["origin"] = f.origin.tolist()
    if len(f.origins) > 1 or f.origin is not None:
        packed["origins"] = list(f.origins)
    return packed


def _pack_provenance(p: Provenance) -> dict[str, Any]:
    fields = {name: getattr(p, name) for name in Provenance.__slots__}
    run = None if p.run is None else _text(p.run)
    return {**fields, "run": run, "fetched": _text(p.fetched)}


def _unpack(packed: Mapping[str, Any]) -> Forecast:
    time = np.asarray(packed["time"], dtype=np.int64).astype("datetime64[s]")
    check_axis(time)
    if not packed["fields"].keys() <= QUANTITIES.keys():
        raise ValueError("hours of another vocabulary")
    fields = {name: _unpack_field(f, time.size) for name, f in packed["fields"].items()}
    provenance = tuple(
        Provenance(
            **{
                **p,
                "run": None if p["run"] is None else _moment(p["run"]),
                "fetched": _moment(p["fetched"]),
                "cycle_h": None if p["cycle_h"] is None else float(p["cycle_h"]),
                "notes": tuple(p["notes"]),
                "quantities": tuple(p["quantities"]),
            }
        )
        for p in packed["provenance"]
    )
    attributes = {**packed["attributes"], **_unpack_members(packed.get("members"))}
    earlier = None if packed["earlier"] is None else _unpack(packed["earlier"])
    return Forecast(time, fields, provenance, tuple(packed["notes"]), attributes, earlier)


def _pack_members(forecast: Forecast) -> dict[str, Any] | None:
    """The last dimension of a forecast of members and the numbers on it."""
    grid = forecast.attributes.get("grid", {})
    if len(grid.get("dims", ())) != 1:
        return None
    name = grid["dims"][0]
    numbers = grid.get("coords", {}).get(name, (name, []))[1]
    return {"name": name, "numbers": np.asarray(numbers).tolist()}


def _unpack_members(packed: Mapping[str, Any] | None) -> dict[str, Any]:
    if packed is None:
        return {}
    name = packed["name"]
    coords = {name: (name, np.asarray(packed["numbers"]))} if packed["numbers"] else {}
    return {"grid": {"dims": (name,), "coords": coords}}


def _unpack_field(packed: Mapping[str, Any], hours: int) -> Field:
    with np.errstate(over="ignore"):
        values: Array = np.asarray(packed["values"], dtype=np.float32)
    values = np.where(np.isinf(values), np.float32(np.nan), values)  # no value of ours is that
    kind, origin = Kind(packed["kind"]), packed.get("origin")
    if kind is not Kind.CONSTANT and values.shape[:1] != (hours,):
        raise ValueError("a field of other hours")
    return Field(
        values,
        kind,
        packed.get("source", ""),
        np.asarray(packed["levels"], dtype=np.float64) if "levels" in packed else None,
        None if origin is None else np.asarray(origin, dtype=np.uint8),
        tuple(packed.get("origins", ("direct",))),
    )


def _text(when: datetime) -> str:
    return when.astimezone(UTC).isoformat()


def _moment(text: str) -> datetime:
    when = datetime.fromisoformat(text)
    if when.tzinfo is None:
        raise ValueError("a time without a zone")
    return when
