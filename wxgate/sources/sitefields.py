"""From a site's values by step to the fields of a forecast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wxgate.derive.hours import larger_end
from wxgate.forecast import Field, make_field, to_datetime
from wxgate.quantities import NO_CEILING, Kind, quantity
from wxgate.sources.endpoints import Entry
from wxgate.sources.hourly import lay_instants, lay_intervals, lay_maxima
from wxgate.sources.sampler import Sampler, Spot
from wxgate.sources.wanted import Wanted, quantities_of
from wxgate.units import convert_array

Array = NDArray[np.floating[Any]]
Samples = dict[int, tuple[int, Array]]  #: by step: start of the window, values of the cells

RAIN = "lwe_thickness_of_precipitation_amount"
SHARE_NEARBY = "precipitation_neighbourhood_fraction"
MOST_NEARBY = "precipitation_neighbourhood_maximum"
CEILING = "ceiling_height"
TERRAIN = "surface_altitude"
#: What is made of other messages: the quantities that have to be read for it.
NEEDS = {
    SHARE_NEARBY: frozenset({RAIN}),
    MOST_NEARBY: frozenset({RAIN}),
    CEILING: frozenset({TERRAIN}),
    "geopotential_height_on_levels": frozenset({TERRAIN}),
    # Flags that a model may set where nothing falls are taken back there.
    **{
        f"categorical_{kind}": frozenset({RAIN})
        for kind in ("rain", "freezing_rain", "ice_pellets", "snow")
    },
}


@dataclass(frozen=True, slots=True)
class SiteRules:
    """What the endpoints say of ceilings and of rain nearby."""

    ceiling_above_sea: bool
    no_ceiling_from: float  #: m, as the model writes it
    missing_is_no_ceiling: bool  #: a ceiling that the message's bitmap leaves out is none
    wet_from: float  #: mm in the hour
    radius_km: float


def read_site_rules(entry: Entry) -> SiteRules:
    """The rules of one model's entry; UsageError when they are not there or senseless."""
    # Unless told otherwise above sea level: nothing then is taken for higher than it is.
    reference = entry.text("ceiling_reference", "msl")
    if reference not in ("msl", "agl"):
        raise entry.fault("ceiling_reference", "must be msl or agl")
    nearby = entry.entry("neighbourhood")
    return SiteRules(
        reference == "msl",
        entry.number("no_ceiling_from_m", NO_CEILING),
        entry.flag("missing_is_no_ceiling"),
        nearby.number("wet_from_mm"),
        nearby.number("radius_km"),
    )


def needed(wanted: frozenset[str] | None) -> frozenset[str] | None:
    """The quantities to read for those wanted (None: all)."""
    if wanted is None:
        return None
    return wanted.union(*(NEEDS.get(name, frozenset()) for name in wanted))


def site_fields(
    sampler: Sampler,
    steps: Sequence[int],
    time: NDArray[np.datetime64],
    rules: SiteRules,
    source: str,
) -> dict[str, Field]:
    """The fields of everything that was sampled, on an hourly axis.

    ``steps`` are those that the run should have. A quantity of which nothing was sampled has no
    field.
    """
    hours = hours_of_run(time, sampler.run)
    fields: dict[str, Field] = {}
    rain: Array | None = None
    for name in quantities_of(sampler.wanted):
        rows = [w for w in sampler.wanted if w.quantity == name]
        there = [w for w in rows if sampler.has(w)]
        if not there:
            continue
        columns = []
        for wanted in sorted(there, key=lambda w: w.layer[1] or 0.0):
            samples = sampler.samples[wanted.layer]
            if name == CEILING:
                samples = _above_ground(samples, _constant(sampler, TERRAIN), rules)
            laid = _lay(wanted, samples, steps, hours)
            if name == RAIN:
                rain = laid
            columns.append(laid[..., 0])
        fields[name] = _field(name, there, columns, source)
    gated = {w.quantity for w in sampler.wanted if w.gated and w.quantity in fields}
    if gated and rain is not None:
        dry = _surely_dry(rain[..., 0], rules.wet_from)
        for name in gated:
            flags = fields[name].values
            fields[name] = fields[name].with_values(np.where(dry, np.minimum(flags, 0), flags))
    if rain is not None and rain.shape[-1] > 1:
        fields |= _nearby(rain, rules, source)
    return fields


def place_text(spot: Spot | None) -> str:
    """``grid point 51.25 N 0.25 W, 12 km from the site``."""
    if spot is None:
        return ""
    north = f"{abs(spot.latitude):.2f} {'N' if spot.latitude >= 0 else 'S'}"
    east = f"{abs(spot.longitude):.2f} {'E' if spot.longitude >= 0 else 'W'}"
    return f"grid point {north} {east}, {spot.distance_km:.0f} km from the site"


