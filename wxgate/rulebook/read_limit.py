"""Limits out of a rules file."""

from __future__ import annotations

from wxgate.profiles import AIRCRAFT_FIGURES, Skill
from wxgate.quantities import QUANTITIES, Kind, Quantity
from wxgate.rulebook.limits import Amount, ByBand, FigureOf, Limit, PerSkill, ShareOf
from wxgate.rulebook.model import Word
from wxgate.rulebook.read_parts import figure_of_row, only_keys, read_quantity
from wxgate.rulebook.words import LIMIT_KINDS
from wxgate.strictyaml import Block, Faults, Node, Scalar, Series, nearest
from wxgate.units import unit
from wxgate.yamlkeys import Figure, Reader, choice_of, figure_of, tidy


def read_limit(node: Node, row: Quantity, word: Word, faults: Faults) -> Limit | None:
    """A limit of a rule on the quantity ``row``; None with a fault noted when it is none."""
    if isinstance(node, Scalar):
        value = figure_of(figure_of_row(row))(node, faults)
        return None if value is None else Amount.of(value)
    if isinstance(node, Series):
        faults.add(node.place, "a list", "a limit is a figure with its unit, or a mapping")
        return None
    kind = next((key for key in LIMIT_KINDS if key in node), None)
    if kind is None:
        faults.add(
            node.place,
            f"a limit with the keys {', '.join(node.keys) or 'none'}",
            f"it needs one of: {', '.join(LIMIT_KINDS)}",
            next((near for key in node.keys if (near := nearest(key, LIMIT_KINDS))), ""),
        )
        return None
    if not only_keys(node, (kind, *LIMIT_KINDS[kind]), faults):
        return None
    if kind == "by-skill":
        values = _per_skill(node, "by-skill", figure_of(figure_of_row(row)), faults)
        return None if values is None else Amount(values)
    if kind == "share-of":
        return _share_of(node, row, word, faults)
    if kind == "figure-of":
        return _figure_of(node, row, faults)
    return _by_band(node, row, word, faults)


def _per_skill(node: Block, key: str, reader: Reader, faults: Faults) -> PerSkill | None:
    """One figure for each skill; ``none`` where a skill has no limit."""
    table = node.entries[key]
    if isinstance(table, Scalar):
        value = reader(table, faults)
        return None if value is None else (value, value, value, value)
    if not isinstance(table, Block):
        faults.add(table.place, "a list", f"allowed: a figure for each of {', '.join(Skill)}")
        return None
    before = len(faults)
    only_keys(table, tuple(Skill), faults)
    values: list[float | None] = []
    for skill in Skill:
        entry = table.get(skill)
        if entry is None:
            faults.add(
                table.place,
                f"no figure for the skill {skill.value!r}",
                "each skill is named, so that none is forgotten",
                f"add '{skill.value}: ...', or '{skill.value}: none' for no limit",
            )
            continue
        no_limit = isinstance(entry, Scalar) and entry.text == "none"
        values.append(None if no_limit else reader(entry, faults))
    if len(faults) > before:
        return None
    first, novice, middle, expert = values
    return first, novice, middle, expert


def _aircraft_figure(node: Block, key: str, row: Quantity, faults: Faults) -> str | None:
    """The name of an aircraft's figure that measures the same as the quantity."""
    name: str | None = choice_of(*AIRCRAFT_FIGURES)(node.entries[key], faults)
    if name is None:
        return None
    figure, place = AIRCRAFT_FIGURES[name], node.entries[key].place
    measured, wanted = unit(figure.units).dimension, unit(row.units).dimension
    # A rate in mm/h is compared with the sum over one hour, which is the same number.
    hourly = row.kind is Kind.SUM and (measured, wanted) == ("water rate", "water depth")
    if not hourly and (measured != wanted or row.difference):
        same = [n for n, f in AIRCRAFT_FIGURES.items() if unit(f.units).dimension == wanted]
        faults.add(
            place,
            f"{name} measures {measured}, but {row.name} measures {wanted}",
            f"allowed here: {', '.join(same) or 'no figure of the aircraft'}",
        )
        return None
    return name


