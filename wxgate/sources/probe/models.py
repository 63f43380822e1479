"""What wxgate takes for granted of the models' files: addresses, sidecars, fields, grids."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from wxgate.sources import ecmwf, ecmwf_ens, gefs, gfs, hrrr, icon
from wxgate.sources.base import Source
from wxgate.sources.gridmodel import Member
from wxgate.sources.probe.grids import Grids
from wxgate.sources.probe.look import Assumption
from wxgate.sources.probe.triangles import Triangles
from wxgate.sources.wanted import Wanted


def _state(wanted: Wanted) -> bool:
    return wanted.statistic is None and not wanted.once


def _once(wanted: Wanted) -> bool:
    return wanted.once


def _summed(wanted: Wanted) -> bool:
    return wanted.statistic in (0, 1)


def _maximum(wanted: Wanted) -> bool:
    return wanted.statistic == 2


def _sidecars(grids: Grids, what: str) -> tuple[Assumption, ...]:
    return (
        Assumption("a run of the last day is at its address", grids.is_there),
        Assumption(f"its {what} can be read", grids.can_be_read),
        Assumption("the fields of an instant are listed by their names", grids.lists(_state)),
    )


def _cropped(grids: Grids) -> tuple[Assumption, ...]:
    return (
        Assumption("the crop script answers with GRIB", grids.crop_answers),
        Assumption("the crop holds all that is read, by number", grids.crop_is_whole),
        Assumption("its points are those of the grid", grids.cells),
    )


_GFS, _HRRR = Grids(gfs.SOURCE), Grids(hrrr.SOURCE)
_QUARTERS = Grids(hrrr.SOURCE, product=hrrr.QUARTERS)
_CONTROL = Grids(gefs.SOURCE, member=Member("c00", 0, ("ENS=low-res ctl",)))
_FIRST = Grids(gefs.SOURCE, product=gefs.ALOFT, member=Member("p01", 1, ("ENS=+1",)))
_ECMWF = Grids(ecmwf.SOURCE, ecmwf.open_model)
_ENSEMBLE = Grids(ecmwf_ens.SOURCE, ecmwf.open_model, member=Member("", 1, ()))


def _dwd(source: Source) -> tuple[Assumption, ...]:
    tree = Triangles(source)
    return (
        Assumption("runs are listed in a page", tree.listing),
        Assumption("a file is at its address and what it is called", tree.pattern),
        Assumption("it is on triangles that have a UUID", tree.triangles),
        Assumption("the coordinates are of the same grid", tree.coordinates),
        Assumption("every parameter that is read has a file", tree.parameters),
    )


MODEL_ASSUMPTIONS: Mapping[str, Sequence[Assumption]] = {
    "gfs": (
        *_sidecars(_GFS, "sidecar"),
        Assumption("sums and means begin anew every 6 h", _GFS.lists(_summed)),
        Assumption("terrain and roughness are listed", _GFS.lists(_once)),
        *_cropped(_GFS),
        Assumption("ceilings lie above sea level, and so above ground", _GFS.ceiling),
    ),
    "hrrr": (
        *_sidecars(_HRRR, "sidecar"),
        Assumption("the rain of the last hour is listed", _HRRR.lists(_summed)),
        Assumption("the largest wind of the hour is listed", _HRRR.lists(_maximum)),
        Assumption("a file of quarters is at its address", _QUARTERS.is_there),
        Assumption("quarters are told in minutes", _QUARTERS.lists(_state)),
        *_cropped(_HRRR),
    ),
    "gefs": (
        *_sidecars(_CONTROL, "sidecar"),
        Assumption("sums and means begin anew every 6 h", _CONTROL.lists(_summed)),
        Assumption("the coarser file has winds aloft, of a member", _FIRST.lists(_state)),
    ),
    "ecmwf": (
        *_sidecars(_ECMWF, "index"),
        Assumption("totals from the run's start are listed", _ECMWF.lists(_summed)),
        Assumption("the gust goes by a name that is known", _ECMWF.lists(_maximum)),
        # Somewhere on earth it has always rained since the run began: 0.5 mm to 1 m, our bounds.
        Assumption(
            "rain is in metres or millimetres, told by its size",
            _ECMWF.largest("lwe_thickness_of_precipitation_amount", ((0.0005, 1.0), (5.0, 1000.0))),
        ),
    ),
    "ecmwf-ens": (
        *_sidecars(_ENSEMBLE, "index"),
        Assumption(
            "the index has all members",
            _ENSEMBLE.members(lambda look: look.entry.whole("members")),
        ),
    ),
    "icon-eu": _dwd(icon.EU),
    "icon-d2": _dwd(icon.D2),
}  # fmt: skip
