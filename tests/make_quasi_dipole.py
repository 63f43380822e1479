"""Make wxgate/derive/quasi_dipole.npz: quasi-dipole latitude on a 2-degree grid.

Run by hand when the field model moves on, every few years; it needs ppigrf and aacgmv2:

    python tests/make_quasi_dipole.py 2026-07-01

The quasi-dipole latitude q at height h follows from the apex, the highest point (height H) of the
field line through the place: cos(q)^2 = (R + h) / (R + H) (Richmond 1995, J. Geomag. Geoelectr. 47,
191). Up to 50 degrees the line is traced in the IGRF. Beyond, where lines are long, q comes from
AACGM-v2 latitude a, which takes the same line down to the ground: cos(q)^2 = (1 + h / R) cos(a)^2.
Each checks the other where both hold; near the equator AACGM-v2 is undefined.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

HEIGHT_KM, EARTH_KM = 110.0, 6371.2  # the aurora, and the currents under it, are at this height
STEP, HIGHEST_TRACED = 2.0, 50.0
OUT = Path(__file__).resolve().parents[1] / "wxgate" / "derive" / "quasi_dipole.npz"


def from_aacgm(latitude: np.ndarray, longitude: np.ndarray, epoch: datetime) -> np.ndarray:
    """Quasi-dipole latitude by way of AACGM-v2; NaN near the magnetic equator."""
    import aacgmv2

    aacgm, _, _ = aacgmv2.convert_latlon_arr(
        latitude.ravel(), longitude.ravel(), HEIGHT_KM, epoch, method_code="G2A"
    )
    cosine = np.sqrt(1.0 + HEIGHT_KM / EARTH_KM) * np.cos(np.radians(aacgm))
    with np.errstate(invalid="ignore"):
        found = np.sign(aacgm) * np.degrees(np.arccos(cosine))
    return found.reshape(latitude.shape)


def ground_radius(place: np.ndarray) -> np.ndarray:
    """Radius (km) of the WGS 84 ellipsoid under places (x, y, z along the first axis)."""
    sine = place[2] / np.linalg.norm(place, axis=0)
    return 6378.137 / np.sqrt(1 + (1 / 0.99330562 - 1) * sine**2)


def field_direction(place: np.ndarray, epoch: datetime) -> np.ndarray:
    """Unit vector along the field at geocentric places (x, y, z in km along the first axis)."""
    from ppigrf import igrf_gc

    radius = np.linalg.norm(place, axis=0)
    theta, phi = np.arccos(place[2] / radius), np.arctan2(place[1], place[0])
    radial, south, east = (
        part[0] for part in igrf_gc(radius, np.degrees(theta), np.degrees(phi), epoch)
    )
    flat = radial * np.sin(theta) + south * np.cos(theta)
    field = np.stack([
        flat * np.cos(phi) - east * np.sin(phi),
        flat * np.sin(phi) + east * np.cos(phi),
        radial * np.cos(theta) - south * np.sin(theta),
    ])  # fmt: skip
    return field / np.linalg.norm(field, axis=0)


def height(place: np.ndarray) -> np.ndarray:
    """Height (km) above the ellipsoid, good to 0.1 km."""
    return np.linalg.norm(place, axis=0) - ground_radius(place)


def from_apex(latitude: np.ndarray, longitude: np.ndarray, epoch: datetime) -> np.ndarray:
    """Quasi-dipole latitude by tracing each field line up to its apex (Runge-Kutta, 50 km)."""
    theta = np.arctan(0.99330562 * np.tan(np.radians(latitude)))  # geodetic to geocentric
    phi = np.radians(longitude)
    place = np.stack([np.cos(theta) * np.cos(phi), np.cos(theta) * np.sin(phi), np.sin(theta)])
    place = place * (ground_radius(place) + HEIGHT_KM)
    start = field_direction(place, epoch)
    upward = np.where((start * place).sum(axis=0) >= 0, 1.0, -1.0)
    # The field points down in the magnetic north.
    sign, apex, climbing = -upward, height(place), np.ones(latitude.shape, bool)
    while climbing.any():
        here, way = place[:, climbing], upward[climbing]
        step = 50.0 * way
        one = field_direction(here, epoch)
        two = field_direction(here + step / 2 * one, epoch)
        three = field_direction(here + step / 2 * two, epoch)
        four = field_direction(here + step * three, epoch)
        there = here + step / 6 * (one + 2 * two + 2 * three + four)
        # Between three points the height is a parabola; its top is the apex to a few metres.
        before, after = height(here), height(there)
        middle = height(here + step / 2 * two)
        bend, slope = 2 * (before + after - 2 * middle), 4 * middle - 3 * before - after
        rising = after > before
        with np.errstate(divide="ignore", invalid="ignore"):
            top = np.where((bend < 0) & (slope > 0), before - slope**2 / (4 * bend), before)
        apex[climbing] = np.where(rising, after, np.maximum(top, before))
        place[:, climbing] = there
        climbing[climbing] = rising
    cosine = np.sqrt((EARTH_KM + HEIGHT_KM) / (EARTH_KM + np.maximum(apex, HEIGHT_KM)))
    return sign * np.degrees(np.arccos(cosine))


def table(epoch: datetime) -> tuple[np.ndarray, float]:
    """The table (latitude from -90 up, longitude from -180 up), and how far both ways differ."""
    rows, columns = np.arange(-90.0, 90.0 + STEP, STEP), np.arange(-180.0, 180.0, STEP)
    latitude, longitude = np.meshgrid(rows, columns, indexing="ij")
    magnetic = from_aacgm(latitude, longitude, epoch)
    traced = ~(np.abs(magnetic) > HIGHEST_TRACED)
    apex = from_apex(latitude[traced], longitude[traced], epoch)
    both = np.abs(apex) > 40.0
    apart = float(np.abs(apex - magnetic[traced])[both].max())
    magnetic[traced] = apex
    return magnetic, apart


def main() -> None:
    """Write the table, with where it came from and the date of making."""
    from importlib.metadata import version

    epoch = datetime.fromisoformat(sys.argv[1])
    magnetic, apart = table(epoch)
    about = (
        f"quasi-dipole latitude at {HEIGHT_KM:g} km, epoch {epoch.date()}: IGRF-14 field lines by "
        f"ppigrf {version('ppigrf')} up to {HIGHEST_TRACED:g} degrees, AACGM-v2 by aacgmv2 "
        f"{version('aacgmv2')} beyond; both agree to {apart:.2f} degrees from 40 to 50; "
        f"made on {datetime.now(UTC).date()}"
    )
    hundredths = np.rint(100.0 * magnetic).astype(np.int16)
    np.savez_compressed(OUT, hundredths=hundredths, step=np.float64(STEP), about=np.str_(about))
    print(OUT.stat().st_size, about)


if __name__ == "__main__":
    main()
