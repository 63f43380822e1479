"""The scenario table of the wxgate science notes: situations, and an instructor's verdict on each.

The verdicts were worked by the authors of the table; the weather between and around the figures
that it tells is ours. A verdict reads "grade rule + rule": all these rules give that grade, and one
of them limits. The aircraft are those that ship: light-249g, mid-900g and heavy-4kg stand for the
table's MINI, MID and HEAVY.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from scenarios import Cast, Scenario

MINI, MID, HEAVY = "light-249g", "mid-900g", "heavy-4kg"
FIRST, NOVICE, MIDDLE, EXPERT = "first-flight", "novice", "intermediate", "experienced"

MEADOW: dict[str, Any] = {"latitude": 52.0, "longitude": -1.5, "zone": "Europe/London",
                          "altitude": "100 m"}  # fmt: skip


def place(latitude: float, longitude: float, zone: str, **more: Any) -> dict[str, Any]:
    return {"latitude": latitude, "longitude": longitude, "zone": zone, **more}


def every(hours: range, verdict: str) -> dict[int, str]:
    return dict.fromkeys(hours, verdict)


U, G = "wind_speed_at_flight_height", "gust_at_flight_height"

# ---------------------------------------------------------------------- fog, dew, ice

FOG_DAWN = every(range(8, 11), "no-go visibility + fog") | {11: "marginal fog + dew-point-spread"}
FREEZING = every(range(9, 11), "no-go visibility + icing + fog")

MOIST = (
    Scenario(
        "1 calm fog dawn",
        "2026-10-20",
        place(51.5, -0.6, "Europe/London"),
        # A ceiling field that is blind to fog: 8 km. It clears between 10:30 and 11.
        {"t": {-10: 13, -6: 10.5, 0: 7.5, 6: 6, 10: 6, 11: 8.5, 12: 10.5, 14: 12},
         "td": {-10: 9, -6: 8.8, 0: 7.2, 6: 5.8, 10: 5.8, 11: 7, 12: 7.5},
         "u10": 0.5, "gust": 1.5, "visibility": {0: 8, 5: 0.3, 10: 0.3, 11: 5.5, 13: 15},
         "ceiling": 8000, "cloud": 20, "low_cloud": 20, "flux": 20, "depth": 150},
        (
            Cast(MINI, NOVICE, 40, FOG_DAWN, {(9, "visibility"): (300, 0.5)}),
            Cast(MID, MIDDLE, 60, FOG_DAWN),
            Cast(HEAVY, EXPERT, 60, FOG_DAWN),
        ),
        before=30,
    ),
    Scenario(
        "7 freezing fog",
        "2026-01-10",
        MEADOW,
        {"t": -2, "td": -2.2, "visibility": 0.4, "u10": 0.5, "gust": 1, "flux": 0, "depth": 80},
        (
            Cast(MINI, NOVICE, 40, FREEZING),
            Cast(MID, MIDDLE, 60, FREEZING),
            Cast(HEAVY, EXPERT, 60, FREEZING),
        ),
        before=30,
    ),
    Scenario(
        "19 heavy dew",
        "2026-09-08",  # the sun stands at 4 degrees at 07:00
        MEADOW,
        {"t": {-9: 19, -5: 16, 0: 13, 6: 12, 7: 12, 8: 13.3, 9: 15.5, 10: 17},
         "td": {-9: 11.5, 6: 11, 7: 11, 8: 11.2, 9: 11.5}, "cloud": 5, "low_cloud": 0,
         "u10": 0.8, "gust": 1.3, "visibility": 8, "flux": 20, "depth": 100},
        (
            Cast(MINI, NOVICE, 40,
                 {7: "marginal dew + dew-point-spread + fog", 8: "marginal dew-point-spread",
                  9: "go"},
                 {(7, "solar_elevation_angle"): (4, 0.5), (8, "dew_point_spread"): (2.1, 0.05)},
                 note="the spread passes 3 K at about 08:30; whole hours are graded"),
        ),
        before=30,
    ),
    Scenario(
        "24 drizzle in dry air at +3 degC",
        "2026-02-20",
        MEADOW,
        {"t": 3, "td": -6, "precipitation": 0.2, "wet_neighbours": 0.8, "cloud": 100,
         "low_cloud": 100, "ceiling": 700, "visibility": 9},
        (
            Cast(HEAVY, EXPERT, 60, every(range(11, 13), "no-go icing + precipitation-chance")),
            Cast(MID, NOVICE, 40, every(range(11, 13), "no-go icing + precipitation-unrated")),
        ),
    ),
)  # fmt: skip

# ---------------------------------------------------------------------- wind

JET = Scenario(
    "2 low-level jet",
    "2026-06-20",
    place(51.5, -1.0, "Europe/London"),
    # The air turns from 190 degrees at 10 m to 225 at 80 m; 100 m as the line through both gives.
    {"t": 13, "td": 8, "cloud": 5, "low_cloud": 0, "u10": 1.5, "d10": 190, "u80": 9, "d80": 225,
     "u100": 9.83, "d100": 229, "gust": 2.5, "flux": 5, "depth": 60, "t100": 16},
    (
        Cast(MINI, MIDDLE, 100, {5: "no-go gust + wind + aircraft-wind + gust-on-the-way"},
             {(5, U): (9.8, 0.05), (5, G): (10.8, None)}),
        Cast(MINI, MIDDLE, 20, {5: "go"}, {(5, U): (4.0, 0.05), (5, G): (5.0, None)}),
    ),
    aloft={975: 12, 950: 12, 925: 11},
)  # fmt: skip

#: Sea breeze: calm before, 6.5 m/s from the other side after.
SEA_BREEZE_HOURS = (
    every(range(9, 11), "go")
    | {11: "marginal"}
    | every(range(12, 15), "no-go gust + wind")
)  # fmt: skip
SEA_BREEZE = Scenario(
    "3 sea breeze",
    "2026-07-10",
    place(50.7, -1.9, "Europe/London", coast=True, altitude="10 m"),
    {"t": {8: 20, 11: 24, 13: 24}, "td": 14, "u10": {9: 2, 11: 2.3, 12: 4, 13: 6.5, 17: 6.5},
     "d10": {9: 290, 10: 290, 11: 280, 12: 200, 13: 160}, "gust": {9: 3.2, 11: 3.8, 12: 6, 13: 10}},
    (Cast(MID, NOVICE, 50,
          SEA_BREEZE_HOURS | {11: "marginal gust + wind-swing + gust-soon"},
          {(11, "wind_direction_swing"): (130, 1)}),),
)  # fmt: skip

POST_FRONTAL = Scenario(
    "4 showers behind a front",
    "2026-03-18",
    MEADOW,
    {"t": 8, "td": 2, "u10": 8, "u100": 11, "gust": 15, "wet_neighbours": 0.63, "ceiling": 900,
     "cloud": 60, "low_cloud": 50},
    (Cast(HEAVY, EXPERT, 60, {14: "no-go gust + aircraft-wind + precipitation-chance"},
          {(14, U): (10.3, 0.05), (14, G): (17.3, 0.05),
           (14, "precipitation_probability"): (0.6, 0.05)}),),
)  # fmt: skip

VALLEY = Scenario(
    "8 valley inversion",
    "2026-10-15",
    place(47.0, 11.0, "Europe/Vienna", valley=True, altitude="450 m"),
    # The sun reaches the floor at 10:30 and the cold pool begins to mix.
    {"t": {0: 4, 8: 3, 10: 6, 12: 11}, "td": -1, "pressure": 960, "cloud": 0, "low_cloud": 0,
     "u10": {10: 0.8, 11: 2.2, 12: 3}, "u100": {10: 1.5, 11: 4, 12: 5},
     "gust": {10: 1.5, 11: 7.5, 12: 8.5}, "t100": {10: 7, 12: 10},
     "flux": {8: 0, 10: 20, 12: 120}, "depth": {10: 60, 12: 250}, "visibility": 12},
    (
        Cast(MID, MIDDLE, 50,
             every(range(8, 10), "go") | every(range(10, 12), "marginal gust + gust-spread"),
             note="the table begins the mixing at 10:30; whole hours are graded"),
        # Above the ridge, 300 m over the floor.
        Cast(MID, MIDDLE, 310, every(range(8, 12), "no-go wind + gust-on-the-way"),
             {(9, U): (10, 0.3)}),
    ),
    aloft={925: 10, 900: 11, 850: 12},
    before=30,
)  # fmt: skip

GUST_SPREAD = Scenario(
    "10 gust spread, four skills",
    "2026-04-15",
    MEADOW,
    {"u10": 4, "gust": 8.5},
    (
        Cast(MID, EXPERT, 30, {12: "go"}, {(12, U): (4.7, 0.05), (12, G): (9.2, 0.05)}),
        Cast(MID, MIDDLE, 30, {12: "marginal gust"}),
        Cast(MID, NOVICE, 30, {12: "no-go gust"}),
        Cast(MID, FIRST, 30, {12: "no-go gust + gust-spread"}),
    ),
)

THREE_AIRCRAFT = Scenario(
    "17 one hour, three aircraft",
    "2026-04-15",
    MEADOW,
    {"u10": 6, "u100": 8, "gust": 10},
    (
        Cast(MINI, EXPERT, 50, {12: "no-go gust + aircraft-wind + gust-on-the-way"},
             {(12, U): (7.4, 0.05), (12, G): (11.4, 0.05)}),
        Cast(MID, EXPERT, 50, {12: "marginal gust"}),
        Cast(HEAVY, EXPERT, 50, {12: "go"}),
    ),
)  # fmt: skip

SHELTER = Scenario(
    "21 shelter trap",
    "2026-05-05",
    place(52.0, -1.5, "Europe/London", altitude="100 m",
          shelter={"height": "8 m", "distance": "40 m", "porosity": "30 %", "leaf": True}),
    {"u10": 7, "u100": 9.57, "gust": 11, "cloud": 100, "low_cloud": 90, "ceiling": 1500},
    (
        *(Cast(MID, skill, 60, {12: "no-go gust + aircraft-wind + gust-on-the-way + wind"})
          for skill in (FIRST, NOVICE, MIDDLE)),
        Cast(MID, EXPERT, 60, {12: "no-go gust + aircraft-wind"}),
        # 1.5 m/s behind the hedge, 9 above it.
        Cast(HEAVY, EXPERT, 60, {12: "marginal gust + wind-step"},
             {(12, U): (9.0, 0.05), (12, G): (13.0, 0.05),
              (12, "wind_step"): (9.0 - 1.5, 0.05)}),
    ),
)  # fmt: skip

SLOW_MODE = """\
aircraft:
  id: slow-mode
  name: Light 249 g flown home in slow mode (invented)
  mass: 249 g
  max_wind: 10.7 m/s
  dimension: 0.36 m
  min_temperature: -10 degC
  max_temperature: 40 degC
  airspeed: 6 m/s
  rain_rate: 0 mm/h
