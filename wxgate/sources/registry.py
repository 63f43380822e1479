"""The sources by name: a new one is one file beside this one and one line in this table.

Ensembles stand apart: a brief is for one forecast, so they are listed but not asked for one.
"""

from __future__ import annotations

import difflib
import importlib
from collections.abc import Mapping

from wxgate.errors import UsageError
from wxgate.sources.base import Source

#: name: (module, name of the description in it)
MODELS: Mapping[str, tuple[str, str]] = {
    "gfs": ("gfs", "SOURCE"),
    "hrrr": ("hrrr", "SOURCE"),
    "ecmwf": ("ecmwf", "SOURCE"),
    "icon-eu": ("icon", "EU"),
    "icon-d2": ("icon", "D2"),
    "openmeteo": ("openmeteo", "SOURCE"),
    "metno": ("metno", "SOURCE"),
    "nws": ("nws", "SOURCE"),
}
ENSEMBLES: Mapping[str, tuple[str, str]] = {
    "gefs": ("gefs", "SOURCE"),
    "ecmwf-ens": ("ecmwf_ens", "SOURCE"),
}
#: What a brief can be asked to grade.
FORECASTS: Mapping[str, tuple[str, str]] = {**MODELS, **ENSEMBLES}
INDICES: Mapping[str, tuple[str, str]] = {
    "swpc": ("swpc", "SOURCE"),
    "gfz": ("gfz", "SOURCE"),
}


def source(name: str, table: Mapping[str, tuple[str, str]] = FORECASTS) -> Source:
    """The description of a source; UsageError names the nearest when there is none."""
    if name not in table:
        near = difflib.get_close_matches(name, table, n=1)
        hint = f"Did you mean {near[0]!r}? " if near else ""
        raise UsageError(
            f"the source {name!r} is not known", remedy=f"{hint}Known: {', '.join(table)}."
        )
    module, description = table[name]
    found = getattr(importlib.import_module(f"wxgate.sources.{module}"), description)
    if not isinstance(found, Source):
        raise TypeError(f"wxgate.sources.{module}.{description} is no Source")
    return found
