"""From chances to verdicts: each hour told how sure it is, and graded by it where asked to."""

from __future__ import annotations

import math
from collections.abc import Container, Sequence
from dataclasses import replace

from wxgate.chances import Chances
from wxgate.quantities import quantity
from wxgate.rulebook import Rulebook
from wxgate.verdict import Chance, Grade, Reason, Verdict

FLYABLE = "flyable_probability"
_BECAUSE = "of the weathers that the forecast leaves possible, so many have to be flyable"
_SOURCE = "rules/chances.yaml: cost-loss thresholds, proposals"
#: Quantities that move together, so that one change moves both.
_TOGETHER = (frozenset({"gust_at_flight_height", "gust_layer_maximum"}),)
#: The least change there is, in any unit.
_HAIR = 1e-9
#: What no forecast can get wrong cannot be otherwise.
_FIXED = frozenset({
    "solar_elevation_angle", "civil_twilight", "fixed_twilight", "glare_angle", "flight_height",
    "forecast_age", "forecast_age_in_cycles", "hours_ahead", "terrain_difference",
})  # fmt: skip


def with_chances(
    hours: Sequence[Verdict], chances: Chances, rulebook: Rulebook, *, by_chance: bool
) -> tuple[Verdict, ...]:
    """Each hour with its chance; ``by_chance`` grades it by that as well, never milder."""
    asked = _conditions(rulebook)
    return tuple(_told(hour, chances, by_chance, asked) for hour in hours)


def _told(hour: Verdict, chances: Chances, by_chance: bool, asked: frozenset[str]) -> Verdict:
    at = chances.index(hour.start)
    share = None if at is None else chances.told(at)
    if at is None or share is None:
        return _untold(hour, chances, at) if by_chance else hour
    limiting, without = chances.limiting(at)
    chance = Chance(
        share, chances.members, limiting, without, chances.thresholds.go_from,
        chances.thresholds.no_go_below, smallest_change(hour, asked),
    )  # fmt: skip
    hour = replace(hour, chance=chance)
    return _graded(hour, chance, chances, at) if by_chance else hour


def _untold(hour: Verdict, chances: Chances, at: int | None) -> Verdict:
    """An hour whose chance cannot be told: unknown, or marginal where the rulebook accepts that.

    It does where every weather lacks only what the rulebook declares to be worth less than unknown.
    """
    accepted = at is not None and chances.softened is not None and bool(chances.softened[at])
    found = Grade.MARGINAL if accepted else Grade.UNKNOWN
    reason = Reason(
        rule="chance", quantity=FLYABLE, grade=found, value=None, limit=None, limit_grade=None,
        limit_word="below", unit="1", margin=None, because=_BECAUSE, source=_SOURCE,
        layer="practice", note="the chance to fly cannot be told",
    )  # fmt: skip
    decides = found > hour.grade
    return replace(
        hour, grade=max(hour.grade, found), reasons=(*hour.reasons, reason),
        limiting="chance" if decides else hour.limiting,
    )  # fmt: skip


def _graded(hour: Verdict, chance: Chance, chances: Chances, at: int) -> Verdict:
    """The worse of both grades, with the chance among the reasons."""
    found = chances.grade(at)
    no_go = found is Grade.NO_GO
    note = ""
    if found is not Grade.NO_GO and chances.too_early(at):
        when = chances.decided_from(at)
        note = "too early to say go"
        note += "" if when is None else f"; can be told from {when:%Y-%m-%dT%H:%MZ}"
    reason = Reason(
        rule="chance", quantity=FLYABLE, grade=found, value=chance.flyable,
        limit=chance.no_go_below if no_go else chance.go_from,
        limit_grade=Grade.NO_GO if no_go else Grade.MARGINAL, limit_word="below", unit="1",
        margin=chance.flyable - chance.no_go_below, because=_BECAUSE, source=_SOURCE,
        layer="practice", note=note,
    )  # fmt: skip
    reasons = (*hour.reasons, reason)
    decides = found > hour.grade
    margin = min(hour.margin, reason.margin or 0.0) if hour.margin is not None else hour.margin
    return replace(
        hour, grade=max(hour.grade, found), reasons=reasons, margin=margin,
        limiting="chance" if decides else hour.limiting,
    )  # fmt: skip


# ---------------------------------------------------------------------- what would flip it


def smallest_change(hour: Verdict, asked: Container[str] = ()) -> tuple[str, float] | None:
    """The quantity and its change in its own unit, which brings it just to the limit that decides.

    None where no single quantity changes the grade: it rests on several unlike ones, on something
    that is missing, or on a quantity by which rules come into force (``asked``).

    To the limit for ``at least`` and ``at most``; a hair beyond it (or, coming back, to it) for
    ``above`` and ``below``.
    """
    if hour.grade is Grade.UNKNOWN:
        return None
    decisive = [r for r in hour.reasons if r.rule != "chance"]
    if hour.grade is not Grade.GO:
        decisive = [r for r in decisive if r.grade == hour.grade]
        names = {r.quantity for r in decisive}
        if len(names) > 1 and not any(names <= group for group in _TOGETHER):
            return None
        if any(_step(r) is None for r in decisive):
            return None
    steps = [step for r in decisive if (step := _step(r)) is not None]
    if not steps:
        return None
    nearest = min(steps) if hour.grade is Grade.GO else max(steps, key=lambda s: abs(s[2]))
    _, name, change = nearest
    return None if name in asked else (name, change)


def _conditions(rulebook: Rulebook) -> frozenset[str]:
    """The quantities by which rules come into force: changed, they change more than a value."""
    brought_in = [rule.when for rule in rulebook.rules]
    brought_in += [substitute.when for substitute in rulebook.substitutes]
    return frozenset(c.quantity for when in brought_in for c in when if c.quantity is not None)


def _step(reason: Reason) -> tuple[float, str, float] | None:
    """How far the value is from its limit: as a share of it, the quantity, and the change."""
    row = quantity(reason.quantity)
    if reason.value is None or reason.limit is None or row.units == "flag" or reason.note:
        return None  # a note: the rule does not apply, or stands on a substitute
    change = reason.limit - reason.value
    if change == 0:  # on the limit: a hair beyond it, or back
        change = _HAIR if reason.limit_word in ("above", "at most") else -_HAIR
    if not math.isfinite(change) or reason.quantity in _FIXED:
        return None
    return abs(change) / (row.scale or abs(reason.limit) or 1.0), reason.quantity, change
