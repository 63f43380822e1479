"""What wxgate takes for granted of the point services: who may ask, names, units, shapes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from wxgate.sources import metno, nws, openmeteo
from wxgate.sources.pointjson import member, read_object
from wxgate.sources.probe.look import Assumption, Look
from wxgate.sources.probe.service import (
    answers,
    can_be_read,
    fetched,
    gives,
    has_headers,
    tells_its_run,
    unchanged_is_304,
    units_known,
)

_WIND = ("eastward_wind", "northward_wind")


def _cell_is_told(look: Look) -> str | None:
    answers(nws.SOURCE)(look)
    if not look.bodies:
        fetched(nws.SOURCE)(look)
    found = member(read_object(look.bodies[0].content), "properties")
    absent = [n for n in ("gridId", "gridX", "gridY") if member(found, n) is None]
    return f"without {', '.join(absent)}" if absent else None


POINT_ASSUMPTIONS: Mapping[str, Sequence[Assumption]] = {
    "metno": (
        Assumption("it serves a caller who names a contact", answers(metno.SOURCE)),
        Assumption("its answer has the form that is known", can_be_read(metno.SOURCE)),
        Assumption("units are known", units_known(metno.SOURCE)),
        Assumption(
            "wind, temperature, dew point and rain are told",
            gives(metno.SOURCE, (*_WIND, "air_temperature", "dew_point_temperature", metno.RAIN)),
        ),
        Assumption("it tells when it was made", tells_its_run(metno.SOURCE)),
        Assumption(
            "it says when to ask again", has_headers(metno.SOURCE, "Expires", "Last-Modified")
        ),
        Assumption("what is unchanged is answered with 304", unchanged_is_304(metno.SOURCE)),
    ),
    "nws": (
        Assumption("it serves a caller who says who is calling", answers(nws.SOURCE)),
        Assumption("the cell of a point is told", _cell_is_told),
        Assumption("the grid has the form that is known", can_be_read(nws.SOURCE)),
        Assumption("units (uom) are known", units_known(nws.SOURCE)),
        Assumption(
            "wind, gust, temperature, dew point, cloud and rain are told",
            gives(
                nws.SOURCE,
                (*_WIND, "wind_speed_of_gust", "air_temperature", "dew_point_temperature",
                 "cloud_area_fraction", nws.RAIN),
            ),
        ),
        Assumption("it tells when it was made", tells_its_run(nws.SOURCE)),
    ),
    "openmeteo": (
        Assumption("it serves", answers(openmeteo.SOURCE)),
        Assumption("its answer has the form that is known", can_be_read(openmeteo.SOURCE)),
        Assumption("units are known", units_known(openmeteo.SOURCE)),
        Assumption(
            "wind, gust, visibility, temperatures, CAPE and rain are told",
            gives(
                openmeteo.SOURCE,
                (*_WIND, "wind_speed_of_gust", "visibility_in_air", "air_temperature",
                 "dew_point_temperature", "convective_available_potential_energy",
                 "lwe_thickness_of_precipitation_amount"),
            ),
        ),
        Assumption("the runs of its models are told", tells_its_run(openmeteo.SOURCE)),
    ),
}  # fmt: skip
