"""The invented weather of the demonstration: two days at a field that does not exist.

Three tables give the values at the field at anchor hours; between them a monotone cubic holds, so
nothing overshoots. Over the box the values vary smoothly around those of the field, which lies
at its middle point. Nothing here is measured or forecast: the figures were chosen by us to be
physically consistent and to tell a story (see ``cached_forecasts/README.md``).

Hours count from the run, 2026-09-15 00 UTC. Shapes: (rows, columns), first row north.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

Box = NDArray[np.float64]

ROWS = COLUMNS = 9
FIELD_ALTITUDE = 120.0
GRAVITY, GAS_CONSTANT = 9.80665, 287.05
NO_CEILING, VISIBILITY_CAP = 20000.0, 24135.0  #: what the GFS writes for "none" and "unlimited"

# Temperature and dew point at 2 m (degC), surface pressure (hPa), boundary-layer depth (m), the
# temperature at 100 to 1500 m above ground against that at 2 m (K), sensible heat flux (W/m2).
SURFACE = """
hour     t    td       p    zi  dt100  dt250  dt500  dt750  dt1500  flux
   0  11.0  10.4  1007.9    80    0.5    1.6    0.6   -0.8    -5.0   -10
   4   9.8   9.6  1007.4    60    0.9    2.4    1.6    0.2    -4.2    -8
   6   9.4   9.2  1007.2    60    1.0    2.6    1.8    0.4    -4.0    -5
   7   9.6   9.4  1007.2    80    0.9    2.4    1.6    0.2    -4.2     0
   8  11.2  10.2  1007.0   150    0.3    1.4    0.4   -1.2    -5.6    20
   9  13.8  10.3  1006.7   230   -0.7   -0.6   -1.8   -3.4    -8.0    40
  10  15.6  10.5  1006.3   300   -0.9   -1.9   -3.2   -4.8    -9.6    60
  11  17.1  10.7  1005.8   360   -1.0   -2.3   -4.0   -5.8   -10.8    80
  12  18.6  10.9  1005.0   700   -1.1   -2.5   -4.9   -6.9   -12.0   140
  13  19.8  10.9  1004.0  1100   -1.2   -2.6   -5.0   -7.4   -13.6   215
  14  20.4  10.8  1002.9  1350   -1.2   -2.6   -5.0   -7.4   -14.0   240
  15  20.1  11.0  1001.7  1400   -1.2   -2.6   -5.0   -7.4   -14.0   205
  16  19.0  11.6  1000.4  1250   -1.1   -2.5   -4.9   -7.0   -13.4   130
  17  16.8  12.6   999.3   700   -0.9   -2.2   -4.2   -6.0   -11.4    35
  18  14.6  12.8   998.8   400   -0.7   -1.7   -3.2   -4.7    -9.6     5
  19  13.7  12.2   998.9   350   -0.5   -1.4   -2.8   -4.3    -9.0     0
  20  13.0  11.0   999.4   250   -0.2   -1.0   -2.4   -3.9    -8.6    -8
  22  11.6   8.8  1000.3   150    0.6    0.0   -1.4   -2.9    -7.6   -18
  24  10.6   7.4  1000.9   110    1.2    0.8   -0.6   -2.2    -6.8   -22
  27   9.2   5.8  1001.5    90    1.8    1.8    0.3   -1.3    -5.8   -20
  29   8.4   5.0  1001.9    80    2.1    2.2    0.6   -1.0    -5.4   -18
  30   8.2   4.8  1002.2    80    2.2    2.4    0.8   -0.8    -5.2   -15
  31   9.2   5.1  1002.6   120    1.2    1.4   -0.2   -1.8    -6.4    10
  32  11.2   5.7  1002.9   300   -0.4   -0.6   -2.2   -3.8    -8.6    60
  34  14.2   6.3  1003.4   700   -1.1   -2.5   -4.9   -6.6   -11.8   150
  36  16.3   6.4  1003.6  1000   -1.2   -2.6   -5.0   -7.4   -13.4   210
  38  17.4   6.2  1003.6  1150   -1.2   -2.6   -5.0   -7.4   -13.8   190
  40  17.0   6.2  1003.7  1050   -1.1   -2.5   -4.9   -7.2   -13.2    90
  42  14.8   6.6  1004.2   300   -0.6   -1.8   -4.0   -6.2   -11.4    -5
  44  12.8   7.0  1004.9   150    0.2   -0.6   -2.6   -4.6    -9.4   -20
  48  10.8   7.2  1005.8   100    0.9    0.6   -1.0   -2.8    -7.4   -20
  52   9.4   6.8  1006.4    90    1.3    1.2   -0.2   -1.8    -6.2   -18
  54   9.2   6.7  1006.8    90    1.4    1.4    0.0   -1.6    -6.0   -10
  56  11.4   7.4  1007.1   250   -0.5   -0.4   -1.6   -3.2    -7.8    40
