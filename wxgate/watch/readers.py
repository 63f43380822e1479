"""Readers of the values of a watch file, over those that all YAML files share."""

from __future__ import annotations

import re
from dataclasses import dataclass

from wxgate.strictyaml import Faults, Node, Place
from wxgate.watch.address import is_address
from wxgate.yamlkeys import text_of

_HOST = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.:-]{0,251}[A-Za-z0-9])?\Z|::1\Z", re.ASCII)


@dataclass(frozen=True, slots=True)
class Named:
    """A word of the file that stands for something else (a site, an aircraft), with its place."""

    text: str
    place: Place


def address(node: Node, faults: Faults) -> str | None:
    """One plain mail address."""
    text = text_of(node, faults)
    if text is not None and not is_address(text):
        faults.add(node.place, f"the address {text!r}", "one plain address is allowed",
                   "write for example pilot@example.org")  # fmt: skip
        return None
    return text


def named(node: Node, faults: Faults) -> Named | None:
    """A word, with its place."""
    text = text_of(node, faults)
    return None if text is None else Named(text, node.place)


def host(node: Node, faults: Faults) -> str | None:
    """A host name or address."""
    text = text_of(node, faults)
    if text is not None and not _HOST.match(text):
        faults.add(node.place, f"the host {text!r}", "a host name or address is allowed",
                   "write for example mail.example.org")  # fmt: skip
        return None
    return text


def variable(node: Node, faults: Faults) -> str | None:
    """The name of an environment variable."""
    text = text_of(node, faults)
    if text is not None and not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", text, re.ASCII):
        # Whoever writes the password itself here must not find it in a log.
        faults.add(node.place, "this is not the name of an environment variable",
                   "letters, figures and underscores are allowed",
                   "write its name here, never the password")  # fmt: skip
        return None
    return text
