"""Running the proofs of a rule: one value, one pilot, one aircraft, one grade.

This is the meaning of a rule written as plainly as can be, for one number at a time. The grader
does the same for whole forecasts; the tests hold the two against each other.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product
from math import nan

from wxgate.profiles import Aircraft, Skill
from wxgate.rulebook.limits import Array, ByBand
from wxgate.rulebook.model import Condition, Rule, Substitute, passes
from wxgate.strictyaml import Faults, Place
from wxgate.verdict import Grade

#: What a rule can make of an hour besides the grades.
NOTE = "note"
NOT_APPLYING = "does not apply"
OUTCOMES = (*(grade.word for grade in Grade), NOTE, NOT_APPLYING)


@dataclass(frozen=True, slots=True)
class Instant:
    """One moment for one pilot and one aircraft."""

    value: float  #: of the rule's quantity, NaN when missing
    skill: Skill
    aircraft: Aircraft
    others: Mapping[str, float] = field(default_factory=dict)
    month: int | None = None
    latitude: float = nan

    def constant(self, name: str) -> float | None:
        """A quantity that does not change with time."""
        return self.others.get(name)


@dataclass(frozen=True, slots=True)
class Proof:
    """What a rule must make of a value; no skill or no aircraft named means every one."""

    place: Place
    value: float | None  #: None in the proof of a substitute; NaN is missing
    outcome: str
    skills: tuple[Skill, ...] = tuple(Skill)
    aircraft: str | None = None
    others: Mapping[str, float] = field(default_factory=dict)
    month: int | None = None
    latitude: float = nan


@dataclass(frozen=True, slots=True)
class Fleet:
    """The aircraft that proofs are tried with.

    ``reference`` are tried by every proof that names none, and decide whether limits are in order;
    they are a fixed few, so that a user's new aircraft never makes a good rules file fail.
    ``own`` are the user's, which proofs may name; of one id the reference counts.
    """

    reference: Mapping[str, Aircraft]
    own: Mapping[str, Aircraft] = field(default_factory=dict)

    @property
    def named(self) -> Mapping[str, Aircraft]:
        """All that a proof may name."""
        return {**self.own, **self.reference}


def holds(condition: Condition, at: Instant, *, if_missing: bool = True) -> bool:
    """Whether a condition holds; what cannot be told counts as ``if_missing``."""
    if condition.quantity is not None:
        value = at.others.get(condition.quantity, nan)
        return bool(condition.met(value, if_missing=if_missing))
    if condition.months:
        months = condition.months_at(at.latitude)
        return if_missing if at.month is None else at.month in months
    return condition.for_whom(at.skill, at.aircraft)


def applies(conditions: Sequence[Condition], at: Instant, *, if_missing: bool = True) -> bool:
    """Whether all conditions hold."""
    return all(holds(condition, at, if_missing=if_missing) for condition in conditions)


def outcome(rule: Rule, at: Instant) -> str:
    """What a rule makes of a moment: the word of a grade, a note, or that it does not apply."""
    limits = {
        grade: limit
        for grade, kind in rule.limits.items()
        if (limit := kind.resolve(at.skill, at.aircraft, at.constant)) is not None
    }
    if not limits or not applies(rule.when, at):
        return NOT_APPLYING
    if at.value != at.value:
        if not applies(rule.missing_when, at, if_missing=False):
            return Grade.UNKNOWN.word
        return NOTE if rule.missing is None else rule.missing.word
    passed = (g for g, limit in limits.items() if passes(rule.word, at.value, float(limit)))
    return max(passed, default=Grade.GO).word


def substitute_outcome(substitute: Substitute, at: Instant) -> str:
    """What a substitute makes of a moment in which it was used."""
    return substitute.cap.word if applies(substitute.when, at) else NOT_APPLYING


# ---------------------------------------------------------------------- proofs of one rule


def run_proofs(
    rule: Rule | Substitute,
    proofs: Sequence[Proof],
    place: Place,
    fleet: Fleet,
    faults: Faults,
) -> None:
    """Note a fault for each proof that fails and for each outcome that no proof shows."""
    crafts = _aircraft_for(rule, fleet)
    if not crafts:
        faults.add(
            place,
            "the rule depends on a figure of the aircraft, and no aircraft is known",
            "",
            "give the folder of the aircraft files",
        )
        return
    before = len(faults)
    for proof in proofs:
        _run(rule, proof, fleet, crafts, faults)
    if len(faults) > before:
        return  # a failing proof may be the one that is missing below
    shown = {(p.outcome, p.value is not None and p.value != p.value) for p in proofs}
    for wanted, is_missing in _to_show(rule):
        if (wanted, is_missing) not in shown:
            value = "missing" if is_missing else "a value"
            faults.add(
                place,
                f"no proof of {rule_name(rule)} shows {wanted!r} for {value}",
                "each outcome that can be reached must be shown",
                f"add a proof with 'grade: {wanted}'",
            )


def rule_name(rule: Rule | Substitute) -> str:
    """How faults call a rule or a substitute."""
    return rule.id if isinstance(rule, Rule) else f"{rule.quantity} {rule.origin}"


def _to_show(rule: Rule | Substitute) -> Iterator[tuple[str, bool]]:
    """The outcomes to be shown, and whether for a missing value."""
    if rule.when:
        yield NOT_APPLYING, False
    if isinstance(rule, Substitute):
        yield rule.cap.word, False
        return
    yield Grade.GO.word, False
    for grade in rule.limits:
        yield grade.word, False
    yield NOTE if rule.missing is None else rule.missing.word, True
    if rule.missing_when:
        yield Grade.UNKNOWN.word, True


def _run(
    rule: Rule | Substitute,
    proof: Proof,
    fleet: Fleet,
    crafts: Sequence[Aircraft],
    faults: Faults,
) -> None:
    chosen = crafts if proof.aircraft is None else [fleet.named[proof.aircraft]]
    skills = proof.skills if _skilled(rule) else proof.skills[:1]
    for skill, craft in product(skills, chosen):
        value = nan if proof.value is None else proof.value
        at = Instant(value, skill, craft, proof.others, proof.month, proof.latitude)
        found = outcome(rule, at) if isinstance(rule, Rule) else substitute_outcome(rule, at)
        if found != proof.outcome:
            who = f"{skill.value} with {craft.id}"
            faults.add(
                proof.place,
                f"the proof says {proof.outcome!r}, but {rule_name(rule)} gives {found!r}"
                f" for {who}",
                "",
                "mend the limit, or the proof; where they differ by skill or aircraft, name it",
            )
            return


def _skilled(rule: Rule | Substitute) -> bool:
    limits = rule.limits.values() if isinstance(rule, Rule) else ()
    conditions = rule.when if isinstance(rule, Substitute) else (*rule.when, *rule.missing_when)
    return any(limit.skilled for limit in limits) or any(c.skills for c in conditions)


def _aircraft_for(rule: Rule | Substitute, fleet: Fleet) -> list[Aircraft]:
    """The aircraft to try: each of the reference when the rule looks at them, else any one."""
    limits = rule.limits.values() if isinstance(rule, Rule) else ()
    conditions = rule.when if isinstance(rule, Substitute) else (*rule.when, *rule.missing_when)
    if any(limit.figure for limit in limits) or any(c.aircraft for c in conditions):
        return list(fleet.reference.values())
    return [_ANY]


#: Stands in where the aircraft does not matter: no figure of it is looked at.
_ANY = Aircraft("any", "any", 1.0, 10.0, 0.5, 263.15, 313.15, 10.0)


# ---------------------------------------------------------------------- order of the limits


def check_order(rule: Rule, place: Place, fleet: Fleet, faults: Faults) -> None:
    """Note a fault when a milder grade's limit lies beyond a worse grade's, for anyone known."""
    order = sorted(rule.limits)
    crafts = _aircraft_for(rule, fleet)
    bands = sorted(
        {start for limit in rule.limits.values() if isinstance(limit, ByBand)
         for start in limit.starts}
    )  # fmt: skip
    for skill, craft, band in product(Skill, crafts, bands or [0.0]):
        if not all(condition.for_whom(skill, craft) for condition in rule.when):
            continue
        resolved = [
            (grade, float(limit))
            for grade in order
            if (limit := _resolve_in_band(rule, grade, skill, craft, band)) is not None
        ]
        for (mild, first), (worse, second) in pairwise(resolved):
            laxer = first > second if rule.word.upward else first < second
            if laxer:
                faults.add(
                    place,
                    f"{mild.word} {rule.word} {first:g} is laxer than {worse.word} {rule.word}"
                    f" {second:g} (for {skill.value} with {craft.id})",
                    f"the {mild.word} limit must be reached first",
                    "exchange the two limits or mend one",
                )
                return


def _resolve_in_band(
    rule: Rule, grade: Grade, skill: Skill, craft: Aircraft, band: float
) -> float | Array | None:
    return rule.limits[grade].resolve(skill, craft, lambda _: band)
