"""The part of the earth that a regional model covers, known before anything is fetched."""

from __future__ import annotations

from wxgate.errors import DataError
from wxgate.grid import Grid, ProjectedGrid, lambert_cone
from wxgate.sources.endpoints import Entry


def read_shape(entry: Entry) -> tuple[int, int] | None:
    """Rows and columns of a model's whole field; None where the entry tells no domain."""
    if "domain" not in entry.content:
        return None
    domain = entry.entry("domain")
    return domain.whole("rows"), domain.whole("columns")


def read_lambert(domain: Entry) -> ProjectedGrid:
    """The Lambert conformal grid that a ``domain`` describes; degrees and metres."""
    south, north = domain.number("south_parallel"), domain.number("north_parallel")
    origin, meridian = domain.number("origin_latitude"), domain.number("central_longitude")
    step = domain.number("step_m")
    return ProjectedGrid(
        f"+proj=lcc +lat_1={south!r} +lat_2={north!r} +lat_0={origin!r} +lon_0={meridian!r} "
        f"+R={domain.number('earth_radius_m')!r}",
        domain.number("first_latitude"),
        domain.number("first_longitude"),
        x_step=step,
        y_step=step,
        rows=domain.whole("rows"),
        columns=domain.whole("columns"),
        cone=lambert_cone(south, north),
        central_longitude=meridian,
    )


def check_domain(grid: Grid, title: str, latitude: float, longitude: float) -> None:
    """DataError for a site that the model does not cover."""
    try:
        grid.nearest(latitude, longitude)
    except DataError as error:
        raise DataError(
            f"the site {latitude:.4f} {longitude:.4f} lies outside the {title} domain",
            remedy="Choose a source that covers the site, such as gfs.",
        ) from error
