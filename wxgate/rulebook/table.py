"""Rulebooks as plain text: the limits that hold for someone, and what differs between two."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from itertools import groupby
from pathlib import Path

from wxgate.profiles import Aircraft, Skill
from wxgate.quantities import quantity
from wxgate.rulebook.describe import SIGN, amount_text, conditions_text, rule_lines
from wxgate.rulebook.model import Rule, Rulebook, Word
from wxgate.verdict import Grade

Resolved = dict[Grade, float]
_WIDTHS = (24, 15, 15, 9)


def limits_table(
    rulebook: Rulebook, *, skill: Skill, aircraft: Aircraft, constants: Mapping[str, float]
) -> Iterator[str]:
    """A table of the limits for this skill and aircraft, 80 columns wide.

    ``constants`` are quantities of the place that limits by band need. Rules that never apply to
    this skill or aircraft are left out; so are limits that the aircraft has no figure for.
    """
    held = [
        (rule, limits)
        for rule in rulebook.rules
        if (limits := _resolve(rule, skill, aircraft, constants))
        and all(c.for_whom(skill, aircraft) for c in rule.when)
    ]
    yield _row("  rule", "marginal", "no-go", "layer", "file:line")
    any_weaker = False
    key = lambda item: item[0].quantity  # noqa: E731
    for name, group in groupby(sorted(held, key=key), key=key):
        yield quantity(name).label
        same = list(group)
        for rule, limits in same:
            weaker = _is_weaker(rule, limits, same)
            any_weaker |= weaker
            yield from _rule_rows(rule, limits, weaker=weaker)
    if any_weaker:
        yield "(*) another rule on the same quantity is stricter and decides."
    for told in rulebook.loosened:
        yield f"LOOSENED: {told}"
    for minima in rulebook.minima:
        yield minima.text


def _resolve(
    rule: Rule, skill: Skill, aircraft: Aircraft, constants: Mapping[str, float]
) -> Resolved:
    resolved = {
        g: limit.resolve(skill, aircraft, constants.get) for g, limit in rule.limits.items()
    }
    return {g: float(value) for g, value in resolved.items() if value is not None}


def _is_weaker(rule: Rule, limits: Resolved, others: list[tuple[Rule, Resolved]]) -> bool:
    """Whether one other rule, which applies whenever this one does, is at least as strict."""
    for other, theirs in others:
        same_side = other.word.upward == rule.word.upward
        if other is rule or not same_side or not set(other.when) <= set(rule.when):
            continue
        pairs = [(theirs.get(grade), limit) for grade, limit in limits.items()]
        if all(
            their is not None and (their <= limit if rule.word.upward else their >= limit)
            for their, limit in pairs
        ) and theirs != limits:  # fmt: skip
            return True
    return False


def _rule_rows(rule: Rule, limits: Resolved, *, weaker: bool) -> Iterator[str]:
    row, sign = quantity(rule.quantity), SIGN[rule.word]
    # Of what is or is not there the only limit is that it is.
    yes = row.units == "flag" and rule.word is Word.AT_LEAST
    texts = {
        grade: "yes" if yes else f"{sign} {amount_text(limit, row)}"
        for grade, limit in limits.items()
    }
    mild = texts.get(Grade.MARGINAL, "-")
    hard = texts.get(Grade.NO_GO, "-")
    if Grade.UNKNOWN in texts:
        mild = f"unknown {texts[Grade.UNKNOWN]}"
    file, _, line = rule.where.rpartition(":")
    mark = "(*) " if weaker else ""
    yield _row(f"  {rule.id}", mild, hard, rule.layer, f"{mark}{Path(file).stem}:{line}")
    if rule.when:
        # Conditions on skill and aircraft are met, or the rule would not stand here.
        rest = [c for c in rule.when if c.quantity is not None or c.months]
        if rest:
            text = f"    only when {conditions_text(rest)}"
            yield from textwrap.wrap(text, 80, subsequent_indent=" " * 8)
    if rule.loosened:
        yield f"    {rule.loosened}"


def _row(*cells: str) -> str:
    """One row; a cell that is too wide pushes the others to the right by one space."""
    padded = [f"{cell:<{width - 1}} " for cell, width in zip(cells, _WIDTHS, strict=False)]
    return "".join([*padded, cells[-1]]).rstrip()


def differences(first: Rulebook, second: Rulebook) -> list[str]:
    """What differs between two rulebooks: rules that one lacks, and parts that are not the same."""
    a = {rule.id: rule_lines(rule) for rule in first.rules}
    b = {rule.id: rule_lines(rule) for rule in second.rules}
    lines = []
    for name in sorted({*a, *b}):
        if name not in b:
            lines.append(f"- {name}: only in {first.name}")
        elif name not in a:
            lines.append(f"+ {name}: only in {second.name}")
        elif a[name] != b[name]:
            lines.append(f"! {name}")
            for key in dict.fromkeys((*a[name], *b[name])):
                old, new = a[name].get(key, "none"), b[name].get(key, "none")
                if old != new:
                    lines += [f"    {key} - {old}", f"    {key} + {new}"]
    lines += _other_differences(first, second)
    return lines


def _other_differences(first: Rulebook, second: Rulebook) -> list[str]:
    """Substitutes and practice figures that are not in both."""
    lines = []
    for sign, one, other in (("-", first, second), ("+", second, first)):
        theirs = {(s.quantity, s.origin, s.cap, s.when) for s in other.substitutes}
        for s in one.substitutes:
            if (s.quantity, s.origin, s.cap, s.when) not in theirs:
                when = f" when {conditions_text(s.when)}" if s.when else ""
                lines.append(f"{sign} {s.quantity} {s.origin}: at best {s.cap.word}{when}")
        for name, figure in one.practice.items():
            there = other.practice.get(name)
            if there is None or there.text != figure.text:
                lines.append(f"{sign} practice {name}: {figure.text}")
    return lines
