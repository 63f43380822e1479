"""Contract: what a plan says against what local services then send, and that a plan asks nobody.

How much a message weighs in the invented services is their own affair, so each test weighs one step
first and gives the endpoints that weight; what is tested is which messages, files, steps and boxes
are counted. Where sidecars are kept the plan must be exact to the byte.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import gfs_service
import hrrr_service
import icon_service
import pytest
import test_ecmwf
import test_hrrr
import test_icon
import test_metno
from local_server import LocalServer
from model_stage import Stage

from wxgate.cache import Cache
from wxgate.errors import DataError
from wxgate.sources import ecmwf, gfs, hrrr, icon, metno
from wxgate.sources.base import Plan, Request
from wxgate.sources.registry import ENSEMBLES, INDICES, MODELS, source

pytestmark = pytest.mark.contract

TOLERANCE = 0.15
#: No sidecar tells the length of a file's last message, which these are made of.
BUT_THE_LAST = frozenset(gfs.SOURCE.gives) - {"surface_upward_sensible_heat_flux"}


def near(planned: int, sent: int) -> None:
    assert sent > 0
    assert abs(planned - sent) <= TOLERANCE * sent, (planned, sent)


# ---------------------------------------------------------------------- GFS


@pytest.fixture
def world() -> Iterator[Stage]:
    with LocalServer() as server, LocalServer() as other:
        stage = Stage(
            gfs.SOURCE, server, other, gfs_service.RUN + timedelta(hours=5), (50.0, 8.0), 6
        )
        nomads = gfs_service.Nomads()
        stage.nomads = nomads  # type: ignore[attr-defined]
        server.handler("/cgi/filter", nomads.answer)
        files = [gfs_service.make_file(gfs_service.RUN, step) for step in range(5, 12)]
        for file in files:
            nomads.add(file)
        gfs_service.serve_mirror(server, "/aws", files)
        crop = stage.entry["crop"]
        crop |= {
            "scripts": [stage.crop_url("/cgi/filter")], "cell_deg": gfs_service.CELL,
        }  # fmt: skip
        crop["also"] = {**crop["also"], "TCDC": 0}  # of the invented one only instants
        whole = len(files[0].content) / len(files[0].messages) / 1000
        stage.entry["sizes"] = {"sidecar": len(files[0].sidecar) / 1000, "usual": whole}
        stage.entry["merge_gap_bytes"] = 1
        yield stage


def weigh_crop(stage: Stage, **changes: Any) -> None:
    """Fetch one hour, and take the mean message of it as the endpoints' weight."""
    stage.fetch(hours=1, **changes)
    cropped = [len(r) for r in _messages_sent(stage)]
    stage.entry["crop"]["message"] = {"head": sum(cropped) / len(cropped), "point": 0}
    stage.server.bytes_sent = 0


def _messages_sent(stage: Stage) -> list[bytes]:
    """The messages that the crop script would send for the first request that it saw."""
    asked = next(seen for seen in stage.server.requests if seen.path == "/cgi/filter")
    answer = stage.nomads.answer(dict(asked.query))  # type: ignore[attr-defined]
    content, found = answer.content, []
    while content:
        length = int.from_bytes(content[8:16], "big")  # GRIB2, section 0: octets 9 to 16
        found.append(content[:length])
        content = content[length:]
    return found


def request_of(stage: Stage, **changes: Any) -> Request:
    asked = Request(*stage.place, start=stage.now, hours=stage.hours, now=stage.now)
    return replace(asked, **changes)


def planned(stage: Stage, **changes: Any) -> Plan:
    assert stage.source.plan is not None
    before = len(stage.server.requests)
    plan = stage.source.plan(request_of(stage, **changes), stage.tools())
    assert len(stage.server.requests) == before, "a plan asks nobody"
    return plan


def test_gfs_by_crop(world: Stage, tmp_path: Path) -> None:
    weigh_crop(world.order("crop"))
    world.cache = Cache(tmp_path)
    plan = planned(world)
    assert (plan.run, plan.steps) == (gfs_service.RUN, tuple(range(5, 12)))
    assert (plan.requests, plan.exact, plan.kept) == (7, False, 0)
    world.fetch()
    near(plan.size, world.server.bytes_sent)
    again = planned(world)
    assert (again.requests, again.size, again.exact) == (0, 0, True)
    assert again.kept == world.server.bytes_sent


def test_a_crop_of_a_part_of_it_is_planned_smaller(world: Stage) -> None:
    world.order("crop")
    some = frozenset({"air_temperature", "wind_speed_of_gust"})
    weigh_crop(world, wanted=some)
    plan = planned(world, wanted=some)
    world.fetch(wanted=some)
    near(plan.size, world.server.bytes_sent)
    assert plan.size < planned(world).size / 4


def test_gfs_from_a_mirror_about_then_exactly(world: Stage, tmp_path: Path) -> None:
    world.order("aws").cache = Cache(tmp_path)
    first = planned(world)
    assert not first.exact
    # A brief that needs one field brings the sidecars of its steps.
    world.fetch(wanted=frozenset({"air_temperature"}))
    near(planned(world).size, first.size)
    plan = planned(world, wanted=BUT_THE_LAST)
    assert plan.exact
    before = world.server.bytes_sent
    world.fetch(wanted=BUT_THE_LAST)
    assert plan.size == world.server.bytes_sent - before
    world.fetch()
    near(first.size, world.server.bytes_sent)
    done = planned(world)
    assert (done.size, done.exact) == (0, True)
    assert done.kept > 0


