"""A small, strict part of YAML, every node with its place in the file.

Rules and profiles are read by people who must be able to trust what they see. So a scalar is
always the text that stands there (``no`` is not false, ``1:30`` not ninety, ``010`` not eight),
and whatever makes a file mean something other than it shows is refused: anchors, aliases, tags,
merge keys, duplicate keys, keys with look-alike letters, several documents, tabs, hidden
characters. All faults are found in one reading, each with line and column.
"""

from wxgate.strictyaml.faults import MAX_FAULTS, Faults, nearest, raise_faults
from wxgate.strictyaml.nodes import Block, Node, Place, Scalar, Series, plain
from wxgate.strictyaml.reading import load, read

__all__ = [
    "MAX_FAULTS",
    "Block",
    "Faults",
    "Node",
    "Place",
    "Scalar",
    "Series",
    "load",
    "nearest",
    "plain",
    "raise_faults",
    "read",
]
