"""Which rules the hours of a forecast put to work; one that none does has only its own proofs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby

from wxgate.derive.run import derive
from wxgate.forecast import Forecast, to_datetime
from wxgate.grade import Graded, grade, with_age
from wxgate.profiles import Aircraft, Site, Skill
from wxgate.rulebook import Rule, Rulebook, Substitute
from wxgate.verdict import Grade

#: What a rule can make of an hour: one of the grades by its value, or its value is missing.
WORDS = (
    *(grade.word for grade in (Grade.GO, Grade.MARGINAL, Grade.NO_GO, Grade.UNKNOWN)),
    "missing",
)

#: Flight heights to try, m above ground: low, usual, and near most legal ceilings.
HEIGHTS = (20.0, 60.0, 100.0)

Tally = dict[str, Counter[str]]


@dataclass(frozen=True, slots=True)
class Cast:
    """Who flies what, and how high (m above ground)."""

    aircraft: Aircraft
    skill: Skill
    height: float


def every_cast(fleet: Iterable[Aircraft], heights: Iterable[float]) -> tuple[Cast, ...]:
    """All aircraft with all skills at all heights."""
    levels = tuple(heights)
    return tuple(Cast(a, skill, z) for a in fleet for z in levels for skill in Skill)


def tally(
    forecast: Forecast,
    rulebook: Rulebook,
    site: Site,
    casts: Iterable[Cast],
    hours: slice = slice(None, -1),
) -> Tally:
    """For each rule and substitute how many hours it gave which of :data:`WORDS`, by its name.

    ``forecast`` is one for a site and not derived yet; ``hours`` are those of its axis that
    count, all that have both ends unless told otherwise. The forecast is as old as at the first
    of them, or new if a run is later. A rule that applied to no hour has an empty count.
    """
    counts: Tally = {}
    for rule in rulebook.rules:
        counts[name_of(rule)] = Counter()
    for substitute in rulebook.substitutes:
        counts[name_of(substitute)] = Counter()
    runs = [p.run for p in forecast.provenance if p.run is not None]
    now = max([to_datetime(forecast.time[hours][0]), *runs])
    for (aircraft, height), same in groupby(casts, key=lambda cast: (cast.aircraft, cast.height)):
        derived = derive(forecast, site=site, aircraft=aircraft, height=height)
        aged = with_age(derived, now)
        for cast in same:
            graded = grade(
                aged,
                rulebook,
                aircraft=aircraft,
                skill=cast.skill,
                height=height,
                latitude=site.latitude,
            )
            _add(counts, graded, hours)
    return counts


def _add(counts: Tally, graded: Graded, hours: slice) -> None:
    for outcome in graded.outcomes:
        applies, missing = outcome.applies[hours], outcome.missing[hours]
        told = outcome.codes[hours][applies & ~missing]
        found = counts[name_of(outcome.rule)]
        found["missing"] += int(missing.sum())
        for grade_given in Grade:
            found[grade_given.word] += int((told == grade_given).sum())


def name_of(rule: Rule | Substitute) -> str:
    """The id of a rule; of a substitute the quantity and what stood in for it."""
    return rule.id if isinstance(rule, Rule) else f"{rule.quantity}: {rule.origin}"


def added(tallies: Iterable[Tally]) -> Tally:
    """Several tallies of one rulebook as one."""
    total: Tally = {}
    for one in tallies:
        for name, counts in one.items():
            total.setdefault(name, Counter()).update(counts)
    return total


def triggered(counts: Mapping[str, int]) -> bool:
    """Whether a value passed a limit, or a substitute capped an hour; a missing value does not."""
    return any(counts.get(word, 0) for word in WORDS if word not in ("go", "missing"))


def coverage_lines(found: Tally) -> Iterator[str]:
    """The rules that nothing triggered, each with what it gave instead."""
    idle = {name: counts for name, counts in found.items() if not triggered(counts)}
    yield f"{len(found) - len(idle)} of {len(found)} rules and substitutes triggered"
    for name, counts in sorted(idle.items()):
        gave = ", ".join(f"{word} {counts[word]}" for word in WORDS if counts.get(word))
        yield f"  not triggered: {name} ({gave or 'applied to no hour'})"
