"""The members of an ensemble side by side: fields with a last dimension ``member``."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np

from wxgate.forecast import Field


def stack_members(found: Mapping[int, Mapping[str, Field]]) -> dict[str, Field]:
    """Each quantity of all members in one field, by rising number, ``member`` last.

    ``found`` has each member's fields by its number. A quantity that a member lacks, or has on
    other levels than the rest, is left out: a hole is never filled.
    """
    members = [found[number] for number in sorted(found)]
    return {
        name: first.with_values(np.stack([m[name].values for m in members], axis=-1))
        for name, first in members[0].items()
        if all(name in m and _same_levels(first, m[name]) for m in members)
    }


def member_grid(numbers: Collection[int]) -> dict[str, Any]:
    """The attributes of a forecast that tell its last dimension and the members on it."""
    coordinate = "member", np.asarray(sorted(numbers), dtype=np.int32)
    return {"grid": {"dims": ("member",), "coords": {"member": coordinate}}}


def _same_levels(one: Field, other: Field) -> bool:
    if one.levels is None or other.levels is None:
        return one.levels is other.levels
    return np.array_equal(one.levels, other.levels)
