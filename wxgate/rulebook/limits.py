"""The kinds of limit that a rule may have, each resolved for one pilot and one aircraft."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from wxgate.profiles import Aircraft, Skill

Array = NDArray[np.floating[Any]]
Constant: TypeAlias = Callable[[str], "float | Array | None"]
#: One value for each skill in the order of :class:`Skill`; None is no limit for that skill.
PerSkill: TypeAlias = tuple[float | None, float | None, float | None, float | None]

_INDEX = {skill: index for index, skill in enumerate(Skill)}


class Limit(Protocol):
    """A limit in the canonical unit of its quantity."""

    @property
    def skilled(self) -> bool:
        """Whether it depends on the pilot's skill."""

    @property
    def figure(self) -> str | None:
        """The figure of the aircraft that it depends on."""

    def resolve(self, skill: Skill, aircraft: Aircraft, constant: Constant) -> float | Array | None:
        """The limit for this pilot and aircraft; None where it does not apply.

        ``constant`` gives a quantity that does not change with time, as a number or an array over
        a grid; the limit then has the shape of that array.
        """

    def plain(self) -> Any:
        """What it says, for the hash of the rulebook: numbers and words only."""


@dataclass(frozen=True, slots=True)
class Amount:
    """A plain figure, or one figure for each skill."""

    values: PerSkill

    @classmethod
    def of(cls, value: float) -> Amount:
        """The same figure for every skill."""
        return cls((value, value, value, value))

    @property
    def skilled(self) -> bool:
        """See :class:`Limit`."""
        return len(set(self.values)) > 1

    @property
    def figure(self) -> str | None:
        """See :class:`Limit`."""
        return None

    def resolve(self, skill: Skill, aircraft: Aircraft, constant: Constant) -> float | None:
        """See :class:`Limit`."""
        return self.values[_INDEX[skill]]

    def plain(self) -> Any:
        """See :class:`Limit`."""
        return list(self.values)


@dataclass(frozen=True, slots=True)
class ShareOf:
    """A share of one of the aircraft's figures, at most a figure where one is given."""

    figure: str
    shares: PerSkill
    at_most: PerSkill = (None, None, None, None)

    @property
    def skilled(self) -> bool:
        """See :class:`Limit`."""
        return len(set(self.shares)) > 1 or len(set(self.at_most)) > 1

    def resolve(self, skill: Skill, aircraft: Aircraft, constant: Constant) -> float | None:
        """See :class:`Limit`; None too when the aircraft's maker publishes no such figure."""
        share, cap = self.shares[_INDEX[skill]], self.at_most[_INDEX[skill]]
        whole: float | None = getattr(aircraft, self.figure)
        if share is None or whole is None:
            return None
        return share * whole if cap is None else min(share * whole, cap)

    def plain(self) -> Any:
        """See :class:`Limit`."""
        return {"share-of": self.figure, "shares": self.shares, "at-most": self.at_most}


@dataclass(frozen=True, slots=True)
class FigureOf:
    """One of the aircraft's own figures, with a distance added to it."""

    figure: str
    plus: float = 0.0

    @property
    def skilled(self) -> bool:
        """See :class:`Limit`."""
        return False

    def resolve(self, skill: Skill, aircraft: Aircraft, constant: Constant) -> float | None:
        """See :class:`Limit`; None too when the aircraft's maker publishes no such figure."""
        value: float | None = getattr(aircraft, self.figure)
        return None if value is None else value + self.plus

    def plain(self) -> Any:
        """See :class:`Limit`."""
        return {"figure-of": self.figure, "plus": self.plus}


@dataclass(frozen=True, slots=True)
class ByBand:
    """A limit for each band of a quantity that does not change with time.

    The band is found by the size of the quantity, north or south alike; a band reaches from its
    own start up to the next one's. Where the quantity is missing, the strictest band holds.
    """

    quantity: str
    starts: tuple[float, ...]  #: rising, the first is 0
    limits: tuple[Amount, ...]
    upward: bool  #: of the rule's word: the smallest limit is the strictest

    @property
    def skilled(self) -> bool:
        """See :class:`Limit`."""
        return any(limit.skilled for limit in self.limits)

    @property
    def figure(self) -> str | None:
        """See :class:`Limit`."""
        return None

    def resolve(self, skill: Skill, aircraft: Aircraft, constant: Constant) -> float | Array | None:
        """See :class:`Limit`; infinite where a band of a grid has no limit."""
        none = np.inf if self.upward else -np.inf
        bands = np.array(
            [
                none if (v := b.resolve(skill, aircraft, constant)) is None else v
                for b in self.limits
            ]
        )
        if not np.isfinite(bands).any():
            return None
        strictest = bands.min() if self.upward else bands.max()
        place = constant(self.quantity)
        if place is None:
            return float(strictest)
        size = np.abs(np.asarray(place, dtype=float))
        index = np.searchsorted(np.array(self.starts), size, side="right") - 1
        found: Array = np.where(np.isnan(size), strictest, bands[index])
        if found.ndim:
            return found
        return float(found) if np.isfinite(found) else None

    def plain(self) -> Any:
        """See :class:`Limit`."""
        return {"by-band": self.quantity, "starts": self.starts,
                "limits": [limit.plain() for limit in self.limits]}  # fmt: skip
