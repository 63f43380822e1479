"""Grading: every hour of a forecast against every rule of a rulebook.

Works on arrays of any shape with time first, so that one site, an ensemble and a map take the
same path. Codes are those of :class:`wxgate.verdict.Grade`, chosen so that the worst of several
grades is their maximum.

An instant is graded first; an hour then takes the worse of its two ends. A value over an interval
grades the hour it is laid on. A value that is missing at either end is missing for the hour,
unless the other end is already past a limit that is worse than unknown.

The file is long because it is one pass over the rules: its parts share the arrays of an instant
and of an hour, and would have to hand them to and fro.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from wxgate.forecast import CLOCK_BEHIND_H, HOUR, Array, Field, Forecast, to_datetime64
from wxgate.profiles import Aircraft, Skill
from wxgate.quantities import Kind, quantity
from wxgate.rulebook import Condition, Rule, Rulebook, Substitute
from wxgate.verdict import Grade

Codes = NDArray[np.uint8]
Flags = NDArray[np.bool_]

Limits = dict[Grade, "float | Array"]
ByHour = tuple[Codes, Flags, Array, Array]  #: codes, missing, margins, values of each hour
T = TypeVar("T", bound=np.generic)

_NAN = np.float32(np.nan)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one rule, or one substitute, makes of every hour."""

    rule: Rule | Substitute
    codes: Codes  #: (time, ...)
    value: Array  #: (time, ...) the worse end of the hour, NaN where missing
    margin: Array  #: (time, ...) share of the no-go limit; NaN where missing or not applying
    applies: Flags  #: (time, ...) False where a rule's conditions are not met, or where a
    #: substitute was not used
    missing: Flags  #: (time, ...)
    limits: Limits  #: canonical unit, as they hold for this pilot and aircraft


@dataclass(frozen=True, slots=True)
class Graded:
    """The grade of every hour, and how it came about."""

    time: NDArray[np.datetime64]
    codes: Codes
    margin: Array
    outcomes: tuple[Outcome, ...]


def with_age(forecast: Forecast, now: datetime) -> Forecast:
    """The forecast with the age of its oldest model run, as the staleness rules read it.

    ``forecast_age`` in hours and ``forecast_age_in_cycles`` in the source's own cycles, on every
    hour. Missing (NaN) when no source tells its run, or when a run lies after ``now``: a clock
    that is off must not make data look fresh. Where this computer's clock was behind the services'
    when the data were fetched, they are older by as much.
    """
    to_datetime64(now)  # refuses a naive time
    behind = float(forecast.attributes.get(CLOCK_BEHIND_H, 0.0))
    ages = [
        ((now - p.run).total_seconds() / 3600, p.cycle_h)
        for p in forecast.provenance
        if p.run is not None
    ]
    hours = max((age + behind for age, _ in ages), default=np.nan)
    cycles = max(((age + behind) / cycle for age, cycle in ages if cycle), default=np.nan)
    if any(age < 0 for age, _ in ages):
        hours = cycles = np.nan
    shape = forecast.time.shape
    return forecast.with_fields(
        {
            "forecast_age": Field(np.full(shape, hours, np.float32), Kind.MAXIMUM),
            "forecast_age_in_cycles": Field(np.full(shape, cycles, np.float32), Kind.MAXIMUM),
        }
    )


def grade(
    forecast: Forecast,
    rulebook: Rulebook,
    *,
    aircraft: Aircraft,
    skill: Skill,
    height: float,
    latitude: float = 0.0,
) -> Graded:
    """Grade every hour of ``forecast``; ``height`` is the planned flight height above ground (m).

    ``latitude`` (degrees north) tells rules that hold in some months which half of the year it is.

    All hours come back, the last one of the axis too: its other end is not there, so that its
    point values are missing. Shape of codes and margins: (time, ...) as the fields have it.
    """
    bench = _Bench(forecast, aircraft, skill, height, latitude, _blank(forecast))
    outcomes = tuple(bench.outcomes(rulebook))
    shape = np.broadcast_shapes(bench.blank.shape, *(o.codes.shape for o in outcomes))
    codes = np.zeros(shape, np.uint8)
    margin = np.full(shape, _NAN, np.float32)
    proven = np.zeros(shape, np.bool_)
    for outcome in outcomes:
        np.maximum(codes, outcome.codes, out=codes)
        np.fmin(margin, outcome.margin, out=margin)
        if isinstance(outcome.rule, Rule):
            proven |= outcome.applies & ~outcome.missing
    # An hour about which no rule could say anything is not go for want of an objection.
    np.maximum(codes, ~proven * np.uint8(Grade.UNKNOWN), out=codes)
    return Graded(forecast.time, codes, margin, outcomes)