"""
RETURN = Scenario(
    "22 return margin",
    "2026-05-05",
    MEADOW,
    # Well mixed: it hardly grows from 60 to 100 m.
    {"u10": 7.3, "u100": 8.2, "gust": 8.5},
    (
        Cast(SLOW_MODE, EXPERT, 60, {12: "no-go return-margin"},
             {(12, "airspeed_margin"): (-2, 0.05)}),
        Cast(MINI, EXPERT, 60, {12: "marginal return-margin + wind + gust"}, {(12, U): (8, 0.05)}),
    ),
)  # fmt: skip

WINDY = (JET, SEA_BREEZE, POST_FRONTAL, VALLEY, GUST_SPREAD, THREE_AIRCRAFT, SHELTER, RETURN)

# ---------------------------------------------------------------------- cold, heat, smoke, storms

COLD = Scenario(
    "5 cold and dry, Kp 7",
    "2026-01-15",
    place(45.0, -93.0, "America/Chicago", altitude="270 m"),
    {"t": -8, "td": -16, "u10": 2.5, "gust": 4.5, "kp": 7},
    (
        Cast(MINI, MIDDLE, 60, {11: "marginal cold + geomagnetic-storm + wind-chill"},
             {(11, "air_temperature"): (265.15, 0.05)}),
        Cast(MINI, NOVICE, 60, {11: "no-go geomagnetic-storm"}),
        Cast(MINI, FIRST, 60, {11: "no-go geomagnetic-storm"}),
    ),
)  # fmt: skip

TROPICS = Scenario(
    "5b Kp 7 at Singapore",
    "2026-01-15",
    place(1.35, 103.8, "Asia/Singapore", altitude="15 m"),
    {"t": 31, "td": 24, "kp": 7, "cape": 300, "cloud": 40, "low_cloud": 25},
    (Cast(MINI, MIDDLE, 60, {15: "go"}, {(15, "planetary_k_index"): (7, 0.01)}),),
)

HOT = Scenario(
    "6 hot and high",
    "2026-07-15",
    place(39.0, -105.5, "America/Denver", altitude="1800 m"),
    {"t": {5: 15, 7: 18, 8: 18, 9: 23, 11: 31, 14: 35, 17: 34.5}, "td": 5, "pressure": 815,
     "u10": {7: 1.5, 9: 2.2, 11: 4, 17: 4}, "gust": {7: 2.5, 8: 3, 9: 4.5, 11: 9, 17: 9},
     "flux": {7: 20, 8: 50, 9: 150, 11: 280}, "depth": {7: 200, 8: 300, 9: 800, 11: 2200},
     "cloud": 10, "low_cloud": 5},
    (Cast(MID, NOVICE, 40,
          {7: "marginal density-altitude"} | every(range(11, 17), "no-go gust"),
          {(7, "density_altitude"): (2300, 60), (14, "density_altitude"): (2900, 50),
           (14, "convective_velocity_scale"): (2.8, 0.1)},
          note="the table says GO with a note on density altitude; a note lowers the grade here"),),
)  # fmt: skip

THUNDER = Scenario(
    "9 thunder in the afternoon",
    "2026-07-20",
    MEADOW,
    {"t": {8: 20, 14: 27}, "td": 16, "cape": {8: 100, 10: 300, 12: 1500, 20: 1500},
     "cin": {8: -120, 11: -80, 12: -20}, "cloud": 45, "low_cloud": 25,
     "wet_neighbours": dict.fromkeys((15, 16, 17), 0.15),
     # Such that somewhere within 25 km the chance of 0.5 mm is .45 in the middle hour.
     "most_nearby": dict.fromkeys((15, 16, 17), 0.2)},
    (Cast(MID, EXPERT, 60,
          every(range(8, 12), "go") | every(range(12, 14), "marginal thunder-ahead")
          | every(range(14, 20), "no-go thunder"),
          {(16, "precipitation_probability"): (0.2, 0.03),
           (16, "thunder_probability"): (0.45 * 0.5, 0.02)}),),
)  # fmt: skip

SNOW = Scenario(
    "18 snow shower in a good wind",
    "2026-01-20",
    MEADOW,
    {"u10": 3, "gust": 5, "t": -1.5, "td": -4.5, "precipitation": {11: 0.4}, "rate": 0,
     "convective": {11: 0.4}, "wet_neighbours": dict.fromkeys(range(10, 14), 0.3),
     "most_nearby": dict.fromkeys(range(10, 14), 0.4), "ceiling": 700, "cloud": 70,
     "low_cloud": 60, "visibility": 8},
    (Cast(MID, EXPERT, 60,
          every(range(10, 14), "marginal precipitation-chance")
          | {11: "no-go precipitation-unrated + icing + precipitation-chance"},
          {(11, "visibility"): (2700, 700)}),),
)  # fmt: skip

SMOKE = Scenario(
    "20 smoke",
    "2026-08-10",
    place(45.0, 3.0, "Europe/Paris", altitude="300 m"),
    {"t": 29, "td": 14, "u10": 3, "gust": 5, "pm2p5": 120, "visibility": 10},
    (
        Cast(MID, EXPERT, 60, {11: "go"}, {(11, "visibility"): (5500, 150)}),
        Cast(MID, NOVICE, 40, {11: "marginal fine-particles"}, rules="air-quality.yaml"),
    ),
)

STORMY = (COLD, TROPICS, HOT, THUNDER, SNOW, SMOKE)

# ---------------------------------------------------------------------- what is missing, and time

NAN = float("nan")
NO_GUST = "gust_at_flight_height: estimated from turbulence"
NO_VISIBILITY = "visibility: estimated from rain, fog and smoke"
MISSING_GUST = Scenario(
    "11 gust and visibility missing",
    "2026-05-05",
    MEADOW,
    {"t": 15, "td": 10, "gust": {9: 4, 10: NAN, 11: NAN, 12: 4}},
    (Cast(MID, NOVICE, 40,
          every(range(9, 12), f"marginal {NO_GUST} + {NO_VISIBILITY}")
          | {12: f"marginal {NO_VISIBILITY}"}),),
    absent=("visibility_in_air",),
)  # fmt: skip

MISSING_WIND = Scenario(
    "11b wind missing",
    "2026-05-05",
    MEADOW,
    {"u10": {9: 2.5, 10: 2.5, 11: NAN, 12: 2.5}, "u80": 3.4, "u100": 3.5, "gust": 4},
    (
        Cast(
            MID,
            NOVICE,
            40,
            {9: "marginal gust-soon", 10: "unknown", 11: "unknown", 12: "go"},
            note="a learner's hour before one of which nothing is known is no go either",
        ),
    ),
)

STALE = Scenario(
    "12 stale run",
    "2026-05-05",
    MEADOW,
    {},
    (Cast(MID, MIDDLE, 60, every(range(10, 12), "marginal forecast-cycles"),
          {(10, "forecast_age"): (30, 0.01)}),),
    run_age=30,
)  # fmt: skip

SUMMER_TIME = Scenario(
    "13 the day that summer time ends",
    "2025-10-26T00:00+00:00",  # hours of UTC, which is local time from 02:00 BST on
    place(51.5, -0.1, "Europe/London"),
    {"u10": {8: 5.5, 9: 3.5, 10: 3.5}, "gust": {8: 11, 9: 6, 10: 6}, "t": 11, "td": 6},
    (Cast(MID, MIDDLE, 40, {8: "no-go gust", 9: "go"}),),
    before=14,
    after=20,
)

POLAR_NIGHT_SITE = place(69.65, 18.96, "Europe/Oslo", altitude="20 m")
POLAR_NIGHT = Scenario(
    "14 polar night",
    "2026-12-21",
    POLAR_NIGHT_SITE,
    {"t": -6, "td": -12, "u10": 0.8, "gust": 1.2, "kp": 3, "flux": -10, "depth": 60, "cloud": 10},
    (
        Cast(MID, NOVICE, 40, {11: "no-go daylight-lesson"},
             {(11, "solar_elevation_angle"): (-3.1, 0.3)}),
        Cast(MID, FIRST, 40, {11: "no-go daylight-lesson"}),
        Cast(MID, MIDDLE, 40, {11: "marginal daylight"}),
        Cast(MINI, EXPERT, 40, {11: "marginal daylight"}),
    ),
)  # fmt: skip

POLAR_DAY = Scenario(
    "14b polar day",
    "2026-06-21",
    POLAR_NIGHT_SITE,
    {"t": 10, "td": 3},
    (
        Cast(MINI, NOVICE, 40, {23: "go"}, {(23, "solar_elevation_angle"): (3.3, 0.3)}),
        Cast(MINI, EXPERT, 40, {23: "go"}),
    ),
)

SOUTH = Scenario(
    "15 sea breeze at Sydney",
    "2026-01-15",
    place(-33.87, 151.2, "Australia/Sydney", coast=True, altitude="20 m"),
    {"t": {7: 21, 10: 24.5, 13: 26}, "td": 15, "u10": {7: 2, 10: 2.3, 12: 4, 13: 7, 17: 7},
     "d10": {7: 315, 11: 330, 13: 405}, "gust": {7: 3.3, 10: 3.8, 12: 6, 13: 11}},
    (Cast(MID, NOVICE, 50,
          every(range(7, 10), "go") | every(range(13, 16), "no-go gust + wind")),),
)  # fmt: skip

DATE_LINE = Scenario(
    "16 date line",
    "2026-07-02",  # 07:00 there is 19:00 UTC of the day before
    place(-16.8, -179.98, "Pacific/Fiji", altitude="10 m"),
    {"u10": 5.5, "u100": 7, "gust": 8, "t": 24, "td": 19,
     # A storm in every slot but that of the lesson, 18-21 UTC of 1 July.
     "kp": {hour: 2 if hour in (6, 7, 8) else 8.67 for hour in range(-40, 60)}},
    (Cast(MID, MIDDLE, 40, {7: "marginal gust"},
          {(7, U): (6.4, 0.05), (7, G): (8.9, None), (7, "planetary_k_index"): (2, 0.01)}),),
    before=20,
    after=20,
)  # fmt: skip

LOW_SUN = Scenario(
    "23 low winter sun, flight box aside",
    "2026-01-20",  # the sun stands at 8 degrees in this hour
    MEADOW,
    {"t": 3, "td": -3, "u10": 0.8, "gust": 1.3, "cloud": 0, "low_cloud": 0, "flux": 5,
     "depth": 80},
    (Cast(MID, NOVICE, 40, {9: "go"}, {(9, "solar_elevation_angle"): (8, 2)}),),
    before=30,
)  # fmt: skip

LOW_SUN_AHEAD = replace(
    LOW_SUN,
    id="23 low winter sun, flight box towards it",
    site={**MEADOW, "flight_direction": "135 degree"},
    casts=(
        Cast(MID, NOVICE, 40, {9: "marginal glare"}),
        Cast(MID, EXPERT, 40, {9: "marginal glare"}),
    ),
)

TIMELY = (
    MISSING_GUST, MISSING_WIND, STALE, SUMMER_TIME, POLAR_NIGHT, POLAR_DAY, SOUTH, DATE_LINE,
    LOW_SUN, LOW_SUN_AHEAD,
)  # fmt: skip

#: The same sea breeze in a model that draws the onset sharply: until 12:00 all is calm.
SHARP_SEA_BREEZE = replace(
    SEA_BREEZE,
    id="3 sea breeze, sharp onset",
    weather={**SEA_BREEZE.weather, "u10": {9: 2, 12: 2.4, 13: 6.5, 17: 6.5},
             "d10": {9: 290, 12: 285, 13: 160}, "gust": {9: 3.2, 12: 3.8, 13: 10}},
    casts=(Cast(MID, NOVICE, 50, SEA_BREEZE_HOURS | {11: "marginal gust-soon"}),),
)  # fmt: skip

SCENARIOS: tuple[Scenario, ...] = tuple(
    sorted((*MOIST, *WINDY, SHARP_SEA_BREEZE, *STORMY, *TIMELY), key=lambda s: s.id)
)
