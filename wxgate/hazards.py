"""Which hazard stands against an hour in each weather, and what is not proven."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from wxgate.chances import NOTHING_PROVEN
from wxgate.grade import Codes, Graded, Outcome
from wxgate.rulebook import Rule
from wxgate.verdict import Grade

#: Quantities that go bad together, under one name; any other stands under its own.
FAMILIES: Mapping[str, str] = {
    **dict.fromkeys(
        ("wind_speed", "wind_speed_at_flight_height", "wind_speed_layer_maximum",
         "launch_wind_speed", "gust", "gust_at_flight_height", "gust_layer_maximum",
         "gust_spread", "wind_step", "airspeed_margin", "airspeed_to_gust_ratio",
         "return_ground_speed"), "wind and gust"),
    **dict.fromkeys(("precipitation", "precipitation_probability",
                     "precipitation_nearby_probability"), "rain"),
    **dict.fromkeys(("thunder_probability", "lightning"), "thunder"),
    **dict.fromkeys(("visibility", "visual_radius", "visual_range", "ceiling_clearance",
                     "ceiling_height", "cloud_base_height", "fog_points", "dew_point_spread"),
                    "fog, cloud and visibility"),
    **dict.fromkeys(("icing", "dew_on_surfaces", "wet_bulb_temperature"), "icing and dew"),
    **dict.fromkeys(("air_temperature", "wind_chill", "heat_index"), "temperature"),
    **dict.fromkeys(("convective_velocity_scale", "bulk_richardson_number",
                     "wind_direction_swing", "sea_breeze_onset"), "turbulence"),
    **dict.fromkeys(("planetary_k_index", "geomagnetic_storm_probability",
                     "equatorial_scintillation"), "K index"),
    **dict.fromkeys(("solar_elevation_angle", "civil_twilight", "fixed_twilight", "glare_angle"),
                    "daylight"),
    **dict.fromkeys(("forecast_age", "forecast_age_in_cycles"), "age of the forecast"),
}  # fmt: skip


def wide(codes: Codes, members: int) -> Codes:
    """Codes (time,) or (time, member) with so many members."""
    flat = codes if codes.ndim > 1 else codes[:, None]
    return np.broadcast_to(flat, (codes.shape[0], members))


def _unproven(outcome: Outcome) -> bool:
    """Whether the rule lacks a value for which it has a no-go limit, and is content with less."""
    rule = outcome.rule
    return (
        isinstance(rule, Rule)
        and rule.missing is not None  # else the rulebook calls the quantity advisory
        and Grade.NO_GO in outcome.limits
        and bool(outcome.missing.any())
    )


def _codes(outcome: Outcome) -> Codes:
    """The codes of one rule; UNKNOWN where a missing value may be beyond its no-go limit."""
    if not _unproven(outcome):
        return outcome.codes
    return np.maximum(outcome.codes, outcome.missing * np.uint8(Grade.UNKNOWN))


def proven(graded: Graded) -> Codes:
    """The codes of all rules; UNKNOWN where a missing value may be beyond a no-go limit."""
    codes = graded.codes
    for outcome in graded.outcomes:
        if _unproven(outcome):
            alone = _codes(outcome)
            codes = np.maximum(codes, alone if alone.ndim > 1 else alone[:, None])
    return codes


def by_family(graded: Graded) -> dict[str, Codes]:
    """The codes (time, member) of each hazard that keeps an hour from being flown somewhere."""
    members = graded.codes.shape[1]
    found: dict[str, Codes] = {}
    for outcome in graded.outcomes:
        codes = _codes(outcome)
        # Most rules pass no limit in any weather: what is not there needs no comparing.
        if not (codes >= Grade.UNKNOWN).any():
            continue
        codes = wide(codes, members)
        name = FAMILIES.get(outcome.rule.quantity, outcome.rule.quantity.replace("_", " "))
        before = found.get(name)
        found[name] = codes if before is None else np.maximum(before, codes)
    told = np.max(list(found.values()), axis=0) if found else np.zeros((1, 1), np.uint8)
    lonely = (graded.codes >= Grade.UNKNOWN) & (told < Grade.UNKNOWN)
    if lonely.any():
        found[NOTHING_PROVEN] = np.where(lonely, graded.codes, np.uint8(0))
    return found
