"""Where the services are: the shipped ``endpoints.yaml`` with the user's own laid over it.

Addresses, file names, lists of fields and the manners of each service stand in YAML, for services
move more often than programs are released.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wxgate.errors import UsageError
from wxgate.wholefile import read_whole

SHIPPED = Path(__file__).with_name("endpoints.yaml")
#: What a number may be by its name: beyond it a slip of the pen would ask for ever, or for nothing.
_RANGES: Mapping[str, tuple[float, float]] = {
    "every_h": (1, 24),
    "cycle_h": (0.25, 24),
    "first_step_after_h": (0, 48),
    "give_up_after_h": (0, 240),
    "until_h": (0, 1000),
    "budget_mb": (0, 1e6),
    "mb_per_s": (0.001, 1e4),
    "round_trip_s": (0, 60),
    "bucket_h": (0, 48),
    "cell_deg": (0.001, 10),
    "margin_km": (0, 2000),
    "radius_km": (0, 1000),
    "connections": (0, 32),
    "min_interval_s": (0, 600),
    "settle_s": (0, 86400),
    "poll_s": (0, 86400),
    "stale_h": (0, 1000),
}
#: A file of addresses is far smaller.
_MOST_BYTES = 1_000_000
_NO_SOURCES = ("services", "contact", "usual", "choice")
_REMEDY = "Correct it in your endpoints.yaml, or remove that file to use the shipped one."


def load_endpoints(user: Path | None = None) -> dict[str, Any]:
    """The shipped endpoints, the mappings of ``user`` (when the file exists) merged into them.

    Lists and single values replace those shipped. A key that does not exist is refused, except in
    a table of named things (mirrors, services), where it adds one. UsageError with file and
    remedy.
    """
    shipped = _read(SHIPPED)
    if user is None or not user.exists():
        return shipped
    return _merge(shipped, _read(user), str(user), ())


def names(endpoints: Mapping[str, Any]) -> tuple[str, ...]:
    """The names of the sources that have an entry."""
    return tuple(name for name in endpoints if name not in _NO_SOURCES)


@dataclass(frozen=True, slots=True)
class Entry:
    """A mapping within the endpoints, read by key with errors that tell the key's path."""

    content: Mapping[str, Any]
    path: str

    def entry(self, key: str) -> Entry:
        """The mapping under a key."""
        value = self._value(key)
        if not isinstance(value, Mapping):
            raise self.fault(key, "must be a mapping")
        return Entry(value, self._name(key))

    def entries(self, key: str) -> Iterator[tuple[str, Entry]]:
        """Name and mapping of each thing in the table under a key; one set to null is left out."""
        table = self.entry(key)
        for name, value in table.content.items():
            if value is not None:
                yield str(name), table.entry(name)

    def rows(self, key: str) -> list[Entry]:
        """The mappings of the list under a key."""
        values = self._value(key)
        if not isinstance(values, list) or not all(isinstance(v, Mapping) for v in values):
            raise self.fault(key, "must be a list of mappings")
        return [Entry(v, f"{self._name(key)}[{n}]") for n, v in enumerate(values)]

    def text(self, key: str, default: str | None = None) -> str:
        """A text."""
        value = self.content.get(key, default)
        if not isinstance(value, str) or not value:
            raise self.fault(key, "must be a text")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts, at least one."""
        values = self._value(key)
        if not isinstance(values, list) or not all(isinstance(v, str) for v in values):
            raise self.fault(key, "must be a list of texts")
        if not values:
            raise self.fault(key, "must not be empty")
        return tuple(values)

    def number(self, key: str, default: float | None = None) -> float:
        """A finite number, within the range of what goes by that name."""
        value = self.content.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.fault(key, "must be a number")
        low, high = _RANGES.get(key, (-1e12, 1e12))
        if not low <= value <= high:
            raise self.fault(key, f"must be from {low:g} to {high:g}")
        return float(value)

    def whole(self, key: str, default: int | None = None) -> int:
        """A whole number."""
        value = self.number(key, default)
        if value != int(value):
            raise self.fault(key, "must be a whole number")
        return int(value)

    def wholes(self, key: str) -> list[int]:
        """A whole number, or a list of them."""
        value: Any = self._value(key)
        values = value if isinstance(value, list) else [value]
        if not all(isinstance(v, int) and not isinstance(v, bool) for v in values):
            raise self.fault(key, "must be a whole number, or a list of them")
        return values

    def flag(self, key: str, default: bool = False) -> bool:
        """True or false."""
        value = self.content.get(key, default)
        if not isinstance(value, bool):
            raise self.fault(key, "must be true or false")
        return value

    def fault(self, key: str, what: str) -> UsageError:
        """A UsageError about the value of a key."""
        return UsageError(f"{self._name(key)} {what}", where="endpoints.yaml", remedy=_REMEDY)

    def _value(self, key: str) -> Any:
        if key not in self.content:
            raise self.fault(key, "is not there")
        return self.content[key]

    def _name(self, key: str) -> str:
        return f"{self.path}.{key}" if self.path else key


def fill(template: str, entry: Entry, **parts: str) -> str:
    """A template of the endpoints with its ``{parts}`` filled in; UsageError for another part."""
    try:
        return template.format(**parts)
    except (KeyError, IndexError, AttributeError, ValueError, MemoryError) as error:
        known = ", ".join("{" + name + "}" for name in parts)
        raise UsageError(
            f"{entry.path}: the template {template!r} cannot be filled",
            where="endpoints.yaml",
            remedy=f"Use only {known}.",
        ) from error


#: Dates and numbers that are none end in the errors of Python, not in those of the YAML reader.
_UNREADABLE = (
    OSError, ValueError, KeyError, AttributeError, TypeError, OverflowError, RecursionError,
)  # fmt: skip


def _read(path: Path) -> dict[str, Any]:
    import yaml

    try:
        loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # ten times faster, where it is
        content = yaml.load(read_whole(path, _MOST_BYTES).decode(), Loader=loader)  # noqa: S506
    except (*_UNREADABLE, yaml.YAMLError) as error:
        told = " ".join(f"{error}".split())[:300] or type(error).__name__
        raise UsageError(f"it cannot be read ({told})", where=str(path), remedy=_REMEDY) from error
    if content is None:
        return {}
    if not isinstance(content, dict):
        raise UsageError("it must be a mapping", where=str(path), remedy=_REMEDY)
    return content


def _merge(
    shipped: Mapping[str, Any], own: Mapping[str, Any], file: str, path: tuple[str, ...]
) -> dict[str, Any]:
    merged = dict(shipped)
    # A table of named things may grow; elsewhere an unknown key is a slip of the pen. The top
    # level is a table too, but a source that no code fetches would be silently idle.
    table = bool(path) and bool(shipped) and all(isinstance(v, Mapping) for v in shipped.values())
    for key, value in own.items():
        here = (*path, str(key))
        if key not in shipped and not table:
            near = difflib.get_close_matches(str(key), [str(k) for k in shipped], n=1)
            hint = f"Did you mean {near[0]!r}?" if near else f"Known: {', '.join(shipped)}."
            raise UsageError(f"{'.'.join(here)} is not known", where=file, remedy=hint)
        old = shipped.get(key)
        if isinstance(old, Mapping) and isinstance(value, Mapping):
            merged[key] = _merge(old, value, file, here)
        elif isinstance(old, Mapping) and value is not None:
            raise UsageError(f"{'.'.join(here)} must be a mapping", where=file, remedy=_REMEDY)
        else:
            merged[key] = value
    return merged