def _share_of(node: Block, row: Quantity, word: Word, faults: Faults) -> Limit | None:
    name = _aircraft_figure(node, "share-of", row, faults)
    if unit(row.units).dimension == "temperature":
        faults.add(
            node.keys["share-of"],
            "a share of a temperature",
            "a share is taken of a speed, a height, a time, ...",
            "write 'figure-of' with 'plus' or 'minus'",
        )
    given = [key for key in ("share", "by-skill") if key in node]
    if len(given) != 1:
        faults.add(
            node.place,
            f"'share-of' with {' and '.join(given) or 'no share'}",
            "one of 'share' and 'by-skill' is needed",
            "write for example 'share: 80 %'",
        )
        return None
    shares = _per_skill(node, given[0], _share(word), faults)
    caps: PerSkill | None = (None, None, None, None)
    if "but-at-most" in node:
        caps = _per_skill(node, "but-at-most", figure_of(figure_of_row(row)), faults)
    if name is None or shares is None or caps is None:
        return None
    return ShareOf(name, shares, caps)


def _share(word: Word) -> Reader:
    """A share such as 45 % or 0.45; above 100 % only where larger is the safer side."""
    top = 1.0 if word.upward else 10.0

    def share(node: Node, faults: Faults) -> float | None:
        value: float | None = figure_of(Figure("1", 0, 1e9), bare=True)(node, faults)
        if value is not None and not 0 < value <= top:
            faults.add(
                node.place,
                f"a share of {value:g}, which is {value * 100:g} %",
                f"allowed: above 0 % to {top * 100:g} %",
                f"write '{value:g} %'" if value > top else "write the limit as a figure",
            )
            return None
        return value

    return share


def _figure_of(node: Block, row: Quantity, faults: Faults) -> Limit | None:
    name = _aircraft_figure(node, "figure-of", row, faults)
    offset = 0.0
    reader = figure_of(Figure(row.units, 0, row.high - row.low, difference=True))
    for key, sign in (("plus", 1), ("minus", -1)):
        if key in node:
            offset += sign * (reader(node.entries[key], faults) or 0.0)
    return None if name is None else FigureOf(name, tidy(offset))


def _by_band(node: Block, row: Quantity, word: Word, faults: Faults) -> Limit | None:
    before = len(faults)
    band_row = read_quantity(node.entries["by-band"], faults)
    if band_row is not None and band_row.kind is not Kind.CONSTANT:
        constant = [n for n, q in QUANTITIES.items() if q.kind is Kind.CONSTANT]
        faults.add(
            node.entries["by-band"].place,
            f"{band_row.name} changes with time",
            f"bands are made of what does not: {', '.join(constant)}",
            "write two rules with 'when' instead",
        )
    bands = node.get("bands")
    if not isinstance(bands, Series) or not bands.items:
        faults.add(
            node.place, "no list of bands", "'bands' is a list of {from: ..., limit: ...}",
            "add one, beginning with 'from: 0 ...'",
        )  # fmt: skip
        return None
    if band_row is None:
        return None
    starts, limits = [], []
    for item in bands.items:
        band = _band(item, band_row, row, word, faults)
        if band is not None:
            starts.append(band[0])
            limits.append(band[1])
    if len(faults) == before and (starts[0] != 0 or starts != sorted(set(starts))):
        faults.add(
            bands.place,
            f"bands from {', '.join(f'{s:g}' for s in starts)} {band_row.units}",
            "the first band is from 0, and each begins above the one before",
            "put them in order",
        )
    if len(faults) > before:
        return None
    return ByBand(band_row.name, tuple(starts), tuple(limits), word.upward)


def _band(
    node: Node, band_row: Quantity, row: Quantity, word: Word, faults: Faults
) -> tuple[float, Amount] | None:
    if not isinstance(node, Block) or set(node.keys) != {"from", "limit"}:
        faults.add(node.place, "a band of another form", "allowed: {from: ..., limit: ...}")
        return None
    # Bands are of the size, so they start at 0 even where the quantity may be negative.
    start = figure_of(Figure(band_row.units, 0, band_row.high))(node.entries["from"], faults)
    value = node.entries["limit"]
    if isinstance(value, Scalar) and value.text == "none":
        limit: Limit | None = Amount((None, None, None, None))
    else:
        limit = read_limit(value, row, word, faults)
    if limit is not None and not isinstance(limit, Amount):
        faults.add(value.place, "a limit of another kind", "a band has figures, or 'by-skill'")
        return None
    return None if start is None or limit is None else (start, limit)
