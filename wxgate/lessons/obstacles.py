"""What can stand in the way of a lesson at a start, one function each.

Each tells a ``Blocked``, or what it found where nothing is in the way. Written so that a start has
to be proven: what is missing blocks, or takes the go away.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from wxgate.lessons.ground import Ground
from wxgate.lessons.policy import Policy
from wxgate.lessons.records import Blocked, Student
from wxgate.lessons.series import overlapped, seconds
from wxgate.quantities import quantity
from wxgate.verdict import Grade, Verdict

#: How near a start with this in the way is to a slot, for telling the most hopeful one.
_FAR, _DARK, _BEYOND, _LIMITS, _FOG, _THUNDER, _CHANCE, _PACKS = 0, 1, 2, 3, 4, 4.5, 5, 7
_TOO_FAR = "the forecast does not reach so far"


@dataclass(frozen=True, slots=True)
class Laid:
    """A lesson laid at a start; times UTC, and ``fly``, ``land``, ``pad`` in seconds."""

    start: datetime
    flying_start: datetime
    flying_end: datetime
    end: datetime
    pad: int

    @classmethod
    def of(cls, start: datetime, student: Student, policy: Policy) -> Laid:
        """The parts of a student's lesson that begins at ``start``."""
        first = start + policy.flying_after()
        last = first + timedelta(minutes=student.minutes)
        return cls(start, first, last, last + policy.pack_up, seconds(policy.padding))

    @property
    def fly(self) -> int:
        """The second (since 1970) at which the flying begins."""
        return int(self.flying_start.timestamp())

    @property
    def land(self) -> int:
        """The second at which it ends."""
        return int(self.flying_end.timestamp())

    @property
    def hours(self) -> range:
        """The hours that the padded flying part overlaps."""
        return overlapped(self.fly - self.pad, self.land + self.pad)


def by_daylight(ground: Ground, laid: Laid) -> Blocked | None:
    """A sun that is too low; where it was not looked at, the hours are unknown anyway."""
    flying = ground.lowest_sun(laid.fly, laid.land)
    on_field = ground.lowest_sun(int(laid.start.timestamp()), int(laid.end.timestamp()))
    if math.isnan(flying) or math.isnan(on_field):
        return Blocked(laid.start, "unknown", _TOO_FAR, None, _FAR)
    if flying >= ground.policy.sun and on_field >= ground.policy.sun_on_field:
        return None
    lowest = flying if flying < ground.policy.sun else on_field
    text = f"the sun stands at {lowest:.1f} degrees"
    return Blocked(laid.start, "no daylight", text, None, _DARK)


@dataclass(frozen=True, slots=True)
class Graded:
    """The worst grade of the hours, their least room, and the hour that limits."""

    grade: Grade
    margin: float | None
    hour: Verdict


def by_limits(ground: Ground, laid: Laid) -> Blocked | Graded:
    """An hour that is no-go, unknown, or not there."""
    found = [ground.hours.get(t) for t in laid.hours]
    known = [v for v in found if v is not None]
    if len(known) < len(found) or not known:
        return Blocked(laid.start, "unknown", _TOO_FAR, None, _BEYOND)
    rooms = [-math.inf if v.margin is None else v.margin for v in known]
    least = min(rooms)
    worst = max(zip(known, rooms, strict=True), key=lambda p: (p[0].grade, -p[1]))[0]
    if worst.grade <= Grade.MARGINAL:
        return Graded(worst.grade, least if math.isfinite(least) else None, worst)
    kind = "limits" if worst.grade is Grade.NO_GO else "unknown"
    reason = worst.limiting_reason
    text = quantity(reason.quantity).label if reason else "the forecast says nothing"
    near = math.tanh(least) / 2 if math.isfinite(least) else -0.5
    return Blocked(laid.start, kind, text, reason, _LIMITS + near)


def by_fog(ground: Ground, laid: Laid) -> Blocked | None:
    """Fog of the night that the sun has not cleared when the flying begins."""
    for fog in ground.fog:
        if fog.start <= laid.fly < fog.clear:
            what = "fog of the night" if fog.told else "fog, which could not be told,"
            text = f"{what} is not cleared by the sun yet"
            return Blocked(laid.start, "fog", text, None, _FOG)
    return None


def by_thunder(ground: Ground, laid: Laid) -> Blocked | str:
    """Thunder within the guard on both sides of the flying; or a note where it cannot be told."""
    guard = seconds(ground.policy.thunder_guard)
    around = overlapped(laid.fly - guard, laid.land + guard)
    chances = {hour: ground.thunder(hour) for hour in around}
    told = [c for c in chances.values() if not math.isnan(c)]
    if told and not max(told) < ground.policy.thunder_chance:
        text = f"chance of thunder {max(told):.0%} around the lesson"
        return Blocked(laid.start, "thunder", text, None, _THUNDER)
    missing = [hour for hour, c in chances.items() if math.isnan(c)]
    if not missing:
        return ""
    note = "chance of thunder around the lesson is missing"
    if max(map(ground.thunder_missing, missing)) > Grade.MARGINAL:
        return Blocked(laid.start, "thunder", note, None, _THUNDER)
    return note


@dataclass(frozen=True, slots=True)
class Sure:
    """How sure the lesson is, and what it has to be; None where no chances were worked out."""

    share: float | None
    needed: float | None
    note: str = ""


def by_chance(ground: Ground, laid: Laid) -> Blocked | Sure:
    """A chance of the padded flying part that is too small for the skill."""
    if not ground.has_chances:
        return Sure(None, None)
    pad = timedelta(seconds=laid.pad)
    share = ground.chance(laid.flying_start - pad, laid.flying_end + pad)
    needed = ground.policy.chance[ground.brief.pilot.skill]
    if share is None:
        return Sure(None, needed, "how sure the lesson is cannot be told")
    if not share >= needed:
        text = f"chance of a flyable lesson {_down(share)}, {needed:.0%} is needed"
        return Blocked(laid.start, "chance", text, None, _CHANCE + share)
    return Sure(share, needed)


def _down(share: float) -> str:
    return f"{math.floor(share * 100 + 1e-9)}%"


def by_packs(
    ground: Ground, student: Student, laid: Laid, packs: Mapping[str, int]
) -> Blocked | dict[str, int]:
    """Packs of each aircraft that its flying takes down to the reserve; or why they do not last."""
    needed: dict[str, int] = {}
    for aircraft, minutes in student.minutes_by_aircraft.items():
        if aircraft not in packs:
            continue
        one = ground.flight_time(aircraft, laid.hours) * (1.0 - ground.policy.reserve)
        if not one > 0:
            text = f"the flight time of a pack of {aircraft} is not known"
            return Blocked(laid.start, "batteries", text, None, _PACKS)
        needed[aircraft] = math.ceil(minutes * 60 / one)
        if needed[aircraft] > packs[aircraft]:
            text = (f"{needed[aircraft]} packs of {one / 60:.0f} min are needed for {aircraft},"
                    f" there are {packs[aircraft]}")  # fmt: skip
            return Blocked(laid.start, "batteries", text, None, _PACKS)
    return needed
