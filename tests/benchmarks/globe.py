"""Grading a globe, and many sites from one run: ``python tests/benchmarks/globe.py [--small]``.

The globe is 721 x 1440 cells and 49 instants, graded by every rule that ships. All its fields at
once would take 30 GB, so it is graded in slabs of a few rows, as anyone would; the weather of a
slab is random, derived once, and the same in each slab. A copy of what the rules read of it is the
least that looking at every number could take.

Many sites: of the fields of one run on the same grid, message after message, the cells of the
sites are picked, all recipes are run on them at once, and they are graded.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.measure import Row, in_turn, peak_mb, tell
from recipe_inputs import CRAFT, SITE, START, weather

from wxgate import places
from wxgate.derive.run import derive
from wxgate.forecast import Array, Field, Forecast, Provenance, to_datetime
from wxgate.grade import Graded, grade, with_age
from wxgate.grid import RegularGrid
from wxgate.profiles import Site, Skill, known_aircraft
from wxgate.quantities import Kind
from wxgate.rulebook import Rulebook, load_rulebook

ROWS, COLUMNS, INSTANTS, SLAB = 721, 1440, 49, 7
HEIGHT = 60.0
NOW: datetime = to_datetime(START)


def rulebook() -> Rulebook:
    """Every rule of practice that ships, and the law of one place."""
    rules = places.shipped("rules")
    paths = [rules / "practice", rules / "law" / "uk.yaml"]
    return load_rulebook(paths, aircraft=known_aircraft([rules / "aircraft"]))


def forecast(fields: dict[str, Field]) -> Forecast:
    """These fields as a run that is three hours old."""
    time = START + np.arange(INSTANTS) * np.timedelta64(3600, "s")
    run = Provenance("test", "test", NOW - timedelta(hours=3), NOW, "0" * 64, cycle_h=6.0)
    return Forecast(time, fields, (run,))


def derived(fields: dict[str, Field], site: Site) -> Forecast:
    return with_age(derive(forecast(fields), site=site, aircraft=CRAFT, height=HEIGHT), NOW)


def graded(whole: Forecast, rules: Rulebook, *, keep: bool = False) -> Graded:
    return grade(whole, rules, aircraft=CRAFT, skill=Skill.NOVICE, height=HEIGHT,
                 latitude=47.0, keep_outcomes=keep)  # fmt: skip


def read_by(rules: Rulebook, whole: Forecast) -> list[Array]:
    """The arrays over time that the rules read."""
    conditions = [c for r in (*rules.rules, *rules.substitutes) for c in r.when]
    names = {r.quantity for r in (*rules.rules, *rules.substitutes)}
    names |= {c.quantity for c in conditions if c.quantity is not None}
    return [f.values for n, f in whole.fields.items() if n in names and f.kind is not Kind.CONSTANT]


def globe(small: bool) -> Iterator[Row]:
    """The full rulebook over the globe, with what each rule said kept and let go of."""
    columns, slabs = (90, 2) if small else (COLUMNS, ROWS // SLAB)
    shape = (SLAB, columns)
    site = replace(
        SITE, latitude=np.linspace(45.0, 46.5, SLAB)[:, None],
        longitude=np.linspace(-180.0, 179.75, columns)[None, :],
    )  # fmt: skip
    rules, whole = rulebook(), derived(weather(INSTANTS, shape), site)
    read = read_by(rules, whole)
    room = sum(a.nbytes for a in read) / 1e6
    for name, keep in (("codes and margins", False), ("with what every rule said", True)):
        mine, theirs = in_turn(
            slabs, lambda keep=keep: graded(whole, rules, keep=keep),
            lambda: [a.copy() for a in read],
        )  # fmt: skip
        peak = peak_mb(lambda keep=keep: graded(whole, rules, keep=keep))
        yield Row(
            f"{len(rules.rules)} rules over {SLAB * slabs} x {columns} cells x 48 h, {name}",
            mine / theirs, "copies of the bytes that they read", mine * slabs,
            f"slabs of {SLAB} rows: {room:.0f} MB read, {peak:.0f} MB more at most",
        )  # fmt: skip


def sites(small: bool) -> Iterator[Row]:
    """Sites picked from the fields of one run, derived and graded at once; and one of them."""
    count, rows, columns = (50, 73, 144) if small else (10_000, ROWS, COLUMNS)
    grid = RegularGrid(90.0, 0.0, -180.0 / (rows - 1), 360.0 / columns, rows, columns)
    message = np.random.default_rng(1).random((rows, columns), dtype=np.float32)
    random = np.random.default_rng(2)
    north, east = random.uniform(-60, 70, count), random.uniform(-180, 180, count)
    rules = rulebook()
    drawn = weather(INSTANTS, (count,))

    def values_at(cells: object, field: Field, at: object) -> Field:
        """A field of some sites; what the grid holds there only passes by, for random values."""
        if field.kind is Kind.CONSTANT:
            return field
        values = field.values[..., at].copy()
        for layer in np.ndindex(field.values.shape[:-1]):
            values[layer] += 0 * message[cells]
        return field.with_values(values)

    def all_of() -> Graded:
        places_ = zip(north, east, strict=True)
        cells = tuple(np.array([grid.nearest(y, x)[0] for y, x in places_]).T)
        picked = {n: values_at(cells, f, slice(None)) for n, f in drawn.items()}
        return graded(derived(picked, replace(SITE, latitude=north, longitude=east)), rules)

    def one() -> Graded:
        y, x = float(north[0]), float(east[0])
        cell = grid.nearest(y, x)[0]
        picked = {n: values_at(cell, f, 0) for n, f in drawn.items()}
        return graded(derived(picked, replace(SITE, latitude=y, longitude=x)), rules)

    same = np.array_equal(all_of().codes[:, 0], one().codes)
    assert same, "a site among many is graded as it is alone"
    copied = [f.values for f in drawn.values()]
    times = 1 if small else 3
    many, copy = in_turn(times, all_of, lambda: [a.copy() for a in copied])
    [alone] = in_turn(3 if small else 15, one)
    peak = peak_mb(all_of)
    what = f"{count} sites of one run picked, derived, graded"
    beside = f"{sum(a.nbytes for a in copied) / 1e6:.0f} MB picked, {peak:.0f} MB more at most"
    yield Row(what, many / (alone * count), f"one site, {count} times over", many, beside)
    yield Row(what, many / copy, "copies of what is picked", many)


def rows(*, small: bool = False) -> Iterator[Row]:
    """All of it."""
    yield from globe(small)
    yield from sites(small)


if __name__ == "__main__":
    tell(rows(small="--small" in sys.argv))
