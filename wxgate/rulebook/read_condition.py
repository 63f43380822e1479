"""Conditions out of a rules file: when a rule holds."""

from __future__ import annotations

from wxgate.profiles import AIRCRAFT_FIGURES, Skill
from wxgate.rulebook.model import Condition, Word
from wxgate.rulebook.read_parts import figure_of_row, only_keys, read_quantity
from wxgate.rulebook.words import CONDITION_KINDS, MONTHS
from wxgate.strictyaml import Block, Faults, Node, Series
from wxgate.yamlkeys import Figure, choice_of, figure_of

_WORDS = tuple(word.value for word in Word)


def read_conditions(node: Node | None, faults: Faults) -> tuple[Condition, ...]:
    """The conditions of a ``when`` list; all must hold."""
    if node is None:
        return ()
    if not isinstance(node, Series) or not node.items:
        faults.add(
            node.place, "no list", "'when' is a list of conditions, each behind a '-'",
            "write for example '- skills: [novice]'",
        )  # fmt: skip
        return ()
    found = (read_condition(item, faults) for item in node.items)
    return tuple(condition for condition in found if condition is not None)


def read_condition(node: Node, faults: Faults) -> Condition | None:
    """One condition, such as ``quantity: flight_height`` with ``above: 30 m``."""
    kinds = [k for k in CONDITION_KINDS if k in node] if isinstance(node, Block) else []
    if not isinstance(node, Block) or len(kinds) != 1:
        faults.add(
            node.place,
            f"a condition with {' and '.join(kinds) or 'nothing that is known'}",
            f"it has one of: {', '.join(CONDITION_KINDS)}",
            "write for example '- {quantity: flight_height, above: 30 m}'",
        )
        return None
    kind = kinds[0]
    value = node.entries[kind]
    if kind == "skills":
        names = _names(value, tuple(Skill), faults) if only_keys(node, (kind,), faults) else None
        return None if names is None else Condition(skills=frozenset(Skill(n) for n in names))
    if kind in ("months", "season"):
        names = _names(value, MONTHS, faults) if only_keys(node, (kind,), faults) else None
        if names is None:
            return None
        months = frozenset(MONTHS.index(name) + 1 for name in names)
        return Condition(months=months, seasonal=kind == "season")
    return _comparison(node, kind, faults)


def _comparison(node: Block, kind: str, faults: Faults) -> Condition | None:
    before = len(faults)
    only_keys(node, (kind, *_WORDS), faults)
    words = [word for word in _WORDS if word in node]
    if len(words) != 1:
        faults.add(
            node.place, f"{len(words)} comparisons", f"exactly one of: {', '.join(_WORDS)}",
            "write for example 'above: 30 m'",
        )  # fmt: skip
    if kind == "aircraft":
        name = choice_of(*AIRCRAFT_FIGURES)(node.entries[kind], faults)
        figure = None if name is None else AIRCRAFT_FIGURES[name]
    else:
        row = read_quantity(node.entries[kind], faults)
        name = None if row is None else row.name
        figure = None if row is None else figure_of_row(row)
        if figure is not None and kind == "size-of":
            figure = Figure(figure.units, 0, figure.high)
    if figure is None or name is None or len(words) != 1:
        return None
    amount = figure_of(figure)(node.entries[words[0]], faults)
    if amount is None or len(faults) > before:
        return None
    word = Word(words[0])
    if kind == "aircraft":
        return Condition(aircraft=name, word=word, figure=amount)
    return Condition(quantity=name, word=word, figure=amount, absolute=kind == "size-of")


def _names(node: Node, allowed: tuple[str, ...], faults: Faults) -> list[str] | None:
    """A list of words out of a few."""
    if not isinstance(node, Series) or not node.items:
        faults.add(node.place, "no list", f"a list of: {', '.join(allowed)}", "put it in [ ]")
        return None
    names = [choice_of(*allowed)(item, faults) for item in node.items]
    return None if None in names else names
