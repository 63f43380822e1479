"""From the events of the YAML parser to nodes; what may mislead a reader is refused."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from typing import Any

from wxgate.strictyaml.characters import is_hidden
from wxgate.strictyaml.faults import Faults
from wxgate.strictyaml.nodes import Block, Node, Place, Scalar, Series

MAX_DEPTH = 20
_HASH_IN_HEADER = re.compile(r"[|>][-+0-9]*#")


class Builder:
    """Builds nodes from the parser's events, so that an alias is never followed."""

    def __init__(self, name: str, faults: Faults) -> None:
        self.name = name
        self.faults = faults
        self.depth = 0
        self._lines: list[str] = []

    def build(self, text: str) -> Node | None:
        """The nodes of the one document in ``text``; None when it is not YAML, or empty."""
        import yaml

        self._lines = text.split("\n")
        loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
        events = yaml.parse(text, Loader=loader)
        try:
            return self._document(events)
        except yaml.MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            place = Place(self.name, mark.line + 1, mark.column + 1) if mark else self._top()
            problem = " ".join(p for p in (error.context, error.problem) if p)
            self.faults.add(
                place,
                f"this is not YAML: {problem}",
                "keys are written 'key: value', with equal indents for equal levels",
                "put quotes around a text that holds ': ' or ' #' or begins with a sign",
            )
        except yaml.YAMLError as error:
            self.faults.add(self._top(), f"this is not YAML: {str(error).splitlines()[0]}")
        except _TooDeepError as error:
            self.faults.add(
                error.place,
                f"blocks are nested deeper than {MAX_DEPTH}",
                "a rules file needs eight levels at most",
                "check the brackets and the indents",
            )
        return None

    def _top(self) -> Place:
        return Place(self.name, 1, 1)

    def _place(self, event: Any) -> Place:
        return Place(self.name, event.start_mark.line + 1, event.start_mark.column + 1)

    def _document(self, events: Iterator[Any]) -> Node | None:
        root: Node | None = None
        documents = 0
        for event in events:
            kind = type(event).__name__
            if kind == "DocumentStartEvent":
                documents += 1
                if event.version or event.tags:
                    self.faults.add(
                        self._place(event),
                        "a %YAML or %TAG line",
                        "directives are not allowed",
                        "delete the line",
                    )
                if documents == 2:
                    self.faults.add(
                        self._place(event),
                        "a second document ('---')",
                        "one document a file is allowed",
                        "make two files",
                    )
            elif kind in {"StreamStartEvent", "StreamEndEvent", "DocumentEndEvent"}:
                continue
            else:
                node = self._node(event, events)
                root = node if root is None else root
        if root is None:
            self.faults.add(self._top(), "the file is empty", "a mapping of keys is needed")
        return root

    def _node(self, event: Any, events: Iterator[Any]) -> Node:
        place = self._place(event)
        kind = type(event).__name__
        if kind == "AliasEvent":
            self._refuse(place, f"the alias '*{event.anchor}'", "write the value out here")
            return Scalar("", place)
        if event.anchor is not None:
            self._refuse(place, f"the anchor '&{event.anchor}'", "delete it")
        if event.tag is not None:
            self._refuse(place, f"the tag '{event.tag}'", "delete it; every value is a text")
        if kind == "ScalarEvent":
            return self._scalar(event, place)
        self.depth += 1
        if self.depth > MAX_DEPTH:
            raise _TooDeepError(place)
        node = (
            self._block(place, events)
            if kind == "MappingStartEvent"
            else self._series(place, events)
        )
        self.depth -= 1
        return node

    def _scalar(self, event: Any, place: Place) -> Scalar:
        shown = event.value.isascii() and event.value.replace("\n", "").isprintable()
        hidden = (
            None if shown else next((c for c in event.value if c != "\n" and is_hidden(c)), None)
        )
        if hidden is not None:  # an escape in double quotes can hide a terminal's control code
            self._refuse(place, f"an escaped character U+{ord(hidden):04X}", "delete it")
        # libyaml drops what follows here without a word, where other parsers refuse the file.
        if event.style in ("|", ">") and _HASH_IN_HEADER.match(
            self._lines[place.line - 1], place.column - 1
        ):
            self._refuse(
                place, f"a '#' right behind '{event.style}'", "put the text on a line below"
            )
        return Scalar(event.value, place)

    def _series(self, place: Place, events: Iterator[Any]) -> Series:
        items = []
        for event in events:
            if type(event).__name__ == "SequenceEndEvent":
                break
            items.append(self._node(event, events))
        return Series(tuple(items), place)

    def _block(self, place: Place, events: Iterator[Any]) -> Block:
        entries: dict[str, Node] = {}
        keys: dict[str, Place] = {}
        for event in events:
            if type(event).__name__ == "MappingEndEvent":
                break
            key = self._node(event, events)
            value = self._node(next(events), events)
            if not isinstance(key, Scalar):
                self._refuse(key.place, "a key that is a list or a mapping", "write a word")
            elif self._key_is_fine(key, keys):
                entries[key.text] = value
                keys[key.text] = key.place
        return Block(entries, keys, place)

    def _key_is_fine(self, key: Scalar, keys: dict[str, Place]) -> bool:
        if key.text == "<<":
            self._refuse(key.place, "the merge key '<<'", "write the keys out here")
            return False
        if not key.text.isascii():
            odd = next(c for c in key.text if not c.isascii())
            told = unicodedata.name(odd, f"U+{ord(odd):04X}")
            self.faults.add(
                key.place,
                f"the key {key.text!r} holds the letter {odd!r} ({told})",
                "keys are written in plain ASCII letters",
                "type the key again on a plain keyboard layout",
            )
            return False
        if key.text in keys:
            self.faults.add(
                key.place,
                f"the key {key.text!r} stands here a second time",
                f"each key once (it stands in line {keys[key.text].line} already)",
                "delete one of the two",
            )
            return False
        return True

    def _refuse(self, place: Place, found: str, mend: str) -> None:
        self.faults.add(place, found, "plain keys, texts and lists alone are allowed", mend)


class _TooDeepError(Exception):
    def __init__(self, place: Place) -> None:
        super().__init__()
        self.place = place
