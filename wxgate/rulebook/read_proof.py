"""Proofs out of a rules file."""

from __future__ import annotations

from math import nan

from wxgate.profiles import Skill
from wxgate.quantities import QUANTITIES, Quantity
from wxgate.rulebook.proof import OUTCOMES, Fleet, Proof
from wxgate.rulebook.read_parts import (
    check_keys,
    figure_of_row,
    items_of,
    one_or_more,
    read_quantity,
    read_skill,
    take,
)
from wxgate.rulebook.words import MONTHS, PROOF_KEYS
from wxgate.strictyaml import Block, Faults, Node, Scalar
from wxgate.yamlkeys import Figure, choice_of, figure_of


def read_proofs(
    node: Node | None, row: Quantity | None, fleet: Fleet, faults: Faults
) -> list[Proof]:
    """The proofs of a rule (``row`` its quantity) or of a substitute (None)."""
    found = [_proof(item, row, fleet, faults) for item in items_of(node, "proof", faults)]
    if node is not None and not found:
        faults.add(node.place, "an empty proof", "at least one value with its grade")
    return [proof for proof in found if proof is not None]


def _proof(node: Block, row: Quantity | None, fleet: Fleet, faults: Faults) -> Proof | None:
    """One proof."""
    before = len(faults)
    allowed = PROOF_KEYS if row is not None else PROOF_KEYS[1:]
    check_keys(node, allowed, {"grade"} | ({"value"} if row is not None else set()), faults)
    value = None
    if row is not None and "value" in node:
        value = _amount(node.entries["value"], row, faults)
    others = _others(node.get("with"), faults)
    if "height" in node:
        others["flight_height"] = _amount(
            node.entries["height"], QUANTITIES["flight_height"], faults
        )
    month = take(node, "month", choice_of(*MONTHS), faults)
    latitude = take(node, "latitude", figure_of(Figure("degree", -90, 90), bare=True), faults, nan)
    craft = take(node, "aircraft", choice_of(*fleet.named), faults)
    skills = take(node, "skill", one_or_more(read_skill), faults, tuple(Skill))
    outcome = take(node, "grade", choice_of(*OUTCOMES), faults)
    if len(faults) > before:
        return None
    return Proof(
        place=node.place,
        value=value,
        outcome=outcome,
        skills=skills,
        aircraft=craft,
        others=others,
        month=None if month is None else MONTHS.index(month) + 1,
        latitude=latitude,
    )


def _others(node: Node | None, faults: Faults) -> dict[str, float]:
    """The values of other quantities in a proof; what is not named is missing."""
    if node is None:
        return {}
    if not isinstance(node, Block):
        faults.add(node.place, "no mapping", "'with' is a mapping of quantities")
        return {}
    found = {}
    for name, value in node.entries.items():
        row = read_quantity(Scalar(name, node.keys[name]), faults)
        if row is not None:
            found[name] = _amount(value, row, faults)
    return found


def _amount(node: Node, row: Quantity, faults: Faults) -> float:
    """A figure of a quantity, NaN for ``missing`` (and, with a fault noted, for no figure)."""
    if isinstance(node, Scalar) and node.text == "missing":
        return nan
    value = figure_of(figure_of_row(row))(node, faults)
    return nan if value is None else float(value)
