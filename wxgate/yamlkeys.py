"""Readers of single values out of strict YAML: each gives the value, or notes a fault.

A reader takes a node and the collector of faults; it returns None when it found a fault, so that
reading goes on and every fault is told at once.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Set
from dataclasses import MISSING, dataclass, fields
from datetime import time
from pathlib import Path
from typing import Any, TypeVar

from wxgate.errors import UsageError, WxgateError
from wxgate.strictyaml import Block, Faults, Node, Scalar, Series, nearest, raise_faults, read
from wxgate.units import parse_amount, spellings, unit
from wxgate.wholefile import read_whole

_ID = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*\Z", re.ASCII)
_LONGEST_ID = 64  #: ids become parts of file names
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?\Z", re.ASCII)
_CLOCK = re.compile(r"([01]\d|2[0-3]):([0-5]\d)\Z", re.ASCII)
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_SETS_OF_DAYS = {
    "every": frozenset(range(7)),
    "weekdays": frozenset(range(5)),
    "weekend": frozenset((5, 6)),
}
_SHOWN = 40  #: letters of what was written that a fault repeats
Reader = Callable[[Node, Faults], Any]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Figure:
    """How a figure is held: its unit, the range that makes sense, and whether it is a difference.

    A temperature difference of 3 degC is 3 K.
    """

    units: str
    low: float
    high: float
    difference: bool = False


def tidy(value: float) -> float:
    """Twelve digits of a number, so that 20 kt and 37.04 km/h are the very same limit."""
    return float(f"{value:.12g}")


def text_of(node: Node, faults: Faults) -> str | None:
    """One line of text, runs of spaces and line breaks made one space."""
    if not isinstance(node, Scalar):
        faults.add(
            node.place, "a list or mapping", "a text is allowed here", "write it in one line"
        )
        return None
    text = " ".join(node.text.split())
    if not text:
        faults.add(node.place, "nothing", "a text is needed here", "write it, or delete the key")
        return None
    return text


def word_of(node: Node, faults: Faults) -> str | None:
    """A name in small letters, figures and hyphens."""
    text = text_of(node, faults)
    if text is not None and not (len(text) <= _LONGEST_ID and _ID.match(text)):
        faults.add(
            node.place,
            f"the name {text!r}",
            f"small letters, figures and hyphens are allowed, {_LONGEST_ID} at most",
            "write for example light-249g",
        )
        return None
    return text


def choice_of(*words: str) -> Reader:
    """A reader that takes one of these words."""

    def choose(node: Node, faults: Faults) -> str | None:
        text = text_of(node, faults)
        if text is not None and text not in words:
            faults.add(node.place, repr(text), f"allowed: {', '.join(words)}", nearest(text, words))
            return None
        return text

    return choose


def boolean_of(node: Node, faults: Faults) -> bool | None:
    """``true`` or ``false``, and no other spelling."""
    text = choice_of("true", "false")(node, faults)
    return None if text is None else text == "true"


def figure_of(figure: Figure, *, bare: bool = False) -> Reader:
    """A reader of a number with its unit; ``bare`` lets a number stand alone."""

    def amount(node: Node, faults: Faults) -> float | None:
        text = text_of(node, faults)
        if text is None:
            return None
        if bare and _NUMBER.match(text):
            text = f"{text} {figure.units}"
        try:
            value = tidy(parse_amount(text, figure.units, difference=figure.difference))
        except UsageError as error:
            if "did you mean" in error.remedy.lower() or "a comma in" in error.what:
                faults.add_error(node.place, error)
            else:  # of all units, only those that could stand here help
                units = ", ".join(spellings(unit(figure.units).dimension))
                faults.add(node.place, error.what, f"allowed units: {units}")
            return None
        if not (math.isfinite(value) and figure.low <= value <= figure.high):
            faults.add(
                node.place,
                f"{text!r} is {value:g} {figure.units}",
                f"allowed: {figure.low:g} to {figure.high:g} {figure.units}",
                "check the number and its unit",
            )
            return None
        return value

    return amount


def whole_of(low: int, high: int, what: str = "") -> Reader:
    """A reader of a whole number from ``low`` to ``high``; ``what`` names it in faults."""

    def number(node: Node, faults: Faults) -> int | None:
        text = text_of(node, faults)
        if text is None:
            return None
        if not (text.isascii() and text.isdigit() and len(text) < 9 and low <= int(text) <= high):
            told = f"the {what} {text[:_SHOWN]!r}" if what else repr(text[:_SHOWN])
            faults.add(node.place, told, f"a whole number from {low} to {high} is allowed")
            return None
        return int(text)

    return number


def clock_of(node: Node, faults: Faults) -> time | None:
    """A local time of day, as 09:00."""
    text = text_of(node, faults)
    if text is None:
        return None
    found = _CLOCK.match(text)
    if found is None:
        faults.add(
            node.place,
            f"the time {text[:_SHOWN]!r}",
            "local times 00:00 to 23:59 are allowed",
            "write for example 06:00",
        )
        return None
    return time(int(found[1]), int(found[2]))


def list_of(reader: Reader, *, once: bool = False) -> Reader:
    """A reader of a list with an entry at least, as a tuple; ``once`` keeps equal entries once."""

    def entries(node: Node, faults: Faults) -> tuple[Any, ...] | None:
        if not isinstance(node, Series):
            faults.add(node.place, "no list", "a list is needed here", "write [a, b] or '- a'")
            return None
        if not node.items:
            faults.add(node.place, "an empty list", "an entry is needed", "add one")
            return None
        found = [reader(item, faults) for item in node.items]
        if any(one is None for one in found):
            return None
        return tuple(dict.fromkeys(found) if once else found)

    return entries


def days_of(node: Node, faults: Faults) -> frozenset[int] | None:
    """Days of the week, 0 for Monday: a list, or every, weekdays, weekend."""
    if isinstance(node, Scalar):
        word = choice_of(*_SETS_OF_DAYS)(node, faults)
        return None if word is None else _SETS_OF_DAYS[word]
    found = list_of(choice_of(*DAYS))(node, faults)
    return None if found is None else frozenset(DAYS.index(day) for day in found)


def read_file(
    path: Path, what: str, reader: Callable[[Node, Faults], T], error: type[WxgateError]
) -> T:
    """What ``reader`` makes of a whole file; ``error`` with every fault and its place.

    ``what`` is what messages call the file (plan, watch, aircraft). The reader gives anything
    where it noted a fault.
    """
    try:
        content = read_whole(path)
    except OSError as failure:
        raise error(
            f"the {what} file cannot be read ({failure.strerror})",
            where=str(path),
            remedy="Check the path.",
        ) from failure
    faults = Faults()
    root = read(content, str(path), faults)
    found = None if root is None else reader(root, faults)
    if found is None or len(faults):
        raise_faults(faults, str(path), error)
    return found


def record_of(
    make: Callable[..., Any],
    keys: Mapping[str, Reader],
    *,
    called: Mapping[str, str] | None = None,
    else_as: Mapping[str, str] | None = None,
) -> Reader:
    """A reader of a mapping with these keys into one record of a dataclass.

    A key is a field's name, or that with "-" for "_", as it stands in ``keys``; ``called`` tells
    fields that the file calls otherwise. Fields without a default are required, but for those that
    are ``else_as`` another field.
    """
    own = [f for f in fields(make) if f.init]  # type: ignore[arg-type]
    dashed = {f.name: f.name.replace("_", "-") for f in own}
    key_of = {name: key if key in keys else name for name, key in dashed.items()} | dict(
        called or {}
    )
    field_of = {key: name for name, key in key_of.items()}
    instead = dict(else_as or {})
    needed = {key_of[f.name] for f in own if f.default is MISSING and f.name not in instead}

    def build(node: Node, faults: Faults) -> Any:
        before = len(faults)
        found = read_keys(node, keys, needed & set(keys), faults)
        if len(faults) > before:
            return None
        values = {field_of[key]: value for key, value in found.items()}
        return make(**{name: values[other] for name, other in instead.items()} | values)

    return build


def read_keys(
    node: Node, keys: Mapping[str, Reader], required: Set[str], faults: Faults
) -> dict[str, Any]:
    """The values of a mapping by its readers; every unknown, missing or bad key is a fault."""
    if not isinstance(node, Block):
        faults.add(
            node.place,
            "no mapping",
            f"keys are needed here: {', '.join(keys)}",
            "write 'key: value'",
        )
        return {}
    for key, place in node.keys.items():
        if key not in keys:
            faults.add(
                place, f"the key {key!r} is not known", f"allowed: {', '.join(keys)}",
                nearest(key, keys),
            )  # fmt: skip
    for key in sorted(required - set(node.keys)):
        faults.add(node.place, f"the key {key!r} is missing", "", f"add a line '{key}: ...'")
    found = {}
    for key, value in node.entries.items():
        if key in keys:
            read_value = keys[key](value, faults)
            if read_value is not None:
                found[key] = read_value
    return found