"""

# Speed (m/s) and direction (degrees) at 10 and 100 to 1500 m, speed at 80 m, the gust, and the
# shape of the profile between 10 and 80 m: 0 logarithmic, 1 straight (stable air).
WIND = """
hour  v10  d10  gust  v80  v100  d100  v250  d250  v500  d500  v750  d750  v1500  d1500  shape
   0  1.0  165   1.6  3.0   3.3   185   4.8   198   6.0   206   7.0   210    8.0    216    0.8
   4  0.8  150   1.2  2.4   2.6   175   4.0   195   5.5   205   6.5   210    7.6    216    0.7
   6  0.6  140   1.0  2.2   2.4   170   4.0   195   5.5   205   6.5   210    7.6    217    0.7
   7  0.7  143   1.1  2.2   2.4   172   4.0   195   5.6   205   6.6   210    7.8    217    0.6
   8  1.2  155   2.2  2.4   2.6   180   4.2   196   6.0   205   7.0   210    8.2    217    0.4
   9  2.0  175   3.6  2.7   2.8   188   4.5   200   6.4   207   7.5   212    8.8    218    0.1
  10  2.2  182   3.9  2.8   2.9   192   4.7   202   6.7   208   8.0   213    9.4    219    0.0
  11  2.4  190   4.2  3.1   3.2   198   5.0   205   7.0   210   8.5   215   10.0    221    0.0
  12  3.2  203   5.8  4.1   4.3   208   6.2   212   8.0   216   9.6   220   11.2    226    0.0
  13  5.0  213   9.6  6.3   6.5   216   7.6   218   9.0   221  10.6   224   12.4    230    0.0
  14  5.6  217  10.5  7.0   7.2   220   8.3   222   9.6   225  11.2   228   13.2    234    0.0
  15  5.8  220  10.9  7.3   7.5   223   8.6   225  10.0   228  11.6   231   13.8    238    0.0
  16  5.4  222  10.0  6.9   7.1   226   8.6   229  10.2   232  11.8   235   14.0    242    0.0
  17  4.8  228   9.2  6.4   6.7   233   8.8   237  10.6   240  12.2   243   14.2    248    0.0
  18  5.0  240   9.4  6.8   7.1   247   9.0   252  10.8   255  12.2   257   14.0    261    0.0
  19  4.2  254   7.4  6.0   6.3   262   8.4   266  10.0   268  11.2   270   12.8    273    0.1
  20  3.2  260   5.2  5.0   5.3   270   7.8   274   9.2   276  10.2   278   11.6    281    0.2
  22  2.2  252   3.4  5.2   5.6   270   8.4   274   9.4   276   9.8   278   11.0    281    0.5
  24  1.8  238   2.8  6.4   7.0   263   9.8   269  10.4   272  10.0   274   10.8    277    0.7
  26  1.4  224   2.3  8.0   8.7   256  11.8   263  11.6   267  10.6   270   10.6    274    0.9
  28  1.2  216   2.0  9.0   9.8   251  13.0   258  12.5   262  11.0   265   10.4    270    1.0
  30  1.2  216   2.0  9.1   9.9   251  13.0   257  12.4   261  11.0   264   10.4    269    1.0
  31  1.5  218   2.6  8.6   9.3   250  12.2   256  12.0   260  11.0   263   10.6    268    0.9
  32  2.8  228   6.0  7.4   7.9   249  10.8   254  11.4   258  10.8   261   10.8    266    0.4
  33  4.4  235   9.0  6.7   7.1   247   9.6   250  10.6   254  10.7   258   11.0    263    0.1
  34  5.2  238   9.8  6.8   7.0   245   8.9   248  10.2   252  10.8   256   11.4    261    0.0
  36  6.0  240  10.4  7.7   7.9   245   9.2   248  10.6   252  11.4   256   12.4    261    0.0
  38  6.2  241  10.6  8.0   8.2   246   9.4   249  10.8   253  11.6   257   12.8    262    0.0
  40  5.6  242   9.6  7.3   7.5   248   8.8   252  10.2   256  11.2   260   12.4    265    0.0
  42  3.8  240   6.4  5.7   6.0   252   7.8   257   9.2   261  10.2   265   11.4    271    0.2
  44  3.0  236   5.0  5.1   5.5   256   7.4   262   8.6   266   9.6   270   11.0    276    0.4
  48  2.6  230   4.4  4.8   5.2   258   7.2   266   8.2   270   9.0   274   10.6    280    0.5
  52  2.2  225   3.6  4.3   4.7   256   6.6   266   7.6   272   8.4   276   10.2    282    0.6
  54  2.2  225   3.6  4.2   4.5   255   6.4   266   7.4   272   8.2   276   10.0    282    0.6
  56  2.8  232   4.8  4.0   4.2   252   6.2   264   7.2   270   8.0   275    9.8    281    0.2
