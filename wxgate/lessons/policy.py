"""The figures of lesson planning, out of the rules files."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta

from wxgate.errors import RulebookError, UsageError
from wxgate.profiles import Skill
from wxgate.rulebook import Practice, Rulebook
from wxgate.units import convert

QUARTER = timedelta(minutes=15)
_DAY = 86400.0


@dataclass(frozen=True, slots=True)
class Policy:
    """How lessons are laid and ranked; canonical units, spans as timedelta."""

    set_up: timedelta
    briefing: timedelta
    pack_up: timedelta
    least_flying: timedelta
    padding: timedelta
    step: timedelta  #: a multiple of 15 min that divides the day
    sun: float  #: degree, while flying
    sun_on_field: float  #: degree, from start to end
    thunder_guard: timedelta
    thunder_chance: float
    fog_before_sunrise: timedelta
    fog_morning: timedelta  #: after sunrise
    fog_low_sun: timedelta  #: after sunrise
    chance: Mapping[Skill, float]
    weakest_first: bool
    bin: float
    trend: float  #: m/s in an hour
    cold: float  #: K of wind chill
    heat: float  #: K of heat index
    particles: float  #: ug m-3
    glare: float  #: degree
    reserve: float  #: share
    look_again: timedelta  #: after local midnight, the day before
    decide: timedelta  #: after local midnight, the same day
    decide_before: timedelta

    def flying_after(self) -> timedelta:
        """From the start of a lesson to its flying part."""
        return self.set_up + self.briefing


#: Unit and range of each figure.
_SPAN = ("s", 0.0, 6 * 3600.0)
_FIGURES: Mapping[str, tuple[str, float, float]] = {
    "set-up": _SPAN,
    "briefing": _SPAN,
    "pack-up": _SPAN,
    "least-flying": ("s", 60.0, 4 * 3600.0),
    "padding": _SPAN,
    "step": ("s", 900.0, 6 * 3600.0),
    "sun": ("degree", -6.0, 30.0),
    "sun-on-field": ("degree", -18.0, 30.0),
    "thunder-guard": _SPAN,
    "thunder-chance": ("1", 0.0, 1.0),
    "fog-before-sunrise": ("s", 0.0, 12 * 3600.0),
    "fog-morning": ("s", 3600.0, 12 * 3600.0),
    "fog-low-sun": ("s", 3 * 3600.0, _DAY),
    **{f"chance-{skill}": ("1", 0.0, 1.0) for skill in Skill},
    "weakest-first": ("flag", 0.0, 1.0),
    "bin": ("1", 0.001, 1.0),
    "trend": ("m s-1", 0.1, 20.0),
    "cold": ("K", 233.15, 293.15),
    "heat": ("K", 288.15, 323.15),
    "particles": ("ug m-3", 1.0, 500.0),
    "glare": ("degree", 0.0, 180.0),
    "reserve": ("1", 0.0, 0.9),
    "look-again": ("s", 0.0, _DAY),
    "decide": ("s", 0.0, _DAY),
    "decide-before": ("s", 0.0, _DAY),
}
_SPANS = frozenset(name for name, (unit, _, _) in _FIGURES.items() if unit == "s")


def policy_of(*rulebooks: Rulebook) -> Policy:
    """The figures of several rulebooks, later ones in the place of earlier.

    RulebookError for a figure that is not there, is of another kind, or makes no sense.
    """
    practice: dict[str, Practice] = {}
    for book in rulebooks:
        practice.update(book.practice)
    values = {name: _value(practice, name, *told) for name, told in _FIGURES.items()}
    step = values["step"]
    if step % 900 or _DAY % step:
        raise RulebookError(
            f"the practice figure 'lesson-step' is {step / 60:g} min",
            remedy="Write 15, 30, 45, 60, 90, 120, 180, 240 or 360 min.",
        )
    found: dict[str, object] = {
        name.replace("-", "_"): timedelta(seconds=v) if name in _SPANS else v
        for name, v in values.items()
        if not name.startswith("chance-")
    }
    found["weakest_first"] = bool(values["weakest-first"])
    chance = {skill: values[f"chance-{skill}"] for skill in Skill}
    return Policy(chance=chance, **found)  # type: ignore[arg-type]


def _value(
    practice: Mapping[str, Practice], name: str, units: str, low: float, high: float
) -> float:
    figure = practice.get(f"lesson-{name}")
    if figure is None:
        raise RulebookError(
            f"the practice figure 'lesson-{name}' is in no rules file",
            remedy="Add the file lessons.yaml that ships to your rules.",
        )
    try:
        value = convert(figure.value, figure.unit, units)
    except UsageError as error:
        raise RulebookError(
            f"the practice figure 'lesson-{name}' is {figure.text}: {error.what}",
            remedy=f"Write it in a unit such as {units}.",
        ) from error
    if not (math.isfinite(value) and low <= value <= high):
        raise RulebookError(
            f"the practice figure 'lesson-{name}' is {figure.text}",
            remedy=f"Write a figure of {low:g} to {high:g} {units}.",
        )
    return value
