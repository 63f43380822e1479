"""Which members of an ensemble are whole, and what each of those has.

A member with a hole is left out and told, never filled: shares among members are only honest when
each member counts in every hour.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from wxgate.errors import DataError
from wxgate.sources.modelrun import Fetched
from wxgate.sources.sampler import Layer


@dataclass(frozen=True, slots=True)
class Chosen:
    """The members that are whole, and the layers that each of them has."""

    members: tuple[str, ...]
    layers: frozenset[Layer]
    notes: tuple[str, ...]


def whole_layers(parts: Sequence[Fetched]) -> frozenset[Layer]:
    """What a member has at every step at which it should, in all its files."""
    return frozenset(
        wanted.layer
        for part in parts
        for wanted in part.sampler.wanted
        if _throughout(part, wanted.layer, [s for s in part.steps if wanted.exists_at(s)])
    )


def _throughout(part: Fetched, layer: Layer, steps: Sequence[int]) -> bool:
    """Whether a layer was had at all of these steps, of which there is at least one."""
    return bool(steps) and set(steps) <= set(part.sampler.samples.get(layer, {}))


def choose_members(
    found: Mapping[str, frozenset[Layer]], all_members: Sequence[str], least: int
) -> Chosen:
    """The members to go on with; DataError when fewer than ``least`` are whole.

    ``found`` has the whole layers of each member that was had. What fewer than ``least`` members
    have is given up for all; a member that lacks any of the rest is left out.
    """
    counts = Counter(layer for layers in found.values() for layer in layers)
    kept = frozenset(layer for layer, count in counts.items() if count >= least)
    members = tuple(name for name in all_members if kept and kept <= found.get(name, frozenset()))
    if len(members) < least:
        raise DataError(
            f"only {len(members)} of {len(all_members)} members are whole, fewer than {least}",
            remedy="Try again later, or choose a source without members.",
        )
    left_out = [name for name in all_members if name not in members]
    note = f"{len(members)} of {len(all_members)} members"
    if left_out:
        note += f"; not whole and left out: {', '.join(left_out)}"
    return Chosen(members, kept, (note,))