"""

# Visibility without rain (m), low and total cloud (%), cloud base above ground (m), CAPE and
# CIN (J/kg).
SKY = """
hour    vis  low  total  base  cape  cin
   0   2500   40     45   150     0  -15
   4    300   95     95    60     0  -20
   5    250   98     98    55     0  -20
   6    200  100    100    50     0  -20
   7    350   96     96    65     0  -18
   8    900   70     75   110     0  -15
   9  24135   30     45   440     5  -20
  10  24135   25     40   640    20  -30
  11  24135   28     45   800    60  -35
  12  24135   35     50   960   140  -25
  13  24135   42     55  1110   240  -12
  14  24135   46     60  1200   320   -6
  15  24135   54     70  1130   400   -4
  16  24135   64     80   900   470   -5
  17  20000   82     95   520   510   -8
  18  16000   95    100   300   500  -12
  19  16000   86     96   350   380  -20
  20  20000   56     72   600   180  -30
  21  24135   20     30   900    70  -40
  22  24135    8     15  1000    20  -40
  24  24135    5     10  1000     0  -30
  30  24135    5     12  1000     0  -25
  32  24135   10     20  1000     0  -20
  34  24135   35     42  1000    30  -20
  36  24135   45     52  1250    70  -10
  38  24135   45     52  1400    90   -8
  40  24135   34     42  1350    60  -12
  42  24135   15     25  1100    10  -25
  44  24135   10     20  1000     0  -30
  48  24135   10     20  1000     0  -25
  54  24135   15     30  1000     0  -20
  56  24135   20     34   900     0  -20
