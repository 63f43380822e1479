"""Laws of the wind in the lowest hundred metres: power law, log profile, Monin-Obukhov.

Pure functions of arrays of any broadcastable shape. Heights in metres above ground, speeds in any
one unit, angles in degrees; NaN in gives NaN out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wxgate.derive.recipe import Array
from wxgate.errors import UsageError

#: Davenport-Wieringa roughness classes, m (WMO-No. 8 chapter 5 annex; Wieringa 1992).
ROUGHNESS_CLASSES = {
    "sea": 0.0002,
    "open": 0.03,
    "roughly open": 0.1,
    "rough": 0.25,
    "very rough": 0.5,
    "closed": 1.0,
}
#: Exponents of the power law from 10 m (from memory; the factors computed by us).
ALPHA_UNSTABLE = 0.08
ALPHA_NEUTRAL = 0.14
#: The upper end of 0.30-0.40 for a clear night: where nothing is known aloft, the larger wind.
ALPHA_STABLE = 0.40
#: Exponent of the normal wind profile on land (IEC 61400-1 ed. 3, 6.3.1.2). Not used by a recipe:
#: kept as the reference of shear on land, against which ``neutral_exponent`` is held.
ALPHA_IEC_ONSHORE = 0.2
#: Share of an obstacle's height by which it lifts the log profile (Hau 2008; windpowerlib).
DISPLACEMENT_SHARE = 0.7


def power_law(speed: ArrayLike, from_height: ArrayLike, to_height: ArrayLike,
              alpha: ArrayLike) -> Array:  # fmt: skip
    """Wind speed at ``to_height`` by U (z / z1) ** alpha. Source: IEC 61400-1 ed. 3, 6.3.1.2.

    Kept as the reference of the wind that ``wind.carry_up`` carries up, in tests and benchmarks.
    """
    ratio = np.asarray(to_height, dtype=np.float64) / np.asarray(from_height, dtype=np.float64)
    return np.asarray(speed, dtype=np.float64) * ratio ** np.asarray(alpha, dtype=np.float64)


def log_profile(speed: ArrayLike, from_height: float, to_height: ArrayLike, roughness: ArrayLike,
                *, obstacle_height: float = 0.0) -> Array:  # fmt: skip
    """Wind speed at ``to_height`` by the neutral log profile over ``roughness`` (m).

    An obstacle lifts the profile by 0.7 of its height. UsageError when that plane lies at or above
    ``from_height``: the reading was taken among the obstacles and says nothing about the wind
    over them. NaN at heights within the roughness. Source: Hau 2008; Gasch & Twele 2010.
    """
    displacement = DISPLACEMENT_SHARE * obstacle_height
    if displacement >= from_height:
        raise UsageError(
            f"an obstacle of {obstacle_height:g} m is too tall for a wind at {from_height:g} m",
            remedy=f"Give a wind measured above {displacement:g} m, or leave the obstacle out.",
        )
    upper, lower = (_log_height(z, displacement, roughness) for z in (to_height, from_height))
    return np.asarray(speed, dtype=np.float64) * upper / lower


def _log_height(height: ArrayLike, displacement: float, roughness: ArrayLike) -> Array:
    ratio = (np.asarray(height, dtype=np.float64) - displacement) / np.asarray(
        roughness, dtype=np.float64
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(ratio > 1, np.log(ratio), np.nan)


def neutral_exponent(from_height: ArrayLike, to_height: ArrayLike, roughness: ArrayLike) -> Array:
    """The power-law exponent that fits the neutral log profile between two heights.

    1 / ln(sqrt(z1 z2) / z0). Source: computed by us from the neutral log law.
    """
    middle = np.sqrt(np.asarray(from_height, dtype=np.float64) * np.asarray(to_height))
    return 1 / _log_height(middle, 0.0, roughness)


# -- stability without fluxes --------------------------------------------------------------------
# Science notes 1.2 (from memory) give bands: unstable with the sun above 10-15 degrees, cloud under
# 5/8 and less than 6 m/s; stable with the sun under 0-3 degrees, cloud under 4/8 and less than
# 5 m/s. The functions below say "surely" and "maybe", so that each caller can lean to its own
# careful side: a profile fears stable air, a gust fears unstable air. NaN never proves anything.


STABLE_WIND, UNSTABLE_WIND = 5.0, 6.0  #: m/s at 10 m; less than this


def surely_unstable(sun: ArrayLike, cloud: ArrayLike, wind: ArrayLike) -> NDArray[np.bool_]:
    """True where sun (degrees), cloud (share) and 10 m wind (m/s) prove unstable air."""
    s, c, u = (np.asarray(x, dtype=np.float64) for x in (sun, cloud, wind))
    return np.asarray((s > 15) & (c < 5 / 8) & (u < UNSTABLE_WIND))


def maybe_unstable(sun: ArrayLike, cloud: ArrayLike, wind: ArrayLike) -> NDArray[np.bool_]:
    """True unless sun (degrees), cloud (share) or 10 m wind (m/s) rule unstable air out."""
    s, c, u = (np.asarray(x, dtype=np.float64) for x in (sun, cloud, wind))
    return np.asarray(~((s <= 10) | (c >= 5 / 8) | (u >= UNSTABLE_WIND)))


def surely_stable(sun: ArrayLike, cloud: ArrayLike, wind: ArrayLike) -> NDArray[np.bool_]:
    """True where sun (degrees), cloud (share) and 10 m wind (m/s) prove stable air."""
    s, c, u = (np.asarray(x, dtype=np.float64) for x in (sun, cloud, wind))
    return np.asarray((s < 0) & (c < 4 / 8) & (u < STABLE_WIND))


def maybe_stable(sun: ArrayLike, cloud: ArrayLike, wind: ArrayLike) -> NDArray[np.bool_]:
    """True unless sun (degrees), cloud (share) or 10 m wind (m/s) rule stable air out."""
    s, c, u = (np.asarray(x, dtype=np.float64) for x in (sun, cloud, wind))
    return np.asarray(~((s >= 3) | (c >= 4 / 8) | (u >= STABLE_WIND)))


def stability_exponent(sun: ArrayLike, cloud: ArrayLike, wind: ArrayLike,
                       *, neutral: ArrayLike = ALPHA_NEUTRAL) -> Array:  # fmt: skip
    """The power-law exponent for the stability that sun, cloud and 10 m wind suggest.

    Arrays of one shape: degrees, share 0..1, m/s. Stable unless that is ruled out, so an unknown
    sun or cloud gives the largest exponent. Source: from memory.
    """
    exponent = np.where(surely_unstable(sun, cloud, wind), ALPHA_UNSTABLE, neutral)
    return np.where(maybe_stable(sun, cloud, wind), np.maximum(ALPHA_STABLE, neutral), exponent)


# -- Monin-Obukhov similarity --------------------------------------------------------------------


def phi_m(zeta: ArrayLike) -> Array:
    """Dimensionless shear at zeta = z/L, Dyer (1974): (1 - 16 zeta) ** -1/4, or 1 + 5 zeta.

    Not used by a recipe: kept as the reference of :func:`psi_m`, against which that is held as the
    integral of (1 - phi) / zeta.
    """
    x = np.asarray(zeta, dtype=np.float64)
    return np.where(x < 0, (1 - 16 * np.minimum(x, 0)) ** -0.25, 1 + 5 * x)


def phi_h(zeta: ArrayLike) -> Array:
    """Dimensionless heat gradient at zeta = z/L, Dyer (1974): (1 - 16 zeta) ** -1/2, 1 + 5 zeta.

    Not used by a recipe: kept as the reference of :func:`psi_h`, against which that is held as the
    integral of (1 - phi) / zeta.
    """
    x = np.asarray(zeta, dtype=np.float64)
    return np.where(x < 0, (1 - 16 * np.minimum(x, 0)) ** -0.5, 1 + 5 * x)


def psi_m(zeta: ArrayLike) -> Array:
    """Integrated stability term of the wind profile at zeta = z/L.

    Unstable: Paulson (1970). Stable: -5 zeta as far as zeta = 1 (Dyer 1974), beyond it the slope
    of Holtslag & De Bruin (1988), which levels off where Dyer's would run away. Not used by a
    recipe: kept for :func:`similarity_profile`, against which our exponents are held.
    """
    z = np.asarray(zeta, dtype=np.float64)
    x = (1 - 16 * np.minimum(z, 0)) ** 0.25
    unstable = 2 * np.log((1 + x) / 2) + np.log((1 + x * x) / 2) - 2 * np.arctan(x) + np.pi / 2
    return np.where(z < 0, unstable, _psi_stable(z))


def psi_h(zeta: ArrayLike) -> Array:
    """Integrated stability term of the temperature profile at zeta = z/L; sources as psi_m.

    Not used by a recipe: kept as the reference of heat beside :func:`psi_m`, against which that is
    held: heat is mixed no less than the wind.
    """
    z = np.asarray(zeta, dtype=np.float64)
    x = (1 - 16 * np.minimum(z, 0)) ** 0.5
    return np.where(z < 0, 2 * np.log((1 + x) / 2), _psi_stable(z))


def _psi_stable(zeta: Array) -> Array:
    beyond = np.maximum(zeta, 1.0)
    psi: Array = -5 * np.minimum(zeta, 1.0) + _holtslag(beyond) - _holtslag(np.ones_like(beyond))
    return psi


def _holtslag(zeta: Array) -> Array:
    a, b, c, d = 0.7, 0.75, 5.0, 0.35
    psi: Array = -(a * zeta + b * (zeta - c / d) * np.exp(-d * zeta) + b * c / d)
    return psi


def similarity_profile(speed: ArrayLike, from_height: ArrayLike, to_height: ArrayLike,
                       roughness: ArrayLike, obukhov_length: ArrayLike) -> Array:  # fmt: skip
    """Wind speed at ``to_height`` by Monin-Obukhov similarity; lengths in m, L infinite = neutral.

    Holds in the lowest tenth of the boundary layer only: on a clear night that is 5 to 20 m, and
    it must not be used to reach 100 m then. Source: profile with psi(z/L) and psi(z0/L), Paulson
    1970, Dyer 1974. Not used by a recipe: kept as the reference of wind by stability, against which
    the exponents of :func:`stability_exponent` are held.
    """
    z0, length = (np.asarray(x, dtype=np.float64) for x in (roughness, obukhov_length))

    def shape(height: ArrayLike) -> Array:
        z = np.asarray(height, dtype=np.float64)
        return _log_height(z, 0.0, z0) - psi_m(z / length) + psi_m(z0 / length)

    return np.asarray(speed, dtype=np.float64) * shape(to_height) / shape(from_height)
