"""One run of a model from the places that serve it: which run, which steps, from where."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from wxgate.errors import DataError
from wxgate.sources.hourly import runs_to_try, steps_of_schedule
from wxgate.sources.place import Place, gone
from wxgate.sources.sampler import Sampler
from wxgate.sources.wanted import Wanted, quantities_of


@dataclass(frozen=True, slots=True)
class Timetable:
    """When a model runs, and which steps a run has (pairs: last hour, every so many hours).

    ``of_hour``: the steps of runs that reach less or further than the others, by their hour.
    """

    every_h: int
    first_step_after_h: float
    give_up_after_h: float
    schedule: tuple[tuple[int, int], ...]
    of_hour: Mapping[int, tuple[tuple[int, int], ...]] = field(default_factory=dict)

    def runs(self, now: datetime, first: datetime, last: datetime) -> list[datetime]:
        """Runs worth asking for, those that reach the last hour first, then newest first.

        All begin at or before ``first``.
        """
        runs = runs_to_try(
            now,
            first,
            every_h=self.every_h,
            first_step_after_h=self.first_step_after_h,
            give_up_after_h=self.give_up_after_h,
        )
        return sorted(runs, key=lambda run: min(self._end(run), last), reverse=True)

    def steps(self, run: datetime, first: datetime, last: datetime) -> list[int]:
        """The steps around the hours from ``first`` (or the run's begin) to ``last``."""
        ends = ((when - run).total_seconds() / 3600 for when in (first, last))
        begin, end = (int(hours) for hours in ends)
        return steps_of_schedule(self._schedule(run), max(begin, 0), end)

    def _schedule(self, run: datetime) -> tuple[tuple[int, int], ...]:
        return self.of_hour.get(run.hour, self.schedule)

    def _end(self, run: datetime) -> datetime:
        return run + timedelta(hours=max((until for until, _ in self._schedule(run)), default=0))


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
        gone: set[str] | None = None,
    ) -> None:
        self._gone = set() if gone is None else gone  #: hosts that are left alone, also by others
        self._places = [place for place in places if place.host not in self._gone]
        self._timetable, self._make_sampler, self._progress = timetable, make_sampler, progress
        self._faults: list[tuple[str, DataError]] = []  #: the place, and what went wrong there

    def fetch(
        self, now: datetime, first: datetime, last: datetime, needed: datetime | None = None
    ) -> Fetched:
        """The run; steps that no place has stay out of it. DataError when there is no run.

        It begins at or before ``needed`` (None: ``first``).
        A run whose last step lacks something that is wanted (an upload under way, or a field that
        the model gives no more) is only taken when no run within the time is whole.
        """
        runs = self._timetable.runs(now, first if needed is None else needed, last)
        for whole in (True, False):
            for run in runs:
                steps = self._timetable.steps(run, first, last)
                found = self._from_last_step(run, steps, whole=whole) if steps else None
                if found is not None:
                    self._fill(found)
                    if run + timedelta(hours=steps[-1]) < last:
                        found.notes.append(f"the run reaches only to its hour {steps[-1]}")
                    return found
        told = self._told()
        raise DataError(
            f"no run from {min(runs):%Y-%m-%d %H} to {max(runs):%Y-%m-%d %H} UTC could be had"
            + (f" ({told})" if told else ""),
            remedy=self._remedy(),
        )

    def fetch_run(self, run: datetime, steps: list[int]) -> Fetched:
        """These steps of this run, the last one first; DataError when no place has that."""
        if not self._places:
            raise DataError("no place is left to be asked", remedy=self._remedy())
        found = self._from_last_step(run, steps, whole=False)
        if found is None:
            raise DataError(
                f"the run {run:%Y-%m-%d %H} UTC is not there to its hour {steps[-1]}"
                + (f" ({told})" if (told := self._told()) else ""),
                remedy=self._remedy(),
            )
        self._fill(found)
        return found

    def _from_last_step(self, run: datetime, steps: list[int], *, whole: bool) -> Fetched | None:
        """The run with its last step, from the first place that has it."""
        for place in list(self._places):
            if place not in self._places:
                continue  # its host is gone since
            try:
                found = Fetched(run, self._make_sampler(run), steps)
            except DataError as error:
                self._blame(place, error)
                return None
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
                f"most of the run {found.run:%Y-%m-%d %H} UTC could not be had ({self._told()})",
                remedy=self._remedy(),
            )

    def _blame(self, place: Place, error: DataError) -> bool:
        """Note the fault of a place; whether its host is to be left alone from now on."""
        self._faults.append((place.name, error))
        if gone(error):
            self._gone.add(place.host)
            self._places = [p for p in self._places if p.host != place.host]
        return gone(error)

    def _told(self) -> str:
        """What went wrong, once for each place, however many files and runs were asked for."""
        by_place: dict[str, dict[str, None]] = {}
        for name, error in self._faults:
            by_place.setdefault(name, {})[error.what.rstrip(". ")] = None
        by_fault: dict[str, list[str]] = {}
        for name, whats in by_place.items():
            by_fault.setdefault(", ".join(whats), []).append(name)
        return "; ".join(f"{', '.join(names)}: {told}" for told, names in by_fault.items())

    def _remedy(self) -> str:
        """The remedy of the faults where they have but one, else the general one."""
        remedies = {error.remedy for _, error in self._faults if error.remedy}
        return remedies.pop() if len(remedies) == 1 else "Check the network, or try again later."

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
                if self._blame(place, error):
                    break
            told = f"{found.run:%Y-%m-%d %H} UTC f{step:03d} from {place.name}"
            self._progress(len(sampler.steps), len(found.steps), told)
        return tuple(w for w in lacking if not (w.once and sampler.has(w)))
