"""The parts that rules and substitutes share: keys, quantity, source, smaller ones."""

from __future__ import annotations

import re
from datetime import date
from typing import Any

from wxgate.errors import UsageError
from wxgate.profiles import Skill
from wxgate.quantities import Quantity, quantity
from wxgate.rulebook.model import Layer
from wxgate.rulebook.words import (
    CHECK_LAW,
    MAX_NEIGHBOURS,
    PLAIN_SOURCES,
    SOURCE_KEYS,
)
from wxgate.strictyaml import Block, Faults, Node, Scalar, Series, nearest
from wxgate.units import split_amount, unit
from wxgate.yamlkeys import Figure, Reader, choice_of, figure_of, read_keys, text_of

_VERSION = re.compile(r"[0-9A-Za-z][0-9A-Za-z.-]{0,30}\Z", re.ASCII)
_READ = re.compile(r"(\d{4})-(\d{2})(?:-(\d{2}))?\Z", re.ASCII)


def keep(node: Node, _: Faults) -> Node:
    """A reader that leaves a node as it is, for keys that are read later."""
    return node


def check_keys(node: Block, allowed: tuple[str, ...], required: set[str], faults: Faults) -> None:
    """Note the unknown and the missing keys of a mapping."""
    read_keys(node, dict.fromkeys(allowed, keep), required, faults)


def only_keys(node: Block, allowed: tuple[str, ...], faults: Faults) -> bool:
    """Whether a mapping holds none but the allowed keys; each other one is a fault."""
    before = len(faults)
    for key, place in node.keys.items():
        if key not in allowed:
            faults.add(
                place, f"the key {key!r} does not belong here",
                f"allowed: {', '.join(allowed)}", nearest(key, allowed),
            )  # fmt: skip
    return len(faults) == before


def take(node: Block, key: str, reader: Reader, faults: Faults, default: Any = None) -> Any:
    """The value of a key by its reader, ``default`` when the key is not there."""
    value = node.get(key)
    return default if value is None else reader(value, faults)


def items_of(node: Node | None, key: str, faults: Faults) -> tuple[Block, ...]:
    """The mappings of a list; empty when there is no list."""
    if node is None:
        return ()
    if not isinstance(node, Series):
        faults.add(node.place, "no list", f"{key!r} is a list", "begin each entry with '- '")
        return ()
    blocks = []
    for item in node.items:
        if isinstance(item, Block):
            blocks.append(item)
        else:
            faults.add(item.place, "no mapping", f"each of {key!r} is a mapping of keys")
    return tuple(blocks)


def read_quantity(node: Node, faults: Faults) -> Quantity | None:
    """The row of the quantity that a node names."""
    if not isinstance(node, Scalar):
        faults.add(node.place, "a list or mapping", "the name of a quantity is needed")
        return None
    try:
        return quantity(node.text)
    except UsageError as error:
        faults.add_error(node.place, error)
        return None


def figure_of_row(row: Quantity) -> Figure:
    """How figures of a quantity are held."""
    return Figure(row.units, row.low, row.high, row.difference)


def read_version(node: Node, faults: Faults) -> str | None:
    """The version of a pack, such as ``1`` or ``2026.1``."""
    text = text_of(node, faults)
    if text is not None and not _VERSION.match(text):
        faults.add(
            node.place, f"the version {text!r}", "letters, figures, '.' and '-'", "write '1'"
        )
        return None
    return text


def read_day(node: Node, faults: Faults) -> date | None:
    """A day such as ``2026-11-20``."""
    text = text_of(node, faults)
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        faults.add(node.place, f"{text!r}", "a day such as 2026-11-20 is needed")
        return None


def read_source(node: Node, layer: Layer, faults: Faults) -> str | None:
    """Where a figure is from, in one printable line."""
    if isinstance(node, Scalar):
        text = " ".join(node.text.split())
        if text not in PLAIN_SOURCES:
            faults.add(
                node.place,
                f"the source {text!r}",
                "allowed: a mapping with title, place and read; or exactly "
                + " or ".join(repr(plain) for plain in PLAIN_SOURCES),
                nearest(text, PLAIN_SOURCES),
            )
            return None
        return text
    before = len(faults)
    found = read_keys(
        node, {"title": text_of, "place": text_of, "read": _read_when}, set(SOURCE_KEYS), faults
    )
    if len(faults) > before:
        return None
    line = f"{found['title']}, {found['place']} (read {found['read']})"
    return f"{line}; {CHECK_LAW}" if layer is Layer.LAW else line


def _read_when(node: Node, faults: Faults) -> str | None:
    text = text_of(node, faults)
    match = None if text is None else _READ.match(text)
    try:
        if match is None:
            raise ValueError
        date(int(match[1]), int(match[2]), int(match[3] or 1))
    except ValueError:
        faults.add(node.place, repr(text), "when it was read: 2026-11 or 2026-11-20")
        return None
    return text


def read_neighbours(node: Node | None, faults: Faults) -> tuple[int, int]:
    """Hours before and after that the rule looks at too."""
    if node is None:
        return 0, 0
    hours = figure_of(Figure("h", 0, MAX_NEIGHBOURS))
    found = read_keys(node, {"before": hours, "after": hours}, set(), faults)
    for key, value in found.items():
        if value != int(value):
            assert isinstance(node, Block)  # noqa: S101
            faults.add(
                node.entries[key].place, f"{value:g} h", "whole hours are needed", "write 1 h"
            )
    return int(found.get("before", 0)), int(found.get("after", 0))


def read_amount(node: Node, faults: Faults) -> tuple[float, str] | None:
    """A number and its unit, whatever it measures."""
    text = text_of(node, faults)
    if text is None:
        return None
    try:
        value, units = split_amount(text)
        unit(units)
    except UsageError as error:
        faults.add_error(node.place, error)
        return None
    return value, units


def one_or_more(reader: Reader) -> Reader:
    """A reader of one value or of a list of them, into a tuple."""

    def read_all(node: Node, faults: Faults) -> tuple[Any, ...] | None:
        items = node.items if isinstance(node, Series) else (node,)
        values = tuple(reader(item, faults) for item in items)
        if not values:
            faults.add(node.place, "an empty list", "at least one is needed")
        return None if None in values or not values else values

    return read_all


def read_skill(node: Node, faults: Faults) -> Skill | None:
    """The name of a skill."""
    word = choice_of(*Skill)(node, faults)
    return None if word is None else Skill(word)
