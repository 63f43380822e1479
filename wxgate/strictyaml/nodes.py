"""What a file is read into: texts, mappings and lists, each with its place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a file; line and column count from 1."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True)
class Scalar:
    """The text of a scalar as it stands in the file, quotes taken off."""

    text: str
    place: Place


@dataclass(frozen=True, slots=True)
class Block:
    """A mapping: each key with its own place, and its value."""

    entries: dict[str, Node]
    keys: dict[str, Place]
    place: Place

    def __contains__(self, key: str) -> bool:
        return key in self.entries

    def get(self, key: str) -> Node | None:
        """The value of a key, None when it is not there."""
        return self.entries.get(key)

    def place_of(self, key: str) -> Place:
        """Where a key stands, or the block that lacks it."""
        return self.keys.get(key, self.place)


@dataclass(frozen=True, slots=True)
class Series:
    """A list."""

    items: tuple[Node, ...]
    place: Place


Node: TypeAlias = Scalar | Block | Series


def plain(node: Node) -> Any:
    """Nested dicts and lists of strings, for a reader that needs no places."""
    if isinstance(node, Scalar):
        return node.text
    if isinstance(node, Series):
        return [plain(item) for item in node.items]
    return {key: plain(value) for key, value in node.entries.items()}
