"""Grading: every hour of a forecast against every rule of a rulebook.

Works on arrays of any shape with time first, so that one site, an ensemble and a map take the
same path. Codes are those of :class:`wxgate.verdict.Grade`, chosen so that the worst of several
grades is their maximum.

An hour is graded by the worse of its two ends, a value over an interval grades the hour it is laid
on. A value that is missing at either end is missing for the hour, unless the other end is already
past a limit that is worse than unknown.

The worse value is found first and then held against the limits: they do not change with time, and
the further a value lies beyond one the worse are code and margin, so that it comes to the same as
the worse of two codes, in half the passes.

The file is long because it is one pass over the rules: its parts share the arrays of an hour, and
would have to hand them to and fro.
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
#: The worse value that is known of each hour, and the worse value that is NaN where any is missing.
ByHour = tuple[Array, Array]
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
    """The forecast with the age of its oldest model run, and how far ahead each hour lies.

    As the rules on staleness and on what is forecast at all read them: ``hours_ahead`` from ``now``
    to the hour's begin, ``forecast_age`` in hours and ``forecast_age_in_cycles`` in the source's
    own cycles, on every hour. The ages are missing (NaN) when no source tells its run, or when a
    run lies after ``now``: a clock that is off must not make data look fresh. Where this computer's
    clock was behind the services' when the data were fetched, they are older by as much.
    """
    ahead = (forecast.time - to_datetime64(now)) / HOUR
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
            "hours_ahead": Field(ahead.astype(np.float32), Kind.MAXIMUM),
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
    keep_outcomes: bool = True,
) -> Graded:
    """Grade every hour of ``forecast``; ``height`` is the planned flight height above ground (m).

    ``latitude`` (degrees north) tells rules that hold in some months which half of the year it is.
    Without ``keep_outcomes`` what each rule said is let go of as soon as it is counted: on a map
    the outcomes take several times the room of the forecast.

    All hours come back, the last one of the axis too: its other end is not there, so that its
    point values are missing. Shape of codes and margins: (time, ...) as the fields have it.
    """
    bench = _Bench(forecast, aircraft, skill, height, latitude, _blank(forecast))
    codes = np.zeros(bench.blank.shape, np.uint8)
    margin, proven = bench.blank.copy(), codes > Grade.GO
    kept = []
    for outcome in bench.outcomes(rulebook):
        codes = _with(codes, outcome.codes, np.maximum)
        if isinstance(outcome.rule, Rule):
            margin = _with(margin, outcome.margin, np.fmin)
            # Applying is more than missing where it does apply and nothing is missing.
            proven = _with(proven, outcome.applies > outcome.missing, np.logical_or)
        if keep_outcomes:
            kept.append(outcome)
    # An hour about which no rule could say anything is not go for want of an objection.
    np.maximum(codes, ~proven * np.uint8(Grade.UNKNOWN), out=codes)
    return Graded(forecast.time, codes, margin, tuple(kept))


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

    def hours(self, rule: Rule) -> ByHour:
        """Each hour by itself."""
        found = self.field(rule.quantity)
        if found is None:
            return self.blank, self.blank
        values = self.on_time(found, found.values)
        if found.kind is not Kind.POINT:
            return values, values
        known, whole = _worse(rule)
        return _two_ends(values, _NAN, known), _two_ends(values, _NAN, whole)

    def past_hours(self, rule: Rule) -> ByHour | tuple[None, None]:
        """The same of the hours just before the axis, by an earlier run; None without one."""
        earlier, first = self.forecast.earlier, self.forecast.time[0]
        if earlier is None or not rule.before:
            return None, None
        count = int((earlier.time < first).sum())
        if not count or earlier.time[count - 1] != first - HOUR:
            return None, None
        known, whole = replace(self, forecast=earlier, blank=_blank(earlier)).hours(rule)
        return known[:count], whole[:count]

    def rule_outcome(self, rule: Rule, limits: Limits) -> Outcome:
        values, whole = self.hours(rule)
        if rule.before or rule.after:
            past, (known, either) = self.past_hours(rule), _worse(rule)
            values = _around(values, rule, past[0], known)
            whole = _around(whole, rule, past[1], either)
        for limit in limits.values():  # of a band that is not known: as missing as a value
            if np.isnan(limit).any():
                whole = np.where(np.isnan(limit), _NAN, whole)
        codes, missing = _codes_at(values, rule, limits), np.isnan(whole)
        margin = _margin_at(whole, rule, limits)
        applies, none = self.applies(rule.when, codes.shape), np.isinf(_strictly(limits))
        if none.any():  # a band of a grid without a limit: no rule there, as for a point in it
            applies = applies & ~none
        codes = np.maximum(codes, missing * self.missing_codes(rule, codes.shape))
        if rule.when or none.any():
            codes = codes * applies
            missing = missing & applies
            margin = np.where(applies, margin, _NAN)
        margin, missing = (np.broadcast_to(a, codes.shape) for a in (margin, missing))
        return Outcome(rule, codes, values, margin, applies, missing, limits)

    def substitute_outcome(self, substitute: Substitute) -> Outcome | None:
        """The cap where a quantity was had by this substitute; None where it never was.

        It is told in every hour that used it, also where its conditions spare the hour the cap.
        """
        found = self.field(substitute.quantity)
        if found is None or found.origin is None or substitute.origin not in found.origins:
            return None
        used = self.on_time(found, found.origin == found.origins.index(substitute.origin))
        if found.kind is Kind.POINT:
            used = _two_ends(used, False, np.logical_or)
        capped = used
        if substitute.when:
            capped = used & self.applies(substitute.when, used.shape)
            capped &= self.concerns(substitute.when)
        codes = capped * np.uint8(substitute.cap)
        nothing = np.broadcast_to(_NAN, codes.shape)
        values = self.on_time(found, found.values) if found.levels is None else nothing
        missing = np.broadcast_to(np.False_, codes.shape)
        return Outcome(substitute, codes, values, nothing, used, missing, {})

    def on_time(self, found: Field, values: NDArray[T]) -> NDArray[T]:
        """Values of a field with a time axis, also where they do not change with time."""
        if found.kind is Kind.CONSTANT:
            return np.broadcast_to(values, np.broadcast_shapes(self.blank.shape, values.shape))
        return values.reshape(values.shape + (1,) * (self.blank.ndim - values.ndim))

    def missing_codes(self, rule: Rule, shape: tuple[int, ...]) -> Codes | np.uint8:
        """What a missing value gives: as declared where its conditions are sure, else unknown."""
        unknown = np.uint8(Grade.UNKNOWN)
        declared = np.uint8(Grade.GO if rule.missing is None else rule.missing)
        if not self.concerns(rule.missing_when):
            return unknown
        if not rule.missing_when:
            return declared
        softened = self.applies(rule.missing_when, shape, cautious=False)
        return np.where(softened, declared, unknown)

    # ------------------------------------------------------------------ conditions

    def applies(
        self, when: Sequence[Condition], shape: tuple[int, ...], *, cautious: bool = True
    ) -> Flags:
        """Hours in which all conditions are met.

        What cannot be told counts as met when ``cautious`` (the condition brings a rule in), and
        as not met otherwise (it softens one). Point values count at the hour's two ends: one end
        is enough to bring a rule in, both are needed to soften it.
        """
        met: Flags = np.broadcast_to(np.True_, shape)
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
        if cautious:
            return _two_ends(met, True, np.logical_or)
        return _two_ends(met, False, np.logical_and)


# ---------------------------------------------------------------------- pieces


def _with(so_far: NDArray[T], more: NDArray[T], worse: np.ufunc) -> NDArray[T]:
    """The worse of both, in place where there is room for it."""
    fits = so_far.shape == np.broadcast_shapes(so_far.shape, more.shape)
    found: NDArray[T] = worse(so_far, more, out=so_far if fits else None)
    return found


def _blank(forecast: Forecast) -> Array:
    rank = max((_rank(f) for f in forecast.fields.values()), default=1)
    return np.full((forecast.time.size,) + (1,) * (rank - 1), _NAN, np.float32)


def _rank(found: Field) -> int:
    """Dimensions of a field with a time axis and without levels."""
    return found.values.ndim - (found.levels is not None) + (found.kind is Kind.CONSTANT)


def _worse(rule: Rule) -> tuple[np.ufunc, np.ufunc]:
    """What finds the worse of two values: the known one beside NaN, and NaN beside a known one."""
    return (np.fmax, np.maximum) if rule.word.upward else (np.fmin, np.minimum)


def _codes_at(values: Array, rule: Rule, limits: Limits) -> Codes:
    """Codes of values by the worst limit passed; 0 where nothing can be told."""
    shape = np.broadcast_shapes(values.shape, *(np.shape(v) for v in limits.values()))
    codes = np.zeros(shape, np.uint8)
    with np.errstate(invalid="ignore"):
        for grade_beyond, limit in limits.items():
            np.maximum(codes, rule.word.compare(values, limit) * np.uint8(grade_beyond), out=codes)
    return codes


def _strictly(limits: Limits) -> Array:
    """The limit of the worst grade that has one; infinite where a band of a grid has none."""
    worst, *milder = (np.asarray(limits[g], np.float32) for g in sorted(limits, reverse=True))
    for limit in milder:
        if np.isinf(worst).any():
            worst = np.where(np.isinf(worst), limit, worst)
    return worst


def _margin_at(values: Array, rule: Rule, limits: Limits) -> Array:
    """Distance from the worst limit as a share of it, at most 1; negative beyond it."""
    limit = _strictly(limits)
    scale = quantity(rule.quantity).scale
    share_of = np.abs(limit) if scale is None else np.float32(scale)
    share_of = np.where(share_of == 0, np.float32(1), share_of)
    margin = np.asarray(limit - values if rule.word.upward else values - limit)
    with np.errstate(invalid="ignore"):  # without a limit: infinite by infinite
        np.divide(margin, share_of, out=margin)
    np.minimum(margin, np.float32(1), out=margin)
    return margin.astype(np.float32, copy=False)


def _two_ends(at: NDArray[T], beyond: object, worse: np.ufunc) -> NDArray[T]:
    """The worse of each hour's two ends; ``beyond`` stands for the end after the last."""
    found = np.empty_like(at, shape=at.shape)
    worse(at[:-1], at[1:], out=found[:-1])
    worse(at[-1:], np.asarray(beyond, at.dtype), out=found[-1:])
    return found


def _around(hours: Array, rule: Rule, past: Array | None, worse: np.ufunc) -> Array:
    """The worst over the hours that a rule looks at.

    ``past`` are the hours just before the axis where an earlier run tells them; those beyond the
    axis are else missing.
    """
    total, rest = hours.shape[0], hours.shape[1:]
    before = np.full((rule.before, *rest), _NAN, hours.dtype)
    if past is not None and rule.before:
        last = past[-rule.before :]
        before[-len(last) :] = last.reshape(last.shape + (1,) * (hours.ndim - last.ndim))
    after = np.full((rule.after, *rest), _NAN, hours.dtype)
    padded = np.concatenate([before, hours, after])
    worst = padded[:total].copy()
    for shift in range(1, rule.before + rule.after + 1):
        worse(worst, padded[shift : shift + total], out=worst)
    return worst
