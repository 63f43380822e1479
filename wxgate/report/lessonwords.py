"""The sentences of the lesson sheet."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from wxgate.brief import Brief
from wxgate.daylimits import DayLimits, Return, Room, Silent
from wxgate.report.chance import hundred
from wxgate.report.lessonnumbers import Line, Numbers, bearing_text, one_line, sun
from wxgate.report.observed import nearest_text
from wxgate.report.words import CAUTIONS, clock, day, provenance_text, reason_text, span
from wxgate.verdict import Grade, Reason, Verdict

INSTRUCTION = "First flights belong in the hands of a licensed or qualified instructor."
REMINDER = "A reminder for the field, not a licence and no permission to fly."
LONGEST_SOURCE, LONGEST_REPORT = 90, 150  #: letters told of each source, and of a report


@dataclass(frozen=True, slots=True)
class Words(Numbers):
    """What a sheet says, in the zone of the site and the units of the reader."""

    brief: Brief
    tz: ZoneInfo
    lesson_chance: float | None = None  #: of a planned lesson, with the padding around its flying

    def when(self, limits: DayLimits | None) -> str:
        """The span of the lesson, or how far there is none."""
        if limits is not None:
            return span(limits.start, limits.end, self.tz, display=self.display)
        if not self.brief.hours:
            return "no hours were graded"
        until = self.brief.hours[-1].end
        return f"no window until {day(until, self.tz)} {self.clock(until)}"

    def clock(self, when: object) -> str:
        """A time of day."""
        return clock(when, self.tz, display=self.display)  # type: ignore[arg-type]

    # ------------------------------------------------------------------ reasons

    def against(self, hours: Iterable[Verdict]) -> list[str]:
        """Each rule that stands against the hours, once, with the hour in which it is worst."""
        found: dict[str, tuple[Verdict, Reason]] = {}
        for verdict in hours:
            for reason in verdict.reasons:
                known = found.get(reason.rule)
                if reason.grade > Grade.GO and (known is None or worse(reason, known[1])):
                    found[reason.rule] = (verdict, reason)
        ordered = sorted(found.values(), key=lambda p: (-p[1].grade, room(p[1])))
        return [f"{self.reason(r, v)}: {r.because}" for v, r in ordered]

    def hindrances(self) -> list[str]:
        """The rules that most often stand in the way, each with the hour in which it is nearest."""
        found: dict[str, list[tuple[Verdict, Reason]]] = {}
        hours = self.brief.hours
        for verdict in hours:
            reason = verdict.limiting_reason
            if reason is not None and verdict.grade > Grade.GO:
                found.setdefault(reason.rule, []).append((verdict, reason))
        told = []
        for pairs in sorted(found.values(), key=len, reverse=True):
            verdict, reason = max(pairs, key=lambda p: (-p[1].grade, room(p[1])))
            when = f"{day(verdict.start, self.tz)} {self.clock(verdict.start)}"
            text = reason_text(reason, when=when, display=self.display)
            told.append(f"in {len(pairs)} of {len(hours)} hours, nearest: {text}")
        return told

    def reason(self, reason: Reason, verdict: Verdict) -> str:
        """One reason with its hour."""
        return reason_text(reason, when=self.clock(verdict.start), display=self.display)

    def closest(self, limits: DayLimits) -> str:
        """What limits the hours: of go hours the closest limit, else what stands against them."""
        told = self.against(limits.hours)
        if limits.grade > Grade.GO and told:
            more = f" And {len(told) - 1} more, see the brief." if len(told) > 1 else ""
            return f"{told[0].rstrip('.')}.{more}"
        pairs = [(v, r) for v in limits.hours if (r := v.limiting_reason) is not None]
        if not pairs:
            return "see the brief."
        verdict, reason = min(pairs, key=lambda p: room(p[1]))
        return f"{self.reason(reason, verdict)}."

    # ------------------------------------------------------------------ limits of the day

    def limits(self, limits: DayLimits) -> Iterator[Line]:
        """The limits of the day."""
        yield "Closest", self.closest(limits)
        yield from self.chance(limits)
        yield "Height", self.height(limits)
        yield "Radius", self.radius(limits.room)
        yield "Wind", self.wind(limits)

    def chance(self, limits: DayLimits) -> Iterator[Line]:
        """How sure the hours are, where chances were worked out."""
        chances = self.brief.chances
        if chances is None:
            return
        share = self.lesson_chance
        if share is None:
            share = chances.session(limits.start, limits.end)
        if share is None:
            yield "Chance", "how sure these hours are is NOT KNOWN."
        else:
            yield "Chance", f"flown in {hundred(share)} of 100 weathers ({chances.kind})."

    def height(self, limits: DayLimits) -> str:
        """The height that the lesson stays under."""
        planned, most = self.metres(limits.height.planned), limits.height_limit
        if most is None:
            return "stay on the ground: no height keeps the grade of these hours."
        if limits.go_below is not None:
            return f"at most {planned}; under {self.metres(limits.go_below)} the hours are go."
        told = f"at most {planned}; these numbers hold for it"
        if limits.grade is Grade.GO and most > limits.height.planned:
            return f"{told} (still go at {self.metres(most)})."
        return f"{told}."

    def radius(self, room: Room) -> str:
        """The radius that the aircraft is seen in and that the field has room for."""
        seen = "how far it is seen is NOT KNOWN"
        if room.sight_radius is not None:
            seen = f"seen out to {self.metres_down(room.sight_radius)}"
        ground = "pace out the clear ground"
        if room.clear is not None:
            ground = f"{self.metres(room.clear)} of clear ground"
        if room.radius is None:
            return f"NONE: {seen}; {ground}."
        far = "" if room.in_sight else f" {self.metres(room.planned_radius)} IS TOO FAR."
        return f"at most {self.metres_down(room.radius)} ({seen}; {ground}).{far}"

    def wind(self, limits: DayLimits) -> str:
        """The forecast wind at flight height."""
        wind = limits.wind
        mean = "not known" if wind.speed is None else f"up to {self.speed_up(wind.speed)}"
        gust = "not known" if wind.gust is None else self.speed_up(wind.gust)
        at = self.metres(limits.height.planned)
        return f"at {at} {mean}, gusts {gust}, {self.direction(limits)}."

    @staticmethod
    def direction(limits: DayLimits) -> str:
        """Where the wind comes from."""
        wind = limits.wind
        if wind.speed is None:
            return "direction not known"
        if wind.from_direction is None or wind.deviation is None:
            return "no steady direction"
        swing = f" ± {round(wind.deviation)}°" if round(wind.deviation) else ""
        return f"from {bearing_text(wind.from_direction)}{swing}"

    # ------------------------------------------------------------------ the meter

    def meter(self, limits: DayLimits) -> Iterator[Line]:
        """The stop numbers, and what a reading is worth."""
        stops, figures = limits.stops, limits.figures
        height = self.metres(stops.flight_height)
        if stops.mean is None and stops.maximum is None:
            yield "Stop", "no numbers: wind, gust or surface is not known. Nothing is guessed."
        else:
            yield "STOP", f"{self.readings(stops.mean, stops.maximum, stops.spread)}."
        careful = self.readings(stops.careful_mean, stops.careful_maximum, None)
        if careful and limits.grade is Grade.GO:
            yield "Careful", f"{careful}: no longer go."
        if stops.expected_mean is not None and stops.stronger_from is not None:
            mean, more = self.speed_up(stops.expected_mean), self.speed_down(stops.stronger_from)
            yield "Forecast", f"mean up to {mean}; above {more} all later hours blow harder too."
        again, long = (figures.text(f"measure-{word}") for word in ("again-after", "for"))
        yield (
            "Read it",
            f"10 obstacle heights from anything, into the wind, {long}; every {again}.",
        )
        yield "Beware", beware(stops.silent, height)

    def readings(self, mean: float | None, maximum: float | None, spread: float | None) -> str:
        """Readings that are too much, joined."""
        parts = [
            f"{word} {self.speed_down(value)}"
            for word, value in (
                ("mean above", mean),
                ("strongest above", maximum),
                ("gust spread above", spread),
            )
            if value is not None
        ]
        return ", ".join(parts[:-1]) + " or " + parts[-1] if len(parts) > 1 else "".join(parts)

    # ------------------------------------------------------------------ where, and home

    def where(self, limits: DayLimits) -> Iterator[Line]:
        """Where to stand, the emergency ground, and the room."""
        upwind = limits.wind.from_direction
        if limits.wind.speed is None or upwind is None:
            told = self.direction(limits)
            yield "Upwind", f"{told}: ask flag and grass, start upwind; nobody stands downwind."
            yield "Emergency", "clear ground downwind, wherever that is in the minute."
        else:
            downwind = (upwind + 180.0) % 360.0
            yield "Upwind", f"start towards {bearing_text(upwind)}; nobody stands downwind."
            yield "Emergency", f"ground kept clear downwind, towards {bearing_text(downwind)}."
        yield "Room", self.room(limits.room)
        yield "Sun", sun(limits.glare, upwind)

    def room(self, room: Room) -> str:
        """Whether the field has room for the planned radius."""
        radius, clear = self.metres(room.planned_radius), self.metres_up(room.clear_needed)
        wants = f"{radius} of radius want {clear} clear"
        high = f"Cylinder {self.metres(room.height)} high."
        if room.clear is None:
            return f"{wants}: pace it out. {high}"
        if room.fits:
            return f"{wants}, the field has {self.metres(room.clear)}. {high}"
        widest = self.metres_down(room.room_radius or 0.0)
        return f"TOO SMALL: {wants}, the field has {self.metres(room.clear)}. At most {widest}."

    def way_home(self, limits: DayLimits) -> Iterator[Line]:
        """The way home by mode, the automatic return, and the drift without a link."""
        for way in limits.returns:
            yield way.mode.split()[0].capitalize(), self.mode(way)
        inside = limits.figures.text("return-inhibited-within")
        yield "Automatic", f"no return within about {inside} of home: bring it by hand."
        yield "Lost link", self.drift(limits)

    def mode(self, way: Return) -> str:
        """The way home in one mode."""
        mode = self.speed(way.airspeed) + ("" if way.published else " (usual, see the manual)")
        if way.wind is None:
            return f"{mode}; the wind is NOT KNOWN, count on no way home."
        against = f"{mode} against {self.speed_up(way.wind)}"
        if way.ground_speed is None or way.time is None:
            return f"{against}: CANNOT RETURN in this mode."
        left, far = self.speed_down(way.ground_speed), self.metres(round(way.distance))
        told = f"{against} leaves {left}: {math.ceil(way.time)} s from {far}"
        return f"{told}; A GUST CAN STOP IT." if way.gust_stops else f"{told}."

    def drift(self, limits: DayLimits) -> str:
        """Where an aircraft without link and position comes down."""
        drift = limits.drift
        if drift.distance is None:
            lacking = "wind" if drift.descent_speed is not None else "descent speed"
            return f"drifts downwind; how far is NOT KNOWN (no {lacking})."
        down = f"from {self.metres(drift.height)} drifts up to {self.metres_up(drift.distance)}"
        clear = limits.room.clear
        if clear is not None and drift.distance > clear:
            down += " (BEYOND THE FIELD)"
        if drift.sector is None:
            return f"{down}, in any direction."
        first, last = map(bearing_text, drift.sector)
        return f"{down}, {first} to {last}."

    # ------------------------------------------------------------------ foot

    def foot(self) -> tuple[str, ...]:
        """Age and source of the data, and the cautions."""
        brief = self.brief
        zone_name = f"{brief.now.astimezone(self.tz):%Z}"
        made = f"{day(brief.now, self.tz)} {self.clock(brief.now)} {zone_name}"
        sources = [provenance_text(p, brief.now) for p in brief.provenance]
        if brief.demonstration:
            sources.insert(0, "INVENTED DEMONSTRATION FORECAST")
        told = "; ".join(one_line(text, LONGEST_SOURCE) for text in sources) or "none"
        seen = []
        if brief.reports is not None:
            report = nearest_text(brief.reports, brief.now, display=self.display)
            seen = [one_line(f"Reported now: {report}", LONGEST_REPORT)]
        return (
            " ".join([f"Made {made}. Data: {told}.", *seen]),
            f"{CAUTIONS[0]} {INSTRUCTION} {CAUTIONS[1]}",
        )


def beware(silent: tuple[Silent, ...], height: str) -> str:
    """What a low reading is worth: never leave to fly, and in some air nothing at all."""
    if not silent:
        return f"a low reading allows nothing; hover at {height} to know it."
    why = "; ".join(reason.value for reason in silent)
    return f"A LOW READING SAYS NOTHING ABOUT {height}: {why}. Climb in steps and look."


def room(reason: Reason) -> float:
    """The room that a reason leaves; without a margin it is endless."""
    return math.inf if reason.margin is None else reason.margin


def worse(one: Reason, other: Reason) -> bool:
    """Whether a reason is worse than another one of its rule."""
    return (one.grade, -room(one)) > (other.grade, -room(other))
