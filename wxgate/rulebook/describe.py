"""Limits, conditions and rules in words, for people."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from wxgate.profiles import AIRCRAFT_FIGURES, Skill
from wxgate.quantities import Quantity, quantity
from wxgate.rulebook.limits import Amount, ByBand, FigureOf, Limit, PerSkill, ShareOf
from wxgate.rulebook.model import Condition, Rule, Word
from wxgate.rulebook.words import MONTHS
from wxgate.units import convert, written

SIGN = {Word.ABOVE: ">", Word.AT_LEAST: ">=", Word.BELOW: "<", Word.AT_MOST: "<="}


def amount_text(value: float, row: Quantity) -> str:
    """A figure as a rules file would have it: unit of the screen, never rounded out of sight."""
    shown = convert(value, row.units, row.shown_units, difference=row.difference)
    unit = "" if row.shown_units == "1" else f" {written(row.shown_units)}"
    return f"{shown:.4g}{unit}"


def limit_text(limit: Limit, row: Quantity) -> str:
    """A limit as its file has it."""
    if isinstance(limit, Amount):
        return _by_skill(limit.values, lambda v: amount_text(v, row))
    if isinstance(limit, ShareOf):
        shares = _by_skill(limit.shares, lambda v: f"{v * 100:g} %")
        text = f"{shares} of {limit.figure}"
        if any(cap is not None for cap in limit.at_most):
            text += f", but at most {_by_skill(limit.at_most, lambda v: amount_text(v, row))}"
        return text
    if isinstance(limit, FigureOf):
        units = "K" if AIRCRAFT_FIGURES[limit.figure].units == "K" else row.units
        return f"{limit.figure} {limit.plus:+g} {units}" if limit.plus else limit.figure
    if isinstance(limit, ByBand):
        band_row = quantity(limit.quantity)
        return "; ".join(
            f"from {start:g} {band_row.units} {band_row.label}: {limit_text(band, row)}"
            for start, band in zip(limit.starts, limit.limits, strict=True)
        )
    return str(limit.plain())


def _by_skill(values: PerSkill, text: Callable[[float], str]) -> str:
    texts = ["none" if value is None else text(value) for value in values]
    if len(set(texts)) == 1:
        return texts[0]
    return ", ".join(f"{skill} {told}" for skill, told in zip(Skill, texts, strict=True))


def condition_text(condition: Condition) -> str:
    """A condition in words."""
    if condition.skills:
        return f"skill is {' or '.join(s for s in Skill if s in condition.skills)}"
    if condition.months:
        names = ", ".join(MONTHS[month - 1] for month in sorted(condition.months))
        return f"season of {names} in the north" if condition.seasonal else f"month is {names}"
    if condition.aircraft is not None:
        told = f"{condition.figure:g} {AIRCRAFT_FIGURES[condition.aircraft].units}"
        return f"the aircraft's {condition.aircraft} {condition.word} {told}"
    assert condition.quantity is not None  # noqa: S101
    row = quantity(condition.quantity)
    of = "size of " if condition.absolute else ""
    return f"{of}{row.label} {condition.word} {amount_text(condition.figure, row)}"


def conditions_text(conditions: Sequence[Condition]) -> str:
    """All conditions in one line."""
    return " and ".join(condition_text(condition) for condition in conditions)


def rule_lines(rule: Rule) -> dict[str, str]:
    """Each part of a rule in one line, by its key in the file."""
    row = quantity(rule.quantity)
    lines = {"quantity": rule.quantity, "word": rule.word.value}
    for grade, limit in sorted(rule.limits.items()):
        lines[grade.word] = limit_text(limit, row)
    lines["when"] = conditions_text(rule.when)
    gives = "note" if rule.missing is None else rule.missing.word
    softened = conditions_text(rule.missing_when)
    lines["missing"] = f"{gives} when {softened}, else unknown" if softened else gives
    lines["neighbours"] = f"{rule.before} h before, {rule.after} h after"
    lines["because"], lines["source"], lines["layer"] = rule.because, rule.source, rule.layer
    return lines
