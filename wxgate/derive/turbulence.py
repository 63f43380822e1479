"""How rough the air is: turbulence intensity, thermals, shear against stratification.

Pure functions of arrays of any broadcastable shape in SI units; NaN in gives NaN out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from wxgate.derive.recipe import Array

GRAVITY = 9.80665
GAS_CONSTANT_DRY_AIR = 287.05  #: J kg-1 K-1
HEAT_CAPACITY = 1004.7  #: J kg-1 K-1 at constant pressure
DRY_LAPSE = GRAVITY / HEAT_CAPACITY  #: K m-1
STANDARD_PRESSURE = 101325.0

ALBEDO = 0.23  #: grass (FAO-56)

#: Reference turbulence intensity of the wind turbine classes (IEC 61400-1 ed. 3, table 1).
IEC_REFERENCE = {"A": 0.16, "B": 0.14, "C": 0.12}
#: The bulk Richardson number keeps to this range; in calm air it is infinite.
RICHARDSON_BOUND = 1e6


def turbulence_intensity(height: ArrayLike, roughness: ArrayLike) -> Array:
    """Neutral turbulence intensity 1 / ln(z / z0), a share of the mean wind; NaN within z0.

    Source: EN 1991-1-4 (4.7) with k_I = c_0 = 1.
    """
    ratio = np.asarray(height, dtype=np.float64) / np.asarray(roughness, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(ratio > 1, 1 / np.log(ratio), np.nan)


def iec_deviation(wind: ArrayLike, turbine_class: str) -> Array:
    """Standard deviation of the wind (m/s) that turbines of class A, B or C are built for.

    Iref (0.75 U + 5.6). Source: IEC 61400-1 ed. 3 (11). Not used by a recipe: kept as the reference
    of rough air without thermals, against which the least turbulence to count with
    (``gust.least_intensity``) is held.
    """
    return IEC_REFERENCE[turbine_class] * (0.75 * np.asarray(wind, dtype=np.float64) + 5.6)


def clear_sky_irradiance(sun: ArrayLike) -> Array:
    """Global irradiance (W m-2) under a clear sky for a sun elevation in degrees; 0 by night.

    Source: Haurwitz 1945 (as in pvlib, which the tests hold it against).
    """
    up = np.sin(np.radians(np.asarray(sun, dtype=np.float64)))
    with np.errstate(divide="ignore", over="ignore"):
        found = 1098.0 * up * np.exp(-0.059 / np.where(up > 0, up, 1.0))
    return np.where(up > 0, found, np.where(np.isnan(up), np.nan, 0.0))


def heat_flux_from_sun(sun: ArrayLike, cloud: ArrayLike, *, heat_share: float) -> Array:
    """An estimate of the upward sensible heat flux (W m-2) from sun elevation and cloud share.

    ``heat_share`` of the net sunshine over grass; an unknown cloud counts as none. Cloud weakens
    the sunshine by 1 - 0.75 N ** 3.4. Source: Kasten & Czeplak 1980 (from memory).
    """
    n = np.asarray(cloud, dtype=np.float64)
    share = np.where(np.isnan(n), 0.0, np.clip(n, 0.0, 1.0))
    net = (1 - ALBEDO) * clear_sky_irradiance(sun) * (1 - 0.75 * share**3.4)
    return heat_share * net


def convective_velocity(heat_flux: ArrayLike, depth: ArrayLike, temperature: ArrayLike,
                        pressure: ArrayLike) -> Array:  # fmt: skip
    """Convective velocity scale w* (m/s): (g / T * zi * H / (rho cp)) ** 1/3; 0 without upward H.

    ``heat_flux`` W m-2 upward, ``depth`` of the mixed layer m, ``temperature`` K, ``pressure`` Pa.
    Humidity is left out of the buoyancy. Source: AMS Glossary, convective velocity scale.
    """
    t = np.asarray(temperature, dtype=np.float64)
    density = np.asarray(pressure, dtype=np.float64) / (GAS_CONSTANT_DRY_AIR * t)
    kinematic = np.asarray(heat_flux, dtype=np.float64) / (density * HEAT_CAPACITY)
    cube = GRAVITY / t * np.asarray(depth, dtype=np.float64) * kinematic
    scale: Array = np.cbrt(np.maximum(cube, 0.0))
    return scale


def bulk_richardson(
    temperature_step: ArrayLike,
    temperature_rise: float,
    wind_step: ArrayLike,
    wind_rise: float,
    temperature: ArrayLike,
) -> Array:
    """Bulk Richardson number of a layer: under 0.25 shear makes bursts of turbulence.

    ``temperature_step`` is the plain temperature above less that below (K), ``temperature_rise``
    m apart; ``wind_step`` the length of the wind difference (m/s), ``wind_rise`` m apart;
    ``temperature`` K. Kept within 1e6 either way, which stands for infinite; NaN for a neutral
    calm. Source: definition (Stull 1988); MetPy ``gradient_richardson_number``.
    """
    lapse = np.asarray(temperature_step, dtype=np.float64) / temperature_rise + DRY_LAPSE
    stability = GRAVITY / np.asarray(temperature, dtype=np.float64) * lapse
    shear = np.asarray(wind_step, dtype=np.float64) / wind_rise
    with np.errstate(divide="ignore", invalid="ignore"):
        found = stability / (shear * shear)
    return np.clip(found, -RICHARDSON_BOUND, RICHARDSON_BOUND)