"""

AIR_HEIGHTS = (100, 250, 500, 750, 1500)  #: of the tables, m above ground
WIND_HEIGHTS = (10, 20, 30, 40, 50, 80, 100)
LEVELS = (100000, 97500, 95000, 92500, 90000, 85000)
CONVECTIVE = 0.85  #: share of the rain that falls from convective cloud


@dataclass(frozen=True)
class Shower:
    """A round shower that drifts with the steering wind and passes the field once."""

    peak: float  #: mm/h at its middle
    passes: float  #: hour at which it is nearest the field
    aside: float  #: km to the left of the field, seen along its track
    radius: float  #: km, one standard deviation


SHOWERS = (
    Shower(2.6, 15.9, 62.0, 13.0),
    Shower(3.0, 16.6, 40.0, 13.0),
    Shower(2.4, 17.5, -20.0, 13.0),
    Shower(3.6, 18.5, 3.0, 13.0),
    Shower(2.4, 19.3, 10.0, 11.0),
    Shower(2.0, 19.7, -42.0, 13.0),
    Shower(1.6, 20.4, 48.0, 12.0),
)
STEERING = (34.0, 20.0)  #: km/h eastward and northward
DRY_BELOW = 0.05  #: mm/h; the skirts of a shower do not reach the ground
KM_PER_CELL = (17.1, 27.8)  #: 0.25 degree at 52 N, eastward and northward

X, Y = np.meshgrid(np.linspace(-1.0, 1.0, COLUMNS), np.linspace(1.0, -1.0, ROWS))
TERRAIN: Box = FIELD_ALTITUDE - 30.0 * X + 25.0 * Y + 20.0 * (X * X - Y * Y)


def _table(text: str) -> dict[str, NDArray[np.float64]]:
    names, *_ = text.split("\n", 2)[1:]
    columns = np.loadtxt(io.StringIO(text), skiprows=2, unpack=True)
    return dict(zip(names.split(), columns, strict=True))


@cache
def _curves() -> dict[str, PchipInterpolator]:
    """A monotone cubic through each column of the tables."""
    return {
        name: PchipInterpolator(table["hour"], column)
        for table in (_table(SURFACE), _table(WIND), _table(SKY))
        for name, column in table.items()
        if name != "hour"
    }


def at_field(hour: float) -> dict[str, float]:
    """All columns of the tables at one hour."""
    return {name: float(curve(hour)) for name, curve in _curves().items()}


def rain_rate(hour: float) -> Box:
    """Rain over the box at an instant, mm/h."""
    speed = float(np.hypot(*STEERING))
    east, north = X * 4 * KM_PER_CELL[0], Y * 4 * KM_PER_CELL[1]
    along = (east * STEERING[0] + north * STEERING[1]) / speed
    left = (north * STEERING[0] - east * STEERING[1]) / speed
    total = np.zeros_like(X)
    for shower in SHOWERS:
        ahead = along - speed * (hour - shower.passes)
        distance2 = ahead**2 + (left - shower.aside) ** 2
        total += shower.peak * np.exp(-distance2 / (2.0 * shower.radius**2))
    return np.where(total < DRY_BELOW, 0.0, total)


def rain_amount(begin: int, end: int) -> Box:
    """Rain over the box between two hours, mm: five-minute steps of the rate."""
    return sum((rain_rate(m) for m in _five_minutes(begin, end)), np.zeros_like(X)) / 12.0


def mean_heat_flux(begin: int, end: int) -> Box:
    """Mean sensible heat flux into the air between two hours, W/m2."""
    mean = np.mean([_curves()["flux"](m) for m in _five_minutes(begin, end)])
    return mean * (1.0 - 0.1 * Y + 0.05 * X)


def _five_minutes(begin: int, end: int) -> list[float]:
    """The middles of the five-minute steps between two hours."""
    return [begin + (i + 0.5) / 12.0 for i in range(12 * (end - begin))]


@dataclass(frozen=True)
class Air:
    """The box at one hour. Wind components (m/s) and temperatures (K) by height or level."""

    wind: dict[int, tuple[Box, Box]]
    level_wind: dict[int, tuple[Box, Box]]
    level_height: dict[int, Box]
    level_temperature: dict[int, Box]
    temperature: dict[int, Box]
    single: dict[str, Box]


def air(hour: int) -> Air:
    """The whole box at one hour."""
    now = at_field(hour)
    temperature = now["t"] + 273.15 - 0.5 * Y - 0.0065 * (TERRAIN - FIELD_ALTITUDE)
    heights = np.array((2.0, *AIR_HEIGHTS))
    excess = np.array((0.0, *(now[f"dt{z}"] for z in AIR_HEIGHTS)))
    pressure = _surface_pressure(now["p"] * 100.0, temperature)
    above = {level: _height_of(level, pressure, temperature, heights, excess) for level in LEVELS}
    return Air(
        wind={z: _wind(now, np.full_like(X, z)) for z in WIND_HEIGHTS},
        level_wind={level: _wind(now, z) for level, z in above.items()},
        level_height={level: TERRAIN + z for level, z in above.items()},
        level_temperature={
            level: temperature + _excess(z, heights, excess) for level, z in above.items()
        },
        temperature={
            2: temperature,
            # Logarithmic between 2 and 100 m, as in the surface layer.
            80: temperature + now["dt100"] * np.log(80 / 2) / np.log(100 / 2),
            100: temperature + now["dt100"],
        },
        single=_single(now, hour, temperature, pressure),
    )


def _single(now: dict[str, float], hour: int, temperature: Box, pressure: Box) -> dict[str, Box]:
    rate = rain_rate(hour)
    dew_point = now["td"] + 273.15 - 0.2 * Y + 0.1 * X
    low = np.clip(now["low"] + 8.0 * X * Y - 4.0 * (X + Y), 0.0, 100.0)
    total = np.maximum(low, np.clip(now["total"] + 6.0 * X * Y, 0.0, 100.0))
    base = now["base"] * (1.0 + 0.15 * (X * X + Y * Y))
    flag = (rate > 0.0).astype(float)
    nothing = np.zeros_like(X)
    return {
        "GUST": now["gust"] * _windier(),
        "DPT": np.minimum(dew_point, temperature - 0.1),
        "PRES": pressure,
        "VIS": np.minimum(_clear_of_rain(now["vis"]), _visibility_in_rain(rate)),
        "PRATE": rate / 3600.0,
        "CRAIN": flag, "CSNOW": nothing, "CFRZR": nothing, "CICEP": nothing,
        "CAPE": np.maximum(now["cape"] * (1.0 - 0.15 * Y + 0.1 * X), 0.0),
        "CIN": np.minimum(now["cin"] * (1.0 + 0.2 * Y), 0.0),
        "LCDC": low, "TCDC": total,
        # A ceiling is a base of more than half cover, and the GFS gives it above sea level.
        "CEILING": np.where(low >= 50.0, TERRAIN + base, NO_CEILING),
        "HPBL": now["zi"] * (1.0 + 0.1 * X - 0.1 * Y),
        "SFCR": 0.12 + 0.04 * X * Y + 0.03 * Y * Y,
    }  # fmt: skip


def _windier() -> Box:
    return 1.0 + 0.08 * Y + 0.05 * X


def _wind(now: dict[str, float], height: Box) -> tuple[Box, Box]:
    """Eastward and northward wind at heights above ground, per point of the box."""
    nodes = np.array((10.0, 20.0, 30.0, 40.0, 50.0, 80.0, *AIR_HEIGHTS))
    low = nodes <= 80.0
    share = (1.0 - now["shape"]) * np.log(nodes[low] / 10.0) / np.log(8.0)
    share += now["shape"] * (nodes[low] - 10.0) / 70.0
    aloft = [now[f"v{z}"] for z in AIR_HEIGHTS]
    speeds = np.array((*(now["v10"] + share * (now["v80"] - now["v10"])), *aloft))
    turn = np.log(nodes[low] / 10.0) / np.log(10.0) * (now["d100"] - now["d10"])
    turns = np.array((*(now["d10"] + turn), *(now[f"d{z}"] for z in AIR_HEIGHTS)))
    speed = np.interp(height, nodes, speeds) * _windier()
    towards = np.deg2rad(np.interp(height, nodes, turns) + 3.0 * X - 2.0 * Y)
    return -speed * np.sin(towards), -speed * np.cos(towards)


def _surface_pressure(field: float, temperature: Box) -> Box:
    """Lower to the north (the wind is westerly), and by the weight of the air on the slopes."""
    lift = (TERRAIN - FIELD_ALTITUDE) * GRAVITY / (GAS_CONSTANT * temperature)
    return (field - 70.0 * Y) * np.exp(-lift)


def _excess(z: Box, heights: NDArray[np.float64], excess: NDArray[np.float64]) -> Box:
    """Air temperature against that at 2 m; below the ground 6.5 K/km warmer, as models do."""
    return np.where(z < 0.0, -0.0065 * z, np.interp(z, heights, excess))


def _height_of(
    level: int,
    pressure: Box,
    temperature: Box,
    heights: NDArray[np.float64],
    excess: NDArray[np.float64],
) -> Box:
    """Height above ground of a pressure level, by the hypsometric equation for dry air."""
    z = np.arange(-300.0, 1805.0, 5.0)
    middles = 0.5 * (z[1:] + z[:-1])
    column = temperature[..., None] + _excess(middles, heights, excess)
    drop = np.cumsum(5.0 * GRAVITY / (GAS_CONSTANT * column), axis=-1)
    drop = np.concatenate((np.zeros((*temperature.shape, 1)), drop), axis=-1)
    drop -= drop[..., z == 0.0]
    wanted = np.log(pressure / level)
    columns = zip(wanted.ravel(), drop.reshape(-1, z.size), strict=True)
    return np.array([np.interp(w, d, z) for w, d in columns]).reshape(temperature.shape)


def _clear_of_rain(visibility: float) -> Box:
    """Fog is thickest at the field and thinner towards the rim of the box."""
    return np.minimum(visibility * (1.0 + 0.6 * (X * X + Y * Y)), VISIBILITY_CAP)


def _visibility_in_rain(rate: Box) -> Box:
    """Koschmieder with the extinction of rain: 3.912 / (2.24 C^0.75), C = 0.072 R^0.88 g/m3."""
    content = 0.072 * np.maximum(rate, 1e-6) ** 0.88
    return np.minimum(3912.0 / (2.24 * content**0.75), VISIBILITY_CAP)
