"""What was asked last, so that on the field three numbers suffice."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from wxgate import places
from wxgate.wholefile import make_private_folder, write_whole

#: The options that make a question; paths are kept in full, the folder may be another next time.
KEPT = {
    "site": str, "lat": float, "lon": float, "zone": str, "aircraft": str, "pilot": str,
    "height": str, "rules": list, "sources": str, "forecast": str, "hours": int, "chances": str,
    "grade_by": str, "bias": str, "lagged": int, "earlier": list,
}  # fmt: skip
_PROFILES, _FILES = ("site", "aircraft", "pilot"), ("forecast", "chances", "bias")

_LISTS = ("rules", "earlier")


def _file() -> Path:
    return places.state_folder() / "last-question.json"


def remember(asked: Mapping[str, Any]) -> None:
    """Keep the options of a brief; that it cannot be kept must not stop the brief."""
    told = {name: asked[name] for name in KEPT if asked.get(name) is not None}
    told |= {name: _whole(told[name]) for name in _PROFILES if name in told}
    told |= {name: str(Path(told[name]).absolute()) for name in _FILES if name in told}
    told |= {name: [str(Path(path).absolute()) for path in told.get(name) or ()] for name in _LISTS}
    file = _file()
    with contextlib.suppress(OSError):
        make_private_folder(file.parent)
        write_whole(file, json.dumps(told), private=True)


def recall() -> dict[str, Any] | None:
    """The options of the last brief; None when there was none, or they cannot be read."""
    try:
        told = json.loads(_file().read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(told, dict) or not all(_fits(name, v) for name, v in told.items()):
        return None
    told |= {name: [Path(path) for path in told.get(name, ())] or None for name in _LISTS}
    told |= {name: Path(told[name]) for name in _FILES if name in told}
    return told


def _fits(name: str, value: object) -> bool:
    """Whether an option is of its kind: the file may have been edited by hand, or be damaged."""
    kind = KEPT.get(name)
    if kind is list:
        return isinstance(value, list) and all(isinstance(path, str) for path in value)
    if kind is float:
        return type(value) in (int, float)
    return kind is not None and type(value) is kind


def _whole(value: object) -> str:
    """An id as it is, a path in full; they are told apart as profiles are found."""
    text = str(value)
    path = Path(text)
    return str(path.absolute()) if path.suffix in {".yaml", ".yml"} or "/" in text else text