def test_the_other_places_stand_behind_the_first(world: Stage) -> None:
    plan = planned(world.order("crop", "aws", "google"))
    assert [errand.what for errand in plan.errands] == ["crop"]
    assert [errand.what for errand in plan.otherwise] == ["aws", "google"]
    assert all(errand.size > plan.size for errand in plan.otherwise)


def test_the_manners_of_a_service_are_counted(world: Stage) -> None:
    world.order("crop").endpoints["services"] = {
        **world.endpoints["services"], "nomads": {"connections": 1, "min_interval_s": 10},
    }  # fmt: skip
    assert planned(world).seconds == pytest.approx(70)


# ---------------------------------------------------------------------- the other models

stage = test_hrrr.stage
ecmwf_stage = test_ecmwf.stage
icon_stage = test_icon.stage


@pytest.mark.parametrize("order", ["crop", "aws"])
def test_hrrr_with_its_quarters(stage: Stage, tmp_path: Path, order: str) -> None:
    stage.order(order).cache = Cache(tmp_path)
    # The runs after this one are not on the server.
    stage.entry["runs"] = {**stage.entry["runs"], "first_step_after_h": 3}
    if order == "aws":
        stage.fetch(wanted=frozenset({"air_temperature", "visibility_in_air"}))
    stage.entry["merge_gap_bytes"] = 1
    before = stage.server.bytes_sent
    # As above, of the hourly files and of those of quarters.
    last = {"atmosphere_boundary_layer_thickness", "lwe_precipitation_rate"}
    some = frozenset(hrrr.SOURCE.gives) - last
    plan = planned(stage, wanted=some)
    assert (plan.run, plan.steps) == (hrrr_service.RUN, tuple(range(3, 9)))
    stage.fetch(wanted=some)
    sent = stage.server.bytes_sent - before
    if order == "aws":
        assert plan.exact
        assert plan.size == sent
    else:
        assert plan.requests == 6 + 5
        assert planned(stage, wanted=some).size == 0


def test_hrrr_outside_its_domain(stage: Stage) -> None:
    with pytest.raises(DataError, match="outside"):
        hrrr.SOURCE.plan(replace(request_of(stage), latitude=50.0, longitude=8.0), stage.tools())  # type: ignore[misc]


def test_ecmwf_about_then_exactly(ecmwf_stage: Any, tmp_path: Path) -> None:
    stage = ecmwf_stage
    stage.cache = Cache(tmp_path)
    asked = Request(*test_ecmwf.WET, start=test_ecmwf.NOW, hours=test_ecmwf.HOURS,
                    now=test_ecmwf.NOW)  # fmt: skip
    seen = len(stage.aws.requests)
    about = ecmwf.plan(asked, stage.tools())
    assert len(stage.aws.requests) == seen
    assert not about.exact
    stage.fetch(wanted=frozenset({"air_temperature", "surface_altitude"}))
    plan = ecmwf.plan(asked, stage.tools())
    before = stage.aws.bytes_sent
    stage.fetch()
    assert plan.exact
    assert plan.size == stage.aws.bytes_sent - before


def test_icon_with_its_grid(icon_stage: Any, tmp_path: Path) -> None:
    stage = icon_stage
    stage.cache = Cache(tmp_path)
    weights = [len(icon_service.message(row, icon_service.RUN, 4)) for row in icon_service.SINGLE]
    grid = [len(icon_service.message(row, icon_service.RUN, 0)) for row in icon_service.STILL]
    still = {name: sum(grid) / len(grid) / 1000 for name in ("CLAT", "CLON", "HSURF", "HHL")}
    stage.endpoints["icon-eu"]["sizes"] = {"usual": sum(weights) / len(weights) / 1000, **still}
    asked = Request(*test_icon.NORTH, start=test_icon.NOW, hours=test_icon.HOURS, now=test_icon.NOW)
    plan = icon.plan_eu(asked, stage.tools())
    assert stage.server.requests == []
    stage.fetch()
    near(plan.size, stage.server.bytes_sent)
    again = icon.plan_eu(asked, stage.tools())
    assert (again.size, again.requests) == (0, 0)
    assert again.kept > 0


# ---------------------------------------------------------------------- small files


def polled(bench: Any, module: Any, fetch: Any, request: Request, now: Any) -> None:
    """Without a copy about what the endpoints say; with one about its size; fresh nothing."""
    plan = module.plan(request, bench.tools())
    assert bench.server.requests == []
    assert plan.requests >= 1
    assert not plan.exact
    fetch(bench)
    sent = bench.server.bytes_sent
    fresh = module.plan(request, bench.tools())
    assert (fresh.requests, fresh.size) == (0, 0)
    assert fresh.kept == sent
    later = module.plan(replace(request, now=now + timedelta(days=1)), bench.tools())
    assert later.size > 0
    return


def test_a_file_of_met_norway(server: LocalServer, tmp_path: Path) -> None:
    test_metno.Service(server)
    bench = test_metno.Bench(
        "metno", server, Cache(tmp_path), root=test_metno.PATH.rsplit("/", 1)[0]
    )
    asked = test_metno.ask(test_metno.NOW, 4, 47.05, 8.31, start=test_metno.START)
    polled(bench, metno, test_metno.fetch, asked, test_metno.NOW)
    later = metno.plan(replace(asked, now=test_metno.NOW + timedelta(hours=2)), bench.tools())
    near(later.size, server.bytes_sent)
    bench.endpoints["contact"] = ""
    with pytest.raises(DataError, match="contact"):
        metno.plan(asked, bench.tools())


def test_every_source_of_a_brief_can_be_planned() -> None:
    for table in (MODELS, INDICES):
        assert all(source(name, table).plan is not None for name in table)
    assert all(source(name, ENSEMBLES).plan is None for name in ENSEMBLES)