def notes_on(sampler: Sampler, steps: Sequence[int], wanted: frozenset[str] | None) -> list[str]:
    """What the forecast does not hold, in sentences."""
    notes = []
    absent = [
        name for name in quantities_of(sampler.wanted)
        if (wanted is None or name in wanted) and not any(k[0] == name for k in sampler.samples)
    ]  # fmt: skip
    if absent:
        notes.append(f"not had from this source: {', '.join(absent)}")
    for wanted_row in sampler.wanted:
        samples = sampler.samples.get(wanted_row.layer, {})
        holes = [s for s in sorted(sampler.steps) if s not in samples and wanted_row.exists_at(s)]
        if samples and holes and not wanted_row.once:
            told = ", ".join(f"f{s:03d}" for s in holes)
            notes.append(f"{wanted_row.element} ({wanted_row.level}) is not in {told}")
    wide = max((b - a for a, b in pairwise(steps)), default=0)
    if wide > 1 and any(k[0] == RAIN for k in sampler.samples):
        notes.append(
            f"in part the model gives a step every {wide} hours: precipitation is then the sum of "
            f"{wide} hours, and instants between are filled from both ends"
        )
    return notes


def hours_of_run(time: NDArray[np.datetime64], run: datetime) -> list[int]:
    """Whole hours from the run to each instant of an hourly axis."""
    return [int((to_datetime(t) - run).total_seconds() // 3600) for t in time]


def _lay(wanted: Wanted, samples: Samples, steps: Sequence[int], hours: Sequence[int]) -> Array:
    """Values by hour, in the quantity's own unit; of what does not change one row."""
    if wanted.once:
        laid = samples[min(samples)][1][np.newaxis]
    elif wanted.statistic is None:
        instants = {step: values for step, (_, values) in samples.items()}
        laid = lay_instants(instants, steps, hours, wanted.between)
        if quantity(wanted.quantity).kind is Kind.MAXIMUM:
            laid = larger_end(laid)
    elif wanted.statistic == 2:
        laid = lay_maxima(samples, hours)
    else:
        laid = lay_intervals(samples, hours, means=wanted.statistic == 0)
        laid = np.where(np.abs(laid) < wanted.noise, np.float32(0), laid)
    row = quantity(wanted.quantity)
    converted: Array = convert_array(laid, wanted.units, row.units)
    return converted if wanted.clip == (None, None) else np.clip(converted, *wanted.clip)


def _field(name: str, there: Sequence[Wanted], columns: Sequence[Array], source: str) -> Field:
    row = quantity(name)
    values = sorted(w.layer[1] for w in there if w.layer[1] is not None)
    on_levels = len(columns) > 1 or row.column is not None  # which may have one level only
    levels = np.asarray(values) if on_levels else None
    array = np.stack(columns, axis=-1) if on_levels else columns[0]
    kind = row.kind
    if there[0].statistic in _KINDS:
        kind = _KINDS[there[0].statistic]
    if there[0].once:
        array, kind = array[0], Kind.CONSTANT
    return make_field(name, array, kind=kind, source=source, levels=levels)


#: What a statistic of code table 4.10 makes of a quantity that else is told at instants.
_KINDS = {0: Kind.MEAN, 2: Kind.MAXIMUM}


def _surely_dry(rain: Array, wet_from: float) -> NDArray[np.bool_]:
    """Instants with less than ``wet_from`` mm in each of the hours that they close and open.

    The first instant of the axis opens an hour only, and the last closes one.
    """
    opened: NDArray[np.bool_] = rain < wet_from
    opened[-1] = True
    closed: NDArray[np.bool_] = np.concatenate([[True], opened[:-1]])
    return opened & closed


def _above_ground(samples: Samples, terrain: Array | None, rules: SiteRules) -> Samples:
    """Ceilings above ground; "none" is told apart before any arithmetic.

    A ceiling below the model's ground is one that lies on it, and one whose ground is not known is
    not known.
    """
    ground: Any = np.float32(np.nan) if terrain is None else terrain
    above: Samples = {}
    for step, (start, heights) in samples.items():
        agl = np.maximum(heights - ground, 0) if rules.ceiling_above_sea else heights
        none = heights >= rules.no_ceiling_from
        if rules.missing_is_no_ceiling:
            none |= np.isnan(heights)
        above[step] = start, np.where(none, np.float32(NO_CEILING), agl)
    return above


def _constant(sampler: Sampler, name: str) -> Array | None:
    samples = sampler.samples.get((name, None))
    return samples[min(samples)][1][:1] if samples else None


def _nearby(rain: Array, rules: SiteRules, source: str) -> dict[str, Field]:
    """Share of wet cells and the wettest; NaN when any cell is."""
    known = ~np.isnan(rain).any(axis=-1)
    wet = (rain >= rules.wet_from).mean(axis=-1)
    share = np.where(known, wet, np.nan)
    most = np.where(known, rain.max(axis=-1), np.nan)
    return {
        SHARE_NEARBY: make_field(SHARE_NEARBY, share, source=source),
        MOST_NEARBY: make_field(MOST_NEARBY, most, source=source),
    }
