"""Reading one document."""

from __future__ import annotations

from wxgate.errors import UsageError, WxgateError
from wxgate.strictyaml.builder import Builder
from wxgate.strictyaml.characters import check_characters, decode
from wxgate.strictyaml.faults import Faults, raise_faults
from wxgate.strictyaml.nodes import Node


def read(content: str | bytes, name: str, faults: Faults) -> Node | None:
    """The nodes of one document; None when it could not be read at all.

    ``name`` is what faults call the file. What is wrong is added to ``faults``.
    """
    text = decode(content, name, faults)
    if text is None:
        return None
    before = len(faults)
    check_characters(text, name, faults)
    if len(faults) > before:  # the parser would only repeat it in worse words
        return None
    return Builder(name, faults).build(text)


def load(content: str | bytes, name: str, *, error: type[WxgateError] = UsageError) -> Node:
    """The nodes of one document; ``error`` with every fault when there is any."""
    faults = Faults()
    node = read(content, name, faults)
    if node is None or len(faults):
        raise_faults(faults, name, error)
    return node
