"""The real forecasts with what was observed, and their split into training and a later test."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from wxgate.verify import Cases

KELVIN = 273.15


def split(cases: Cases, share: float = 2 / 3) -> tuple[Cases, Cases]:
    """The first part of the time, and what comes after it; no instant lies in both."""
    assert cases.time is not None
    instants = np.unique(cases.time)
    later = cases.time >= instants[int(len(instants) * share)]
    return cases.take(~later), cases.take(later)


def innsbruck_temperature(folder: Path) -> Iterator[tuple[str, Cases]]:
    """GEFS reforecasts of 18 to 30 h, 11 members, at Innsbruck airport; degC."""
    frame = pd.read_csv(folder / "gefs_innsbruck_temp.csv")
    members, time = frame.filter(like="tempfc").to_numpy(), pd.to_datetime(frame.valid_utc)
    for limit, event in ((0.0, "below"), (5.0, "above"), (10.0, "above")):
        yield (
            f"Innsbruck temperature {event} {limit:g} degC",
            Cases.of_ensemble(members, limit, frame.temp, event=event, time=time),
        )


def innsbruck_rain(folder: Path) -> Iterator[tuple[str, Cases]]:
    """GEFS reforecasts of 5 to 8 days, 11 members, three-day rain at Innsbruck airport; mm."""
    frame = pd.read_csv(folder / "gefs_innsbruck_rain3day_5-8d.csv")
    members, time = frame.filter(like="rainfc").to_numpy(), pd.to_datetime(frame.date)
    for limit in (0.0, 1.0, 5.0, 10.0, 20.0):
        yield (
            f"Innsbruck 3-day rain above {limit:g} mm",
            Cases.of_ensemble(members, limit, frame.rain, time=time),
        )


def northwest_rain(folder: Path) -> Iterator[tuple[str, Cases]]:
    """University of Washington, 9 models of 48 h, 24-hour precipitation; hundredths of an inch."""
    frame = pd.read_csv(folder / "uwme_prcpDJ_2002.csv.gz")
    time = pd.to_datetime(frame.dates.astype(str))
    for limit in (0.0, 5.0, 25.0, 50.0):
        yield (
            f"Northwest 24-h rain above {limit / 100:g} in",
            Cases.of_ensemble(frame.iloc[:, :9].to_numpy(), limit, frame.observations, time=time),
        )


def northwest_temperature(folder: Path) -> Iterator[tuple[str, Cases]]:
    """University of Washington, 8 models of 48 h, 2 m temperature at many stations; K."""
    frame = pd.read_csv(folder / "uwme_srft_2004.csv.gz")
    time = pd.to_datetime(frame.date.astype(str), format="%Y%m%d%H")
    for limit, event in ((0.0, "below"), (5.0, "above")):
        yield (
            f"Northwest temperature {event} {limit:g} degC",
            Cases.of_ensemble(
                frame.iloc[:, :8].to_numpy(), limit + KELVIN, frame.observation, event=event,
                time=time, station=frame.station,
            ),
        )  # fmt: skip


def two_airports(folder: Path) -> Iterator[tuple[str, Cases]]:
    """University of Washington, 8 models of 48 h, two airports, one winter (66 cases)."""
    frame = pd.read_csv(folder / "uwme_ensBMAtest_2007-08.csv")
    time = pd.to_datetime(frame.vdate.astype(str), format="%Y%m%d%H")
    for name, limit, told in (
        ("MAXWSP10", 5.0, "largest wind above 5 m/s"),
        ("MAXWSP10", 7.0, "largest wind above 7 m/s"),
        ("T2", 5.0 + KELVIN, "temperature above 5 degC"),
    ):
        columns = [c for c in frame if c.startswith(f"{name}.") and not c.endswith("obs")]
        yield (
            f"Two airports, {told}",
            Cases.of_ensemble(
                frame[columns].to_numpy(), limit, frame[f"{name}.obs"],
                time=time, station=frame.station,
            ),
        )  # fmt: skip


def tampere(folder: Path) -> Iterator[tuple[str, Cases]]:
    """Finnish Meteorological Institute, probabilities of daily rain for Tampere, 2003."""
    frame = pd.read_csv(folder / "fmi_pop3_tampere_2003.csv")
    time = pd.to_datetime({"year": frame.yyyy, "month": frame.mm, "day": frame.dd})
    for lead in (24, 48):
        some = (frame[f"p{lead}_cat1"] + frame[f"p{lead}_cat2"]).clip(0, 1)
        much = frame[f"p{lead}_cat2"]
        for told, p, least in ((">= 0.3 mm", some, 0.2), (">= 4.5 mm", much, 4.4)):
            rained = (frame.obs > least).astype(float).where(frame.obs.notna())
            yield f"Tampere {lead} h, rain {told}", Cases.of_probabilities(p, rained, time=time)


Set = Callable[[Path], Iterator[tuple[str, Cases]]]
SETS: tuple[Set, ...] = (
    innsbruck_temperature, innsbruck_rain, northwest_rain, northwest_temperature, two_airports,
    tampere,
)  # fmt: skip


def all_sets(shared: Path, sets: Sequence[Set] = SETS) -> Iterator[tuple[str, Cases]]:
    """Every set (or those given) with every limit, by name."""
    for one in sets:
        yield from one(shared / "obs" / "calib")
