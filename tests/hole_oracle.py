"""What no hour with such a hole may be told: by the rulebook's rules and tables written by hand.

Nothing is derived or graded here. For each graded quantity a line tells which fetched ones it
cannot do without, and for each substitute of the rulebook when it stands in (after the table of
missing inputs of the science notes, and the contract in DEVELOPERS.md). A rule or a substitute of a
quantity that has no line fails: whoever adds one says here what it needs.

Where it is not sure that a rule applies nothing is claimed: near a limit of the sun, near 60
degrees of geomagnetic latitude, and for rules that come into force by the weather itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC
from functools import cached_property
from typing import Any

import numpy as np
from holes import (
    CAPE,
    CEILING,
    CONVECTIVE,
    GROUND,
    GUST,
    HEIGHT_LEVELS,
    INSTANTS,
    KP,
    LOW,
    PM,
    RAIN,
    RATE,
    RH,
    SHARE,
    TD,
    UP,
    VIS,
    VP,
    ZP,
    Array,
    Flags,
    T,
    U,
    V,
    Worlds,
)

from wxgate.profiles import Skill
from wxgate.quantities import Kind
from wxgate.rulebook import Condition, Rulebook
from wxgate.verdict import Grade

LEARNS = (Skill.FIRST_FLIGHT, Skill.NOVICE)
#: m above ground to which winds at 10 m and at a level tell the wind: 100 m from 80, 120 from 100.
REACH = {10.0: 10.0, 80.0: 100.0, 100.0: 120.0}
#: Where the geomagnetic pole is (centred dipole of 2025, from memory), and how far the quasi-dipole
#: latitude may be from the dipole's ("up to 8 degrees", computed by us), degrees.
POLE, DIPOLE_ERROR = (80.8, -72.7), 8.0
#: The formula for the sun below is good to so much, degrees (computed by us).
SUN_ERROR = 1.5


def either(at: Flags, *, beyond: bool = True) -> Flags:
    """Of each hour: at one of its two ends; ``beyond`` stands for the end after the last."""
    return at | np.concatenate([at[1:], np.full((1, *at.shape[1:]), beyond)])


class Sky:
    """What is lacking in the hours of worlds: (instant, world), the last hour without its end."""

    def __init__(self, worlds: Worlds) -> None:
        self.worlds = worlds
        self.shape = (INSTANTS, worlds.count)

    def hole(self, name: str, level: int | None = None) -> Flags:
        """The instants, or the first instants of the hours, at which a value is not there."""
        there = self.worlds.there.get(name)
        if there is None:
            return np.ones(self.shape, np.bool_)
        if there.ndim == 3:
            there = there.all(axis=1) if level is None else there[:, level]
        return np.broadcast_to(~there, self.shape)

    def lacks(self, name: str) -> Flags:
        """The hours that lack a value: at either end, or as a whole."""
        hole = self.hole(name)
        kind = self.worlds.kinds.get(name, Kind.POINT)
        return either(hole) if kind is Kind.POINT else hole

    def value(self, name: str) -> Array:
        """Values at the instants, NaN where they are not there."""
        found = self.worlds.raw.get(name)
        if found is None:
            return np.full(self.shape, np.nan)
        return np.where(self.hole(name), np.nan, found)

    # ------------------------------------------------------------------ quantities

    @cached_property
    def no_wind(self) -> Flags:
        """Without the wind at 10 m no other wind is told."""
        return either(self.hole(U, 0) | self.hole(V, 0))

    @cached_property
    def no_gust(self) -> Flags:
        return self.lacks(GUST)

    @cached_property
    def no_temperature(self) -> Flags:
        return self.lacks(T)

    @cached_property
    def no_spread(self) -> Flags:
        neither = self.hole(TD) & self.hole(RH)
        wrong = self.worlds.contradiction
        if wrong is not None:
            neither = neither | (wrong & ~self.hole(TD))
        return either(self.hole(T) | neither)

    @cached_property
    def no_rain(self) -> Flags:
        """Neither the amount of the hour nor the rates that stand in for it."""
        return self.hole(RAIN) & self.lacks(RATE)

    @cached_property
    def no_visibility(self) -> Flags:
        """An estimate stands in for it, which is capped: the table has it as a substitute."""
        return self.lacks(VIS) & self.no_rain

    @cached_property
    def no_ceiling(self) -> Flags:
        """No ceiling, and neither hardly any low cloud nor fair-weather cumulus to tell its base.

        The condensation level is a base in cumulus alone: sun above 10 degrees, low cloud from a
        tenth to five eighths, spread above 2 K.
        """
        low = self.value(LOW)
        spread = self.value(T) - np.where(self.hole(TD), np.nan, self.value(TD))
        no_cumulus = ~(low < 0.625) | (self.sun < 10 - SUN_ERROR) | (spread <= 2)
        at = self.hole(CEILING) & ~(low < 0.1) & no_cumulus
        kind = self.worlds.kinds.get(CEILING, Kind.POINT)
        return either(at) if kind is Kind.POINT else at

    @cached_property
    def low_cloud_counts(self) -> Flags:
        """At one end low cloud covers half or more, or nobody knows."""
        return either(~(self.value(LOW) < 0.5))

    @cached_property
    def not_direct(self) -> Flags:
        """The levels of wind above ground do not reach the height at one end of the hour."""
        height = max(self.worlds.height, 10.0)
        reached = np.zeros(self.shape, np.bool_)
        for n, level in enumerate(HEIGHT_LEVELS):
            there = ~(self.hole(U, n) | self.hole(V, n))
            reached |= there & (REACH[float(level)] >= height)
        return either(~reached)

    @cached_property
    def no_pressure_levels(self) -> Flags:
        """At one end no pressure level has its wind, its height and a terrain below."""
        ground = self.worlds.there.get(GROUND)
        lost = np.ones(self.shape, np.bool_)
        if ground is not None:
            for n in range(4):
                lost &= self.hole(UP, n) | self.hole(VP, n) | self.hole(ZP, n)
            lost = lost | ~ground
        return either(lost)

    @cached_property
    def swings(self) -> Flags:
        """The direction is not known from an hour before to an hour after, and there is wind."""
        gone = self.hole(U, 0) | self.hole(V, 0)
        hours = either(gone)
        hours[1:] |= gone[:-1]
        hours[:-2] |= gone[2:]
        east, north = (
            np.where(gone, np.nan, self.worlds.raw[n][:, 0]) if n in self.worlds.raw else np.nan
            for n in (U, V)
        )
        windy = np.broadcast_to(np.hypot(east, north) > 3.0, self.shape)
        return hours & either(windy, beyond=False)

    # ------------------------------------------------------------------ moments and places

    @cached_property
    def sun(self) -> Array:
        """Elevation of the sun at the instants, degrees. Source: textbooks, from memory."""
        seconds = self.worlds.time.astype("datetime64[s]").astype(np.int64)[:, None]
        day = self.worlds.time.astype("datetime64[D]")
        of_year = (day - day.astype("datetime64[Y]")).astype(int)[:, None]
        turn = 2 * np.pi * (of_year - 81) / 364
        minutes = 9.87 * np.sin(2 * turn) - 7.53 * np.cos(turn) - 1.5 * np.sin(turn)
        declination = np.radians(-23.44 * np.cos(2 * np.pi * (of_year + 10) / 365.24))
        solar = (seconds % 86400) / 3600 + minutes / 60 + self.worlds.longitude / 15
        angle, phi = np.radians(15 * (solar - 12)), np.radians(self.worlds.latitude)
        sine = np.sin(phi) * np.sin(declination)
        sine = sine + np.cos(phi) * np.cos(declination) * np.cos(angle)
        found: Array = np.degrees(np.arcsin(np.clip(sine, -1, 1)))
        return found

    @cached_property
    def night(self) -> Flags:
        return either(self.sun < -SUN_ERROR, beyond=False)

    @cached_property
    def day(self) -> Flags:
        return either(self.sun > 10 + SUN_ERROR, beyond=False)

    @cached_property
    def summer_half(self) -> Flags:
        """From April to September, south of the equator from October to March."""
        month = self.worlds.time.astype("datetime64[M]").astype(int)[:, None] % 12 + 1
        north = float(np.mean(self.worlds.latitude)) >= 0
        warm = (month >= 4) & (month <= 9)
        return np.broadcast_to(warm if north else ~warm, self.shape)

    @cached_property
    def near(self) -> Flags:
        """The hour begins less than two days from now."""
        now = np.datetime64(self.worlds.now.astimezone(UTC).replace(tzinfo=None), "s")
        near = (self.worlds.time - now) < np.timedelta64(48, "h")
        return np.broadcast_to(near[:, None], self.shape)

    @cached_property
    def far_north_or_south(self) -> Flags:
        lat, lon = np.radians(self.worlds.latitude), np.radians(self.worlds.longitude)
        pole = np.radians(POLE)
        sine = np.sin(lat) * np.sin(pole[0])
        sine = sine + np.cos(lat) * np.cos(pole[0]) * np.cos(lon - pole[1])
        sure = np.abs(np.degrees(np.arcsin(sine))) >= 60 + DIPOLE_ERROR
        return np.broadcast_to(sure, self.shape)

    @cached_property
    def nothing(self) -> Flags:
        return np.zeros(self.shape, np.bool_)

    @cached_property
    def age_h(self) -> float:
        """Age of the run; NaN where it is not told or lies after now."""
        run = self.worlds.run
        age = np.nan if run is None else (self.worlds.now - run).total_seconds() / 3600
        return age if age >= 0 else np.nan

    @cached_property
    def no_age(self) -> Flags:
        return np.full(self.shape, np.isnan(self.age_h))


Lack = Callable[[Sky], Flags]
_COMPUTED: Lack = lambda sky: sky.nothing  # noqa: E731

#: The hours in which a graded quantity cannot be told.
NEEDS: Mapping[str, Lack] = {
    "gust_at_flight_height": lambda s: s.no_wind,
    "gust_layer_maximum": lambda s: s.no_wind,
    "gust_spread": lambda s: s.no_wind,
    "wind_speed_at_flight_height": lambda s: s.no_wind,
    "wind_speed": lambda s: s.no_wind,
    "wind_step": lambda s: s.no_wind,
    "wind_direction_swing": lambda s: s.swings,
    "sea_breeze_onset": lambda s: s.no_wind,
    "airspeed_margin": lambda s: s.no_wind,
    "airspeed_to_gust_ratio": lambda s: s.no_wind,
    # Heat flux, depth and pressure have substitutes that cap nothing.
    "convective_velocity_scale": lambda s: s.no_temperature,
    "air_temperature": lambda s: s.no_temperature,
    "density_altitude": lambda s: s.no_temperature,
    "wind_chill": lambda s: s.no_temperature,
    "heat_index": lambda s: s.no_temperature,
    "dew_point_spread": lambda s: s.no_spread,
    "fog_points": lambda s: s.no_spread,
    "dew_on_surfaces": lambda s: s.no_spread,
    "visibility": lambda s: s.no_visibility,
    "visual_radius": lambda s: s.no_visibility,
    "ceiling_clearance": lambda s: s.no_ceiling,
    "precipitation": lambda s: s.no_rain,
    "precipitation_probability": lambda s: s.no_rain,
    # The convective part tells its trigger by itself.
    "thunder_probability": lambda s: s.no_rain & s.hole(CONVECTIVE),
    # What decides it when it is cold is claimed by spread, visibility, rain and ceiling.
    "icing": _COMPUTED,
    "forecast_age": lambda s: s.no_age,
    "forecast_age_in_cycles": lambda s: s.no_age,
    "pm2p5": lambda s: s.lacks(PM),
    # By clock and place, or only told: of these nothing is ever missing, or it caps nothing.
    **dict.fromkeys((
        "solar_elevation_angle", "glare_angle", "civil_twilight", "fixed_twilight",
        "flight_height", "planetary_k_index", "equatorial_scintillation", "terrain_difference",
        "bulk_richardson_number",
    ), _COMPUTED),
}  # fmt: skip

_NO_LEVELS: Lack = lambda s: s.not_direct & s.night if s.worlds.height > 30 else s.nothing  # noqa: E731
_NO_CAPE: Lack = lambda s: s.lacks(CAPE) & s.summer_half & s.day  # noqa: E731
_TOO_HIGH: Lack = (  # noqa: E731
    lambda s: s.not_direct & s.no_pressure_levels if s.worlds.height > 120 else s.nothing
)
_POWER_LAWS = ("power law from the top level", "power law from 10 m")

#: The hours that a substitute caps, by quantity, origin and cap.
SUBSTITUTES: Mapping[tuple[str, str, Grade], Lack] = {
    ("wind_speed_at_flight_height", "pressure levels", Grade.MARGINAL): _NO_LEVELS,
    **{("wind_speed_at_flight_height", law, Grade.MARGINAL): _NO_LEVELS for law in _POWER_LAWS},
    **{("wind_speed_at_flight_height", law, Grade.UNKNOWN): _TOO_HIGH for law in _POWER_LAWS},
    ("gust_at_flight_height", "estimated from turbulence", Grade.MARGINAL): lambda s: s.no_gust,
    ("precipitation", "from rate", Grade.MARGINAL): lambda s: s.hole(RAIN),
    ("precipitation_probability", "site alone", Grade.MARGINAL):
        lambda s: s.lacks(SHARE) & s.low_cloud_counts,
    ("visibility", "estimated from rain, fog and smoke", Grade.MARGINAL): lambda s: s.lacks(VIS),
    # Claimed as missing where it is no cumulus; above half the base by condensation is capped.
    ("ceiling_clearance", "condensation level", Grade.MARGINAL):
        lambda s: s.lacks(CEILING) & either(s.hole(CEILING) & ~(s.value(LOW) <= 0.5)),
    ("thunder_probability", "CAPE missing", Grade.MARGINAL): _NO_CAPE,
    ("thunder_probability", "CAPE missing, total for convective precipitation", Grade.MARGINAL):
        _NO_CAPE,
    ("geomagnetic_storm_probability", "from climatology, no K index", Grade.MARGINAL):
        lambda s: s.lacks(KP) & (s.near | s.far_north_or_south),
}  # fmt: skip


def claims(worlds: Worlds, rulebook: Rulebook) -> dict[str, Flags]:
    """The hours that must not be go, by the rule or substitute that says so: (instant, world)."""
    sky, found = Sky(worlds), {}
    for rule in rulebook.rules:
        lack = NEEDS[rule.quantity]
        if rule.missing is None or not _surely(rule.when, worlds, rule.quantity):
            continue
        found[rule.id] = _around(lack(sky), rule.before, rule.after)
    for one in rulebook.substitutes:
        lack = SUBSTITUTES[(one.quantity, one.origin, one.cap)]
        found[f"{one.quantity}: {one.origin} ({one.cap.word})"] = lack(sky)
    # Older than two days, or than two of its cycles of six hours.
    found["age"] = np.full(sky.shape, sky.age_h > 12.0)
    return found


def must_not_be_go(worlds: Worlds, rulebook: Rulebook) -> Flags:
    """The hours of which some rule or substitute says so."""
    found: Flags = np.logical_or.reduce(list(claims(worlds, rulebook).values()))
    return found


def _surely(when: tuple[Condition, ...], worlds: Worlds, quantity: str) -> bool:
    """Whether a rule is surely in force: for this pilot, and not by the weather's leave."""
    for condition in when:
        if condition.skills and worlds.skill not in condition.skills:
            return False
        if condition.quantity is not None and quantity != "wind_direction_swing":
            return False
    return True


def _around(hours: Flags, before: int, after: int) -> Flags:
    """The hours that look at one of these; what lies beyond the axis is missing."""
    beyond: Any = np.ones((1, hours.shape[1]), np.bool_)
    padded = np.concatenate([beyond.repeat(before, 0), hours, beyond.repeat(after, 0)])
    found = hours.copy()
    for shift in range(before + after + 1):
        found |= padded[shift : shift + len(hours)]
    return found
