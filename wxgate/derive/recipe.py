"""What a recipe is: a named quantity, what it needs, how it is made, and who says so."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from wxgate.derive.figures import Derivation, derivation
from wxgate.forecast import Array, Field, make_field
from wxgate.quantities import Kind

if TYPE_CHECKING:
    from wxgate.profiles import Aircraft, Site


T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Inputs:
    """All that a recipe may look at."""

    time: NDArray[np.datetime64]
    fields: Mapping[str, Field]  #: fetched, and derived by the recipes before this one
    site: Site
    aircraft: Aircraft
    height: float  #: planned flight height, m above ground
    shared: dict[str, Any] = field(default_factory=dict)  #: see :meth:`once`
    figures: Derivation = field(default_factory=derivation)  #: the policy in all of it

    def once(self, name: str, make: Callable[[Inputs], T]) -> T:
        """What several recipes are made of and no quantity is, made by the first that asks."""
        if name not in self.shared:
            self.shared[name] = make(self)
        found: T = self.shared[name]
        return found

    def get(self, name: str) -> Field | None:
        """The field of a quantity, None when there is none."""
        return self.fields.get(name)

    def values(self, name: str) -> Array | None:
        """The values of a quantity, None when there is none."""
        found = self.fields.get(name)
        return None if found is None else found.values


@dataclass(frozen=True, slots=True)
class Recipe:
    """How one derived quantity is made.

    ``make`` returns the field, or None when the inputs do not allow it; it never raises for
    missing data, and NaN in gives NaN out. ``needs`` must all be there for ``make`` to be called;
    ``uses`` are looked at when they are there (their absence is told by the field's ``origin``).
    """

    name: str
    needs: tuple[str, ...]
    make: Callable[[Inputs], Field | None]
    says: str  #: the recipe in one line, for ``wxgate explain``; a {figure} by its name
    citation: str
    uses: tuple[str, ...] = ()
    validity: str = ""


def worst_kind(*fields: Field | None) -> Kind:
    """The kind of a value made of several: POINT unless one of them covers an interval."""
    kinds = [f.kind for f in fields if f is not None and f.kind is not Kind.CONSTANT]
    return next((k for k in kinds if k is not Kind.POINT), Kind.POINT)


__all__ = ["Array", "Field", "Inputs", "Recipe", "make_field", "worst_kind"]
