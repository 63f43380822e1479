"""Contract: the demonstration is what its README says, read back by a path that is not wxgate's.

The bytes are read with ecCodes directly; expected values are those of the story in
``cached_forecasts/README.md`` (chosen by us). The writer of the bytes is held to ecCodes, the
heights of the levels to MetPy, the layout to real files of the GFS.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path

import hypothesis.strategies as st
import make_demonstration as maker
import numpy as np
import pyproj  # noqa: F401  (loaded before ecCodes: the other order crashes at exit)
import pytest
from eccodes import (
    codes_get_array,
    codes_get_long,
    codes_get_values,
    codes_new_from_message,
    codes_release,
)
from grib2_writer import Product, message
from hypothesis import given, settings

pytestmark = pytest.mark.contract

FOLDER = Path(__file__).resolve().parents[1] / "cached_forecasts"
RUN = FOLDER / "gfs.20260915" / "00" / "atmos"
STEPS = range(1, 57)
LINE = re.compile(r"(\d+):(\d+):d=2026091500:([A-Z]+):([^:]+):([^:]+):")

#: discipline-category-number by element, NCEP's and WMO's tables (from memory for the local ones).
NUMBERS = {
    "VIS": (0, 19, 0), "GUST": (0, 2, 22), "HGT": (0, 3, 5), "TMP": (0, 0, 0), "DPT": (0, 0, 6),
    "UGRD": (0, 2, 2), "VGRD": (0, 2, 3), "PRES": (0, 3, 0), "PRATE": (0, 1, 7),
    "APCP": (0, 1, 8), "ACPCP": (0, 1, 10), "SHTFL": (0, 0, 11), "CRAIN": (0, 1, 192),
    "CFRZR": (0, 1, 193), "CICEP": (0, 1, 194),
    "CSNOW": (0, 1, 195), "SFCR": (2, 0, 1), "CAPE": (0, 7, 6), "CIN": (0, 7, 7),
    "LCDC": (0, 6, 3), "TCDC": (0, 6, 1), "HPBL": (0, 3, 196),
}  # fmt: skip
SURFACES = {
    "surface": (1, 0), "cloud ceiling": (215, 0), "low cloud layer": (214, 0),
    "entire atmosphere": (10, 0),
}  # fmt: skip


@dataclass(frozen=True)
class Read:
    """One message as ecCodes reads it, with its line of the sidecar."""

    element: str
    level: str
    window: str
    content: bytes
    values: np.ndarray
    keys: dict[str, int]


KEYS = (
    "edition", "discipline", "centre", "subCentre", "tablesVersion", "localTablesVersion",
    "significanceOfReferenceTime", "productionStatusOfProcessedData", "typeOfProcessedData",
    "dataDate", "dataTime", "gridDefinitionTemplateNumber", "shapeOfTheEarth",
    "resolutionAndComponentFlags", "scanningMode", "Ni", "Nj", "iDirectionIncrement",
    "jDirectionIncrement", "latitudeOfFirstGridPoint", "longitudeOfFirstGridPoint",
    "productDefinitionTemplateNumber", "parameterCategory", "parameterNumber",
    "typeOfGeneratingProcess", "backgroundProcess", "generatingProcessIdentifier",
    "hoursAfterDataCutoff", "indicatorOfUnitOfTimeRange", "forecastTime",
    "typeOfFirstFixedSurface", "scaledValueOfFirstFixedSurface", "typeOfSecondFixedSurface",
    "dataRepresentationTemplateNumber", "binaryScaleFactor", "orderOfSpatialDifferencing",
    "groupSplittingMethodUsed", "missingValueManagementUsed", "bitMapIndicator",
    "typeOfOriginalFieldValues",
)  # fmt: skip
INTERVAL_KEYS = (
    "typeOfStatisticalProcessing", "lengthOfTimeRange", "dayOfEndOfOverallTimeInterval",
    "hourOfEndOfOverallTimeInterval",
)  # fmt: skip


def path(step: int) -> Path:
    return RUN / f"gfs.t00z.pgrb2.0p25.f{step:03d}"


def sidecar(step: int) -> Path:
    return path(step).with_name(path(step).name + ".idx")


def decoded(content: bytes) -> tuple[np.ndarray, dict[str, int]]:
    handle = codes_new_from_message(content)
    try:
        keys = {key: codes_get_long(handle, key) for key in KEYS}
        if keys["productDefinitionTemplateNumber"] == 8:
            keys |= {key: codes_get_long(handle, key) for key in INTERVAL_KEYS}
        return codes_get_values(handle).reshape(keys["Nj"], keys["Ni"]), keys
    finally:
        codes_release(handle)


def cut(step: int) -> Iterator[tuple[re.Match[str], bytes]]:
    """The lines of a sidecar with the bytes that they point at."""
    content = path(step).read_bytes()
    lines = [LINE.fullmatch(line) for line in sidecar(step).read_text().splitlines()]
    found = [line for line in lines if line]
    assert len(found) == len(lines), "a line of another form"
    offsets = [int(line[2]) for line in found]
    ends = [*offsets[1:], len(content)]
    for line, start, end in zip(found, offsets, ends, strict=True):
        yield line, content[start:end]


@cache
def read(step: int) -> tuple[Read, ...]:
    return tuple(Read(line[3], line[4], line[5], part, *decoded(part)) for line, part in cut(step))


def box(step: int, element: str, level: str = "surface", window: str = "") -> np.ndarray:
    window = window or f"{step} hour fcst"
    found = [m for m in read(step) if (m.element, m.level, m.window) == (element, level, window)]
    return found[0].values


def at(step: int, element: str, level: str = "surface") -> float:
    """The value at the field, the middle point of the box."""
    return float(box(step, element, level)[4, 4])


def wind(step: int, level: str) -> tuple[float, float]:
    """Speed and direction at the field."""
    u, v = at(step, "UGRD", level), at(step, "VGRD", level)
    return float(np.hypot(u, v)), float(np.degrees(np.arctan2(-u, -v)) % 360)


def bucket_start(step: int) -> int:
    return (step - 1) // 6 * 6


def bucket(step: int) -> np.ndarray:
    return box(step, "APCP", window=f"{bucket_start(step)}-{step} hour acc fcst")


def spread(step: int) -> float:
    return at(step, "TMP", "2 m above ground") - at(step, "DPT", "2 m above ground")


def base_above_ground(step: int) -> float | None:
    ceiling = at(step, "HGT", "cloud ceiling")
    return None if ceiling == 20000.0 else ceiling - at(step, "HGT")


# ------------------------------------------------------------------------------------ the bytes


def test_the_maker_writes_the_same_bytes_again(tmp_path: Path) -> None:
    maker.make(tmp_path)
    made = {p.relative_to(tmp_path): p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    kept = {p.relative_to(FOLDER): p.read_bytes() for p in FOLDER.rglob("*") if p.is_file()}
    kept = {name: content for name, content in kept.items() if len(name.parts) > 1}
    assert made.keys() == kept.keys()
    assert [name for name in made if made[name] != kept[name]] == []


def test_size_and_names() -> None:
    files = [p for p in FOLDER.rglob("*") if p.is_file()]
    assert sum(p.stat().st_size for p in files) < 2_500_000
    assert {p.name for p in RUN.iterdir()} == {
        f"gfs.t00z.pgrb2.0p25.f{step:03d}{end}" for step in STEPS for end in ("", ".idx")
    }
    assert "invented" in (FOLDER / "README.md").read_text()


@pytest.mark.parametrize("step", STEPS)
def test_every_offset_points_at_a_whole_message(step: int) -> None:
    numbers = []
    for line, content in cut(step):
        numbers.append(int(line[1]))
        assert content[:4] == b"GRIB"
        assert content[7] == 2
        assert int.from_bytes(content[8:16], "big") == len(content)
        assert content[-4:] == b"7777"
    assert numbers == list(range(1, 65))


@pytest.mark.parametrize("step", STEPS)
def test_the_lines_say_what_the_messages_are(step: int) -> None:
    for m in read(step):
        k = m.keys
        assert (k["discipline"], k["parameterCategory"], k["parameterNumber"]) == NUMBERS[m.element]
        assert (k["dataDate"], k["dataTime"]) == (20260915, 0)
        assert (k["typeOfFirstFixedSurface"], k["scaledValueOfFirstFixedSurface"]) == surface(m)
        assert (k["Ni"], k["Nj"]) == (9, 9)
        assert (k["latitudeOfFirstGridPoint"], k["longitudeOfFirstGridPoint"]) == (
            53_000_000,
            357_500_000,
        )
        if k["productDefinitionTemplateNumber"] == 0:
            assert m.window == f"{step} hour fcst"
            assert k["forecastTime"] == step
        else:
            check_interval(m, step)


def surface(m: Read) -> tuple[int, int]:
    if m.level.endswith(" mb"):
        return 100, 100 * int(m.level.removesuffix(" mb"))
    if m.level.endswith(" m above ground"):
        return 103, int(m.level.removesuffix(" m above ground"))
    return SURFACES[m.level]


def check_interval(m: Read, step: int) -> None:
    k = m.keys
    begin, end, unit, word = re.fullmatch(
        r"(\d+)-(\d+) (hour|day) (acc|ave) fcst", m.window
    ).groups()  # type: ignore[union-attr]
    hours = 24 if unit == "day" else 1
    assert (int(begin) * hours, int(end) * hours) == (k["forecastTime"], step)
    assert k["lengthOfTimeRange"] == step - k["forecastTime"]
    assert k["typeOfStatisticalProcessing"] == {"ave": 0, "acc": 1}[word]
    closing = datetime(2026, 9, 15) + timedelta(hours=step)  # noqa: DTZ001  (UTC, as in GRIB)
    assert k["dayOfEndOfOverallTimeInterval"] == closing.day
    assert k["hourOfEndOfOverallTimeInterval"] == closing.hour


def test_the_middle_point_is_the_field() -> None:
    handle = codes_new_from_message(read(4)[0].content)
    assert codes_get_array(handle, "latitudes").reshape(9, 9)[4, 4] == 52.0
    assert codes_get_array(handle, "longitudes").reshape(9, 9)[4, 4] == 358.5
    codes_release(handle)


def test_packed_as_the_operational_messages(shared_data: Path) -> None:
    """Against a real one of the GFS (10 m wind of 2019-01-06 12 UTC, template 5.3)."""
    _, real = decoded(first_message(shared_data / "forecast/gfs/template5_3.grib2"))
    ours = next(m for m in read(6) if (m.element, m.level) == ("UGRD", "10 m above ground")).keys
    place = {"dataDate", "dataTime", "Ni", "Nj", "iDirectionIncrement", "jDirectionIncrement",
             "latitudeOfFirstGridPoint", "longitudeOfFirstGridPoint"}  # fmt: skip
    assert {k: v for k, v in ours.items() if k not in place} == {
        k: v for k, v in real.items() if k not in place
    }


def test_intervals_as_in_the_operational_messages(shared_data: Path) -> None:
    """Against a real mean over 24-27 h of the GFS (2025-01-29 06 UTC), octet by octet."""
    real = first_message(shared_data / "forecast/gfs/gfs_1p00_dswrf-dlwrf_20250129T06_f027.grib2")
    ours = next(m.content for m in read(27) if m.element == "PRATE" and "ave" in m.window)
    differing = {i for i, (a, b) in enumerate(zip(section(real, 4), section(ours, 4), strict=True))
                 if a != b}  # fmt: skip
    # Category and number, then the end of the interval (year to hour).
    assert differing <= {9, 10, *range(34, 39)}


def first_message(file: Path) -> bytes:
    content = file.read_bytes()
    return content[: int.from_bytes(content[8:16], "big")]


def section(content: bytes, number: int) -> bytes:
    at_octet = 16
    while content[at_octet + 4] != number:
        at_octet += int.from_bytes(content[at_octet : at_octet + 4], "big")
    return content[at_octet : at_octet + int.from_bytes(content[at_octet : at_octet + 4], "big")]


def test_the_sidecar_has_the_words_of_a_real_one(shared_data: Path) -> None:
    """Step 7 against the complete sidecar of the GFS run 2025-08-01 00 UTC."""
    real = (shared_data / "forecast/index/20250801/gfs.t00z.pgrb2.0p25.f007.idx").read_text()
    tails = {line.split(":", 3)[3] for line in real.splitlines()}
    ours = sidecar(7).read_text().splitlines()
    missing = [line for line in ours if line.split(":", 3)[3] not in tails]
    assert missing == []


fields = st.one_of(
    st.lists(st.integers(-(10**6), 10**6), min_size=81, max_size=81),
    st.lists(st.integers(0, 1), min_size=81, max_size=81),
    st.tuples(st.integers(-9, 9), st.integers(-9, 9)).map(
        lambda s: [s[0] + s[1] * i for i in range(81)]
    ),
)


@given(fields, st.integers(0, 7))
@settings(max_examples=200, deadline=None)
def test_what_is_written_is_read(whole: list[int], decimals: int) -> None:
    """The writer against ecCodes: any field comes back to the decimals that are kept."""
    values = (np.array(whole, dtype=float) / 10.0**decimals).reshape(9, 9)
    content = message(Product(0, 0, 0, 103, 2, decimals), maker.GRID, maker.RUN, 6, values)
    found, _ = decoded(content)
    np.testing.assert_allclose(found, values, rtol=1e-12, atol=1e-15)


# ------------------------------------------------------------------------------------ the rain


def test_twin_messages_until_the_first_bucket_ends() -> None:
    for step in STEPS:
        windows = [m.window for m in read(step) if m.element == "APCP"]
        assert len(windows) == 2
        assert (windows[0] == windows[1]) == (step <= 6)


def test_whole_days_are_told_in_days() -> None:
    assert [m.window for m in read(24) if m.element == "APCP"] == [
        "18-24 hour acc fcst",
        "0-1 day acc fcst",
    ]
    assert [m.window for m in read(48) if m.element == "APCP"] == [
        "42-48 hour acc fcst",
        "0-2 day acc fcst",
    ]


def test_buckets_restart_and_add_up() -> None:
    """Sums of full buckets give the total; the mean rate gives the bucket."""
    total, before = np.zeros((9, 9)), np.zeros((9, 9))
    for step in STEPS:
        amount = bucket(step)
        since = bucket_start(step)
        if step - since > 1:
            assert np.all(amount >= before)
        before = amount
        whole = [m for m in read(step) if m.element == "APCP"][1].values
        np.testing.assert_allclose(total + amount, whole, atol=0.05)
        mean = box(step, "PRATE", window=f"{since}-{step} hour ave fcst")
        np.testing.assert_allclose(mean * 3600 * (step - since), amount, atol=0.007)
        if step % 6 == 0:
            total = total + amount
    assert total.max() > 3.0


def hourly() -> dict[int, np.ndarray]:
    """The amount in the hour that ends at a step: by the rule of the six-hour buckets."""
    return {
        step: bucket(step) if step % 6 == 1 else bucket(step) - bucket(step - 1) for step in STEPS
    }


def test_showers_from_17_to_20_and_wet_neighbours_before() -> None:
    amounts = hourly()
    at_field = {step: round(float(a[4, 4]), 2) for step, a in amounts.items()}
    wet = {step: a for step, a in at_field.items() if a >= 0.1}
    assert set(wet) == {18, 19, 20}
    assert all(0.4 <= a <= 3.0 for a in wet.values())
    assert amounts[16].max() > 1.0  # one to two hours before, elsewhere in the box
    assert np.argmax(amounts[16].max(axis=0)) < 4  # ... to the west
    assert 0.2 < np.mean(amounts[18] >= 0.1) < 0.8  # never all of the box
    assert all(np.all(amounts[step] == 0.0) for step in (*range(1, 14), *range(26, 57)))


def test_rain_flags_follow_the_rate() -> None:
    for step in STEPS:
        np.testing.assert_array_equal(box(step, "CRAIN") == 1, box(step, "PRATE") > 0)
        assert not any(box(step, flag).any() for flag in ("CSNOW", "CFRZR", "CICEP"))
    assert at(18, "CRAIN") == at(19, "CRAIN") == 1


# ------------------------------------------------------------------------------------ the story


def test_foggy_dawn() -> None:
    for step in (4, 5, 6, 7):
        assert 200 <= at(step, "VIS") <= 400
        assert spread(step) == pytest.approx(0.2, abs=0.011)
        assert 0.5 <= wind(step, "10 m above ground")[0] <= 1.0
        assert 40 < (base_above_ground(step) or 0) < 70
    assert at(8, "VIS") < 1000 < 24000 < at(9, "VIS")


def test_good_mid_morning() -> None:
    for step in (9, 10, 11):
        assert 1.99 <= wind(step, "10 m above ground")[0] <= 2.5
        assert 3.5 <= at(step, "GUST") <= 4.3
        assert 3.4 < spread(step) < 7.0
        assert at(step, "VIS") == 24135
        assert base_above_ground(step) is None
        assert at(step, "LCDC", "low cloud layer") < 50


def test_gusty_afternoon() -> None:
    for step in (13, 14, 15, 16):
        assert 4.99 <= wind(step, "10 m above ground")[0] <= 6.0
        assert 9.0 <= at(step, "GUST") <= 11.0
        assert at(step, "HPBL") >= 1100
        assert at(step, "CAPE") >= 200
    assert at(18, "CAPE") == 500


def test_clear_night() -> None:
    for step in range(22, 31):
        assert at(step, "TCDC", "entire atmosphere") < 20
        assert base_above_ground(step) is None
        assert spread(step) > 2.5


def test_calm_dawn_under_a_jet() -> None:
    for step in (28, 29, 30, 31):
        low, from_low = wind(step, "10 m above ground")
        jet, from_jet = wind(step, "100 m above ground")
        assert 1.0 <= low <= 1.51
        assert at(step, "GUST") <= 2.61
        assert 8.5 <= wind(step, "80 m above ground")[0] <= jet <= 10.0
        assert from_jet - from_low == pytest.approx(35, abs=3.5)
        for level in ("975 mb", "950 mb"):
            assert wind(step, level)[0] > jet
    assert wind(30, "10 m above ground")[1] + 35 == pytest.approx(
        wind(30, "100 m above ground")[1], abs=0.5
    )


def test_the_jet_mixes_down_and_the_day_is_windy() -> None:
    assert wind(34, "10 m above ground")[0] > 5.0
    assert wind(34, "100 m above ground")[0] < wind(30, "100 m above ground")[0]
    assert at(36, "GUST") > 10.0
    assert at(44, "GUST") <= 5.0


# ------------------------------------------------------------------------------------ the physics


@pytest.mark.parametrize("step", STEPS)
def test_what_must_hold_everywhere(step: int) -> None:
    assert np.all(box(step, "DPT", "2 m above ground") <= box(step, "TMP", "2 m above ground"))
    speed = np.hypot(box(step, "UGRD", "10 m above ground"), box(step, "VGRD", "10 m above ground"))
    assert np.all(box(step, "GUST") >= speed)
    assert np.all(box(step, "CIN") <= 0)
    assert np.all(box(step, "LCDC", "low cloud layer") <= box(step, "TCDC", "entire atmosphere"))
    ceiling, ground = box(step, "HGT", "cloud ceiling"), box(step, "HGT")
    assert np.all((ceiling == 20000) | (ceiling > ground))
    np.testing.assert_array_equal(ceiling < 20000, box(step, "LCDC", "low cloud layer") >= 50)


def test_wind_turns_and_changes_smoothly() -> None:
    """From level to level and from hour to hour, as air does and mistyped tables do not."""
    levels = ("10 m above ground", "50 m above ground", "100 m above ground", "975 mb", "950 mb",
              "925 mb", "900 mb", "850 mb")  # fmt: skip
    vectors = np.array([
        [[at(step, component, level) for component in ("UGRD", "VGRD")] for level in levels]
        for step in STEPS
    ])  # fmt: skip
    turning = np.angle(vectors[..., 0] + 1j * vectors[..., 1], deg=True)
    for axis in (0, 1):
        turns = np.abs((np.diff(turning, axis=axis) + 180) % 360 - 180)
        assert turns.max() < 26
        assert np.abs(np.diff(vectors, axis=axis)).max() < 8
    assert np.abs(np.diff(vectors, axis=0)).max() < 3.1


@pytest.mark.parametrize("step", [5, 12, 19, 30, 38])
def test_heights_of_the_levels_by_metpy(step: int) -> None:
    """MetPy's hypsometric thickness, from surface pressure and the temperatures in the file."""
    from metpy.calc import thickness_hydrostatic
    from metpy.units import units

    names = ("975 mb", "950 mb", "925 mb", "900 mb", "850 mb")
    low = ("2 m above ground", "100 m above ground")
    # 100 m lies between the surface and 975 hPa; its pressure is not in the file.
    mean = 0.5 * sum(at(step, "TMP", level) for level in low)
    ground = at(step, "PRES")
    at_100_m = ground * np.exp(-100 * 9.80665 / (287.05 * mean))
    pressure = [ground, at_100_m, *(100.0 * float(name.removesuffix(" mb")) for name in names)]
    temperature = [at(step, "TMP", level) for level in (*low, *names)]
    for i, name in enumerate(names):
        found = thickness_hydrostatic(
            pressure[: i + 3] * units.Pa, temperature[: i + 3] * units.kelvin
        ).magnitude
        assert at(step, "HGT", name) - at(step, "HGT") == pytest.approx(found, abs=2.0)


# ------------------------------------------------------------------------------------ the K index


def test_k_index_file() -> None:
    file = FOLDER / "swpc" / "products" / "noaa-planetary-k-index-forecast.json"
    rows = json.loads(file.read_bytes())
    starts = [datetime.fromisoformat(row["time_tag"]) for row in rows]
    assert {b - a for a, b in pairwise(starts)} == {timedelta(hours=3)}
    assert len(rows) == 81  # as many as the service's own file has
    present = [row for row in rows if row["time_tag"] >= "2026-09-15"]
    assert sorted(row["kp"] for row in present)[-2:] == [3.0, 4.33]
    unsettled = next(row for row in rows if row["kp"] == 4.33)
    assert (unsettled["time_tag"], unsettled["observed"]) == ("2026-09-16T00:00:00", "predicted")
    thirds = [row["kp"] * 3 for row in rows]
    assert thirds == pytest.approx([round(t) for t in thirds], abs=0.011)
    kinds = [row["observed"] for row in rows]
    assert kinds == ["observed"] * 57 + ["estimated"] * 7 + ["predicted"] * 17
