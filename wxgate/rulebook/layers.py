"""Several packs to one rulebook: layers, loosening, and the hash of it all.

A later layer adds rules, so it can only tighten: the worst grade counts. Where it means to loosen
a rule of an earlier layer, it must name that rule and say why, and what it loosened is told in
every report. Nothing loosens the law.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from wxgate.rulebook.model import Condition, Layer, Minima, Practice, Rule, Rulebook, Substitute
from wxgate.rulebook.pack import Pack
from wxgate.strictyaml import Faults, Place, nearest


def combine(packs: Sequence[Pack], minima: Sequence[Minima], faults: Faults) -> Rulebook:
    """One rulebook of all packs, the same whatever their order; faults are noted."""
    packs = sorted(packs, key=lambda pack: (pack.layer.order, pack.name, pack.version, pack.file))
    entries = [(rule, place, pack) for pack in packs for rule, place in pack.rules]
    _refuse_twins(entries, faults)
    dropped: set[tuple[str, str]] = set()
    told: dict[tuple[str, str], str] = {}
    for rule, place, pack in entries:
        if rule.id not in pack.loosens:
            continue
        target, because = pack.loosens[rule.id]
        found = [r for r, _, p in entries if r.id == target and p.layer.order < pack.layer.order]
        if _may_loosen(rule, place, target, found, entries, faults):
            dropped.update((r.layer, r.id) for r in found)
            layers = " and ".join(dict.fromkeys(r.layer for r in found))
            told[rule.layer, rule.id] = f"{target} ({layers}) loosened by {pack.layer}: {because}"
    kept = _with_own_ids(
        [
            replace(rule, loosened=told.get((rule.layer, rule.id)))
            for rule, _, _ in entries
            if (rule.layer, rule.id) not in dropped
        ]
    )
    substitutes = tuple(s for pack in packs for s in pack.substitutes)
    practice = _practice(packs, faults)
    content = _content(kept, substitutes, practice)
    return Rulebook(
        name=" + ".join(dict.fromkeys(pack.name for pack in packs)),
        rules=kept,
        substitutes=substitutes,
        practice=practice,
        hash=hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest(),
        layers=tuple(dict.fromkeys(f"{p.layer}: {p.name} {p.version}" for p in packs)),
        loosened=tuple(rule.loosened for rule in kept if rule.loosened is not None),
        minima=tuple(minima),
    )


def _refuse_twins(entries: Sequence[tuple[Rule, Place, Pack]], faults: Faults) -> None:
    """In one layer an id stands once: which of two would be meant?"""
    seen: dict[tuple[Layer, str], Place] = {}
    for rule, place, pack in entries:
        key = (pack.layer, rule.id)
        if key in seen:
            faults.add(
                place,
                f"the id {rule.id!r} a second time in the layer {pack.layer}",
                f"each id once a layer (see {seen[key]})",
                "give it another id, or another layer",
            )
        seen.setdefault(key, place)


def _may_loosen(
    rule: Rule,
    place: Place,
    target: str,
    found: Sequence[Rule],
    entries: Sequence[tuple[Rule, Place, Pack]],
    faults: Faults,
) -> bool:
    before = len(faults)
    if not found:
        known = [r.id for r, _, p in entries if p.layer.order < Layer(rule.layer).order]
        faults.add(
            place,
            f"{rule.id!r} loosens {target!r}, which no earlier layer has",
            "only a rule of an earlier layer can be loosened",
            nearest(target, known),
        )
    for other in found:
        if other.layer == Layer.LAW:
            faults.add(
                place,
                f"{rule.id!r} loosens {target!r}, which is law ({other.where})",
                "law is never loosened",
                "delete 'loosens'; the rule then applies beside the law",
            )
        if (other.quantity, other.word.upward) != (rule.quantity, rule.word.upward):
            faults.add(
                place,
                f"{rule.id!r} is on {rule.quantity} {rule.word}, but {target!r} is on"
                f" {other.quantity} {other.word}",
                "a rule is loosened by one on the same quantity and side",
                f"write 'quantity: {other.quantity}' and 'word: {other.word}'",
            )
    return len(faults) == before


def _with_own_ids(rules: Sequence[Rule]) -> tuple[Rule, ...]:
    """The id of a later layer's rule that repeats an earlier one's gets its layer before it."""
    taken: set[str] = set()
    named = []
    for rule in rules:
        own = replace(rule, id=f"{rule.layer}/{rule.id}") if rule.id in taken else rule
        taken.add(own.id)
        named.append(own)
    return tuple(named)


def _practice(packs: Sequence[Pack], faults: Faults) -> Mapping[str, Practice]:
    """The practice figures; a later layer's figure of the same name replaces the earlier one."""
    found: dict[str, Practice] = {}
    layer_of: dict[str, Layer] = {}
    for pack in packs:
        for figure, place in pack.practice:
            if layer_of.get(figure.name) is pack.layer:
                faults.add(
                    place, f"the practice figure {figure.name!r} a second time in its layer",
                    "each name once a layer", "delete one of the two",
                )  # fmt: skip
            found[figure.name] = figure
            layer_of[figure.name] = pack.layer
    return found


# ---------------------------------------------------------------------- the hash


def _content(
    rules: Sequence[Rule], substitutes: Sequence[Substitute], practice: Mapping[str, Practice]
) -> Any:
    """All that grading and reports take from the rulebook, in an order of its own."""
    return {
        "rules": sorted((_plain_rule(rule) for rule in rules), key=lambda r: str(r["id"])),
        "substitutes": sorted((_plain_substitute(s) for s in substitutes), key=json.dumps),
        "practice": {
            n: [p.value, p.unit, p.because, p.source, *p.row] for n, p in practice.items()
        },
    }


def _plain_rule(rule: Rule) -> dict[str, Any]:
    return {
        "id": rule.id,
        "quantity": rule.quantity,
        "word": rule.word.value,
        "limits": {grade.word: limit.plain() for grade, limit in rule.limits.items()},
        "when": _plain_conditions(rule.when),
        "missing": "note" if rule.missing is None else rule.missing.word,
        "missing-because": rule.missing_because,
        "missing-when": _plain_conditions(rule.missing_when),
        "hours": [rule.before, rule.after],
        "because": rule.because,
        "source": rule.source,
        "layer": rule.layer,
        "loosened": rule.loosened,
    }


def _plain_substitute(substitute: Substitute) -> list[Any]:
    return [
        substitute.quantity,
        substitute.origin,
        substitute.cap.word,
        _plain_conditions(substitute.when),
        substitute.because,
        substitute.source,
        substitute.layer,
    ]


def _plain_conditions(conditions: Sequence[Condition]) -> list[Any]:
    return sorted(
        (
            [c.quantity, c.word and c.word.value, c.figure, c.absolute, c.aircraft,
             sorted(c.skills), sorted(c.months), c.seasonal]
            for c in conditions
        ),
        key=json.dumps,
    )  # fmt: skip
