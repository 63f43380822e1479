"""One run of a model from the places that serve it: which run, which steps, from where."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from wxgate.errors import DataError
from wxgate.sources.hourly import runs_to_try, steps_of_schedule
from wxgate.sources.place import Place, gone
from wxgate.sources.sampler import Sampler
from wxgate.sources.wanted import Wanted, quantities_of


@dataclass(frozen=True, slots=True)
class Timetable:
    """When a model runs, and which steps a run has (pairs: last hour, every so many hours)."""

    every_h: int
    first_step_after_h: float
    give_up_after_h: float
    schedule: tuple[tuple[int, int], ...]

    def runs(self, now: datetime, first: datetime) -> list[datetime]:
        """Runs worth asking for, newest first."""
        return runs_to_try(
            now,
            first,
            every_h=self.every_h,
            first_step_after_h=self.first_step_after_h,
            give_up_after_h=self.give_up_after_h,
        )

    def steps(self, run: datetime, first: datetime, last: datetime) -> list[int]:
        """The steps around the hours from ``first`` to ``last``."""
        ends = ((when - run).total_seconds() / 3600 for when in (first, last))
        begin, end = (int(hours) for hours in ends)
        return steps_of_schedule(self.schedule, begin, end)


@dataclass(slots=True)
class Fetched:
    """What was had of a run: values at the site by step, the steps asked for, and what to tell."""

    run: datetime
    sampler: Sampler
    steps: list[int]
    notes: list[str] = field(default_factory=list)

    @property
    def missing(self) -> list[int]:
        """Steps that no place had."""
        return [step for step in self.steps if step not in self.sampler.steps]


class RunFetcher:
    """Fetches the newest run whose last needed step is there, from the first place that has it."""

    def __init__(
        self,
        places: Sequence[Place],
        timetable: Timetable,
        make_sampler: Callable[[datetime], Sampler],
        progress: Callable[[int, int, str], None],
    ) -> None:
        self._places = list(places)
        self._timetable, self._make_sampler, self._progress = timetable, make_sampler, progress
        self._faults: list[str] = []

    def fetch(self, now: datetime, first: datetime, last: datetime) -> Fetched:
        """The run; steps that no place has stay out of it. DataError when there is no run.

        A run whose last step lacks something that is wanted (an upload under way, or a field that
        the model gives no more) is only taken when no run within the time is whole.
        """
        runs = self._timetable.runs(now, first)
        for whole in (True, False):
            for run in runs:
                steps = self._timetable.steps(run, first, last)
                found = self._from_last_step(run, steps, whole=whole) if steps else None
                if found is not None:
                    self._fill(found)
                    if run + timedelta(hours=steps[-1]) < last:
                        found.notes.append(f"the run reaches only to its hour {steps[-1]}")
                    return found
        told = "; ".join(dict.fromkeys(self._faults))
        raise DataError(
            f"no run from {runs[-1]:%Y-%m-%d %H} to {runs[0]:%Y-%m-%d %H} UTC could be had"
            + (f" ({told})" if told else ""),
            remedy="Check the network, or try again later.",
        )

    def _from_last_step(self, run: datetime, steps: list[int], *, whole: bool) -> Fetched | None:
        """The run with its last step, from the first place that has it."""
        for place in list(self._places):
            if place not in self._places:
                continue  # its host is gone since
            found = Fetched(run, self._make_sampler(run), steps)
            lacking = self._take(place, found, steps[-1:])
            if not found.sampler.steps or (whole and lacking):
                continue
            if lacking:
                names = ", ".join(quantities_of(lacking))
                found.notes.append(f"the run does not give {names}")
            # The place that has this run serves the rest of it too.
            if place in self._places:
                self._places.remove(place)
                self._places.insert(0, place)
            return found
        return None

    def _fill(self, found: Fetched) -> None:
        for place in list(self._places):
            if found.missing and place in self._places:
                self._take(place, found, found.missing)
        if found.missing:
            told = ", ".join(f"f{step:03d}" for step in found.missing)
            found.notes.append(f"steps of the run {found.run:%Y-%m-%d %H} UTC not there: {told}")
        if not self._places and len(found.missing) > len(found.steps) // 2:
            raise DataError(
                f"most of the run {found.run:%Y-%m-%d %H} UTC could not be had "
                f"({'; '.join(dict.fromkeys(self._faults))})",
                remedy="Check the network, or try again later.",
            )

    def _take(self, place: Place, found: Fetched, steps: Sequence[int]) -> tuple[Wanted, ...]:
        """Ask a place for steps; what the last of them that came lacked of what it should have."""
        sampler = found.sampler
        wanted = [w for w in sampler.wanted if not (w.once and sampler.has(w))]
        lacking: tuple[Wanted, ...] = ()
        for step, answer in place.fetch(found.run, list(steps), wanted):
            try:
                if isinstance(answer, DataError):
                    raise answer
                lacking = tuple(w for w in sampler.add(step, answer) if place.takes(w))
                if step not in sampler.steps:
                    raise DataError(f"f{step:03d} holds nothing that is wanted", where=place.name)
            except DataError as error:
                self._faults.append(str(error).rstrip(". "))
                if gone(error):
                    self._places = [p for p in self._places if p.host != place.host]
                    break
            told = f"{found.run:%Y-%m-%d %H} UTC f{step:03d} from {place.name}"
            self._progress(len(sampler.steps), len(found.steps), told)
        return tuple(w for w in lacking if not (w.once and sampler.has(w)))