@dataclass(frozen=True, slots=True)
class _Bench:
    """One forecast laid out for grading for one aircraft, skill and height."""

    forecast: Forecast
    aircraft: Aircraft
    skill: Skill
    height: float
    latitude: float
    #: Nothing but missing values, of the shape that time alone has beside this forecast's fields:
    #: (time, 1, ...), so that it broadcasts against them.
    blank: Array

    def field(self, name: str) -> Field | None:
        if name == "flight_height":
            return Field(np.asarray(self.height, np.float32), Kind.CONSTANT)
        return self.forecast.get(name)

    def constant(self, name: str) -> float | Array | None:
        """A quantity that does not change with time, for limits by band."""
        found = self.field(name)
        return None if found is None or found.kind is not Kind.CONSTANT else found.values

    def outcomes(self, rulebook: Rulebook) -> Iterator[Outcome]:
        for rule in rulebook.rules:
            limits = {
                g: value
                for g, limit in rule.limits.items()
                if (value := limit.resolve(self.skill, self.aircraft, self.constant)) is not None
            }
            if limits and self.concerns(rule.when):
                yield self.rule_outcome(rule, limits)
        for substitute in rulebook.substitutes:
            outcome = self.substitute_outcome(substitute)
            if outcome is not None:
                yield outcome

    def concerns(self, when: Sequence[Condition]) -> bool:
        """Whether this pilot and aircraft are meant at all."""
        return all(c.for_whom(self.skill, self.aircraft) for c in when)

    # ------------------------------------------------------------------ one rule

    def hours(self, rule: Rule, limits: Limits) -> ByHour:
        """Each hour by itself: codes, what is missing, margins, and values at the worse end."""
        found = self.field(rule.quantity)
        if found is None:
            values, kind = self.blank, Kind.MAXIMUM
        else:
            values, kind = self.on_time(found, found.values), found.kind
        codes, missing = _codes_at(values, rule, limits)
        margin = _margin_at(values, rule, limits)
        if kind is Kind.POINT:
            codes, missing = _two_ends(codes, Grade.GO), _two_ends(missing, True)
            margin = -_two_ends(-margin, _NAN)
            upward = rule.word.upward
            values = _two_ends(values, _NAN) if upward else -_two_ends(-values, _NAN)
        return codes, missing, margin, values

    def past_hours(self, rule: Rule, limits: Limits) -> ByHour | None:
        """The same of the hours just before the axis, by an earlier run; None without one."""
        earlier, first = self.forecast.earlier, self.forecast.time[0]
        if earlier is None or not rule.before:
            return None
        count = int((earlier.time < first).sum())
        if not count or earlier.time[count - 1] != first - HOUR:
            return None
        bench = replace(self, forecast=earlier, blank=_blank(earlier))
        codes, missing, margin, values = bench.hours(rule, limits)
        return codes[:count], missing[:count], margin[:count], values[:count]

    def rule_outcome(self, rule: Rule, limits: Limits) -> Outcome:
        codes, missing, margin, values = self.hours(rule, limits)
        if rule.before or rule.after:
            past = self.past_hours(rule, limits)
            p = (None,) * 4 if past is None else past
            codes = _around(codes, rule, Grade.GO, p[0])
            missing = _around(missing, rule, True, p[1])
            margin = _around(margin, rule, _NAN, p[2], upward=False)
            values = _around(values, rule, _NAN, p[3], upward=rule.word.upward)
        applies = self.applies(rule.when, codes.shape)
        codes = np.maximum(codes, missing * self.missing_codes(rule, codes.shape))
        codes = codes * applies.astype(np.uint8)
        margin = np.where(applies & ~missing, margin, _NAN)
        return Outcome(rule, codes, values, margin, applies, missing & applies, limits)

    def substitute_outcome(self, substitute: Substitute) -> Outcome | None:
        """The cap where a quantity was had by this substitute; None where it never was.

        It is told in every hour that used it, also where its conditions spare the hour the cap.
        """
        found = self.field(substitute.quantity)
        if found is None or found.origin is None or substitute.origin not in found.origins:
            return None
        used = self.on_time(found, found.origin == found.origins.index(substitute.origin))
        if found.kind is Kind.POINT:
            used = _two_ends(used, False)
        capped = used & self.applies(substitute.when, used.shape)
        capped &= self.concerns(substitute.when)
        codes = np.where(capped, np.uint8(substitute.cap), np.uint8(Grade.GO))
        nothing = np.full(codes.shape, _NAN, np.float32)
        values = self.on_time(found, found.values) if found.levels is None else nothing
        missing = np.zeros(codes.shape, np.bool_)
        return Outcome(substitute, codes, values, nothing, used, missing, {})

    def on_time(self, found: Field, values: NDArray[T]) -> NDArray[T]:
        """Values of a field with a time axis, also where they do not change with time."""
        if found.kind is Kind.CONSTANT:
            return np.broadcast_to(values, np.broadcast_shapes(self.blank.shape, values.shape))
        return values.reshape(values.shape + (1,) * (self.blank.ndim - values.ndim))

    def missing_codes(self, rule: Rule, shape: tuple[int, ...]) -> Codes:
        """What a missing value gives: as declared where its conditions are sure, else unknown."""
        declared = np.uint8(Grade.GO if rule.missing is None else rule.missing)
        if not self.concerns(rule.missing_when):
            return np.full(shape, Grade.UNKNOWN, np.uint8)
        softened = self.applies(rule.missing_when, shape, cautious=False)
        return np.where(softened, declared, np.uint8(Grade.UNKNOWN))

    # ------------------------------------------------------------------ conditions

    def applies(
        self, when: Sequence[Condition], shape: tuple[int, ...], *, cautious: bool = True
    ) -> Flags:
        """Hours in which all conditions are met.

        What cannot be told counts as met when ``cautious`` (the condition brings a rule in), and
        as not met otherwise (it softens one). Point values count at the hour's two ends: one end
        is enough to bring a rule in, both are needed to soften it.
        """
        met = np.ones(shape, np.bool_)
        for condition in when:
            if condition.months:
                months = self.forecast.time.astype("datetime64[M]").astype(np.int64) % 12 + 1
                inside = np.isin(months, list(condition.months_at(self.latitude)))
                met = met & inside.reshape(self.blank.shape)
            if condition.quantity is not None:
                met = met & self.condition_met(condition, condition.quantity, cautious)
        return met

    def condition_met(self, condition: Condition, name: str, cautious: bool) -> Flags:
        found = self.field(name)
        if found is None:
            return np.full(self.blank.shape, cautious)
        with np.errstate(invalid="ignore"):
            values = self.on_time(found, found.values)
            met = np.asarray(condition.met(values, if_missing=cautious), np.bool_)
        if found.kind is not Kind.POINT:
            return met
        return _two_ends(met, True) if cautious else ~_two_ends(~met, True)


# ---------------------------------------------------------------------- pieces


def _blank(forecast: Forecast) -> Array:
    rank = max((_rank(f) for f in forecast.fields.values()), default=1)
    return np.full((forecast.time.size,) + (1,) * (rank - 1), _NAN, np.float32)


def _rank(found: Field) -> int:
    """Dimensions of a field with a time axis and without levels."""
    return found.values.ndim - (found.levels is not None) + (found.kind is Kind.CONSTANT)


def _codes_at(values: Array, rule: Rule, limits: Limits) -> tuple[Codes, Flags]:
    """Codes of single values by the worst limit passed, and where nothing can be told.

    A limit that is NaN (a band whose latitude is not known) is as missing as a value that is.
    """
    shape = np.broadcast_shapes(values.shape, *(np.shape(v) for v in limits.values()))
    codes = np.zeros(shape, np.uint8)
    missing = np.broadcast_to(np.isnan(values), shape).copy()
    with np.errstate(invalid="ignore"):
        for grade_beyond, limit in limits.items():
            np.maximum(codes, rule.word.compare(values, limit) * np.uint8(grade_beyond), out=codes)
            missing |= np.isnan(limit)
    return codes, missing


def _margin_at(values: Array, rule: Rule, limits: Limits) -> Array:
    """Distance from the worst limit as a share of it, at most 1; negative beyond it."""
    limit = np.asarray(limits[max(limits)], np.float32)
    scale = quantity(rule.quantity).scale
    share_of = np.abs(limit) if scale is None else np.float32(scale)
    share_of = np.where(share_of == 0, np.float32(1), share_of)
    room = limit - values if rule.word.upward else values - limit
    margin: Array = np.minimum(room / share_of, np.float32(1)).astype(np.float32)
    return margin


def _two_ends(at: NDArray[T], beyond: object) -> NDArray[T]:
    """The larger of each hour's two ends; ``beyond`` stands for the end after the last.

    Where one end is NaN the other one is taken: what is missing is kept track of apart.
    """
    later = np.concatenate([at[1:], np.full((1, *at.shape[1:]), beyond, at.dtype)])
    larger: NDArray[T] = np.fmax(at, later)
    return larger


def _around(
    hours: NDArray[T], rule: Rule, beyond: object, past: NDArray[T] | None, *, upward: bool = True
) -> NDArray[T]:
    """The largest (or least) over the hours that a rule looks at.

    ``past`` are the hours just before the axis where an earlier run tells them; ``beyond`` stands
    for all others outside the axis.
    """
    worse = np.fmax if upward else np.fmin
    total, rest = hours.shape[0], hours.shape[1:]
    before = np.full((rule.before, *rest), beyond, hours.dtype)
    if past is not None and rule.before:
        last = past[-rule.before :]
        before[-len(last) :] = last.reshape(last.shape + (1,) * (hours.ndim - last.ndim))
    after = np.full((rule.after, *rest), beyond, hours.dtype)
    padded = np.concatenate([before, hours, after])
    worst = padded[:total]
    for shift in range(1, rule.before + rule.after + 1):
        worst = worse(worst, padded[shift : shift + total])
    return worst
