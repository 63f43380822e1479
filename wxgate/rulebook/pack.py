"""One rules file: its nodes to rules, substitutes and practice figures, every fault noted.

The file is long because every node of a pack is read by one reader, which gathers the faults.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from wxgate.quantities import QUANTITIES, Quantity
from wxgate.rulebook.limits import Limit
from wxgate.rulebook.model import Condition, Layer, Practice, Rule, Substitute, Word
from wxgate.rulebook.proof import Fleet, Proof, check_order, run_proofs
from wxgate.rulebook.read_condition import read_conditions
from wxgate.rulebook.read_limit import read_limit
from wxgate.rulebook.read_parts import (
    check_keys,
    items_of,
    keep,
    one_or_more,
    read_amount,
    read_day,
    read_neighbours,
    read_quantity,
    read_source,
    read_version,
    take,
)
from wxgate.rulebook.read_proof import read_proofs
from wxgate.rulebook.words import (
    DERIVATION,
    DERIVES,
    LIMIT_KEYS,
    ORIGINS,
    PRACTICE_KEYS,
    RULE_KEYS,
    RULE_REQUIRED,
    SUBSTITUTE_KEYS,
)
from wxgate.strictyaml import Block, Faults, Node, Place, Scalar, read
from wxgate.verdict import Grade
from wxgate.yamlkeys import choice_of, list_of, read_keys, text_of, word_of


@dataclass(slots=True)
class Pack:
    """One file as read."""

    file: str
    name: str = ""
    version: str = ""
    layer: Layer = Layer.OPERATOR
    locked: date | None = None
    rules: list[tuple[Rule, Place]] = field(default_factory=list)
    loosens: dict[str, tuple[str, str]] = field(default_factory=dict)
    substitutes: list[Substitute] = field(default_factory=list)
    practice: list[tuple[Practice, Place]] = field(default_factory=list)
    #: The proofs of each rule and substitute, by its name.
    proofs: list[tuple[str, list[Proof]]] = field(default_factory=list)


def read_pack(
    content: bytes | str, file: str, short: str, fleet: Fleet, faults: Faults
) -> Pack | None:
    """One rules file; what is wrong with it is added to ``faults``.

    ``file`` is what faults call it, ``short`` what a rule's ``where`` calls it. None when not even
    its head could be read.
    """
    root = read(content, file, faults)
    if root is None:
        return None
    parts = ("rulebook", "rules", "substitutes", "practice")
    found = read_keys(root, dict.fromkeys(parts, keep), {"rulebook"}, faults)
    if "rulebook" not in found:
        return None
    pack = Pack(file)
    _read_head(found["rulebook"], pack, faults)
    reader = _PackReader(pack, short, fleet, faults)
    for key, read_one in (("rules", reader.rule), ("substitutes", reader.substitute)):
        for item in items_of(found.get(key), key, faults):
            read_one(item)
    if "practice" in found:
        reader.practice(found["practice"])
    if not any(key in found for key in parts[1:]):
        faults.add(root.place, "a file without rules", f"it needs one of: {', '.join(parts[1:])}")
    return pack


def _read_head(node: Node, pack: Pack, faults: Faults) -> None:
    head = read_keys(
        node,
        {
            "name": word_of,
            "version": read_version,
            "layer": choice_of(*Layer),
            "about": text_of,
            "locked": read_day,
        },
        {"name", "version", "layer", "about"},
        faults,
    )
    pack.name = head.get("name", "")
    pack.version = head.get("version", "")
    pack.layer = Layer(head.get("layer", Layer.OPERATOR))
    pack.locked = head.get("locked")
    if pack.locked is not None and pack.layer is not Layer.PILOT and isinstance(node, Block):
        faults.add(
            node.keys["locked"],
            f"'locked' in a pack of the layer {pack.layer.value}",
            "it is for a pilot's own minima",
            "write 'layer: pilot', or delete it",
        )


class _PackReader:
    """Reads the entries of one pack."""

    def __init__(self, pack: Pack, short: str, fleet: Fleet, faults: Faults) -> None:
        self.pack = pack
        self.short = short
        self.fleet = fleet
        self.faults = faults

    def source(self, node: Node, faults: Faults) -> str | None:
        """Where a figure is from, in one line."""
        return read_source(node, self.pack.layer, faults)

    # ------------------------------------------------------------------ a rule

    def rule(self, node: Block) -> None:
        """Read one rule, check the order of its limits, and run its proofs."""
        faults, before = self.faults, len(self.faults)
        check_keys(node, RULE_KEYS, set(RULE_REQUIRED), faults)
        row = take(node, "quantity", read_quantity, faults)
        word_text = take(node, "word", choice_of(*Word), faults)
        limits = self.limits(node, row, word_text)
        when = read_conditions(node.get("when"), faults)
        missing = self.missing(node, row)
        hours = read_neighbours(node.get("neighbours"), faults)
        rule_id = take(node, "id", word_of, faults)
        because = take(node, "because", text_of, faults)
        source = take(node, "source", self.source, faults)
        loosens = self.loosens(node.get("loosens"))
        proofs = read_proofs(node.get("proof"), row, self.fleet, faults)
        if rule_id in {r.id for r, _ in self.pack.rules}:
            faults.add(
                node.place_of("id"), f"the id {rule_id!r} a second time", "each id once a file",
                "give it another id",
            )  # fmt: skip
        if len(faults) > before or row is None:
            return
        rule = Rule(
            id=rule_id,
            quantity=row.name,
            word=Word(word_text),
            limits=limits,
            when=when,
            missing=missing[0],
            missing_because=missing[1],
            missing_when=missing[2],
            before=hours[0],
            after=hours[1],
            because=because,
            source=source,
            layer=self.pack.layer.value,
            where=f"{self.short}:{node.place.line}",
        )
        self.pack.rules.append((rule, node.place))
        if loosens is not None:
            self.pack.loosens[rule.id] = loosens
        check_order(rule, node.place, self.fleet, faults)
        run_proofs(rule, proofs, node.place_of("proof"), self.fleet, faults)
        self.pack.proofs.append((rule.id, proofs))

    def limits(self, node: Block, row: Quantity | None, word: str | None) -> Mapping[Grade, Limit]:
        """The limits of a rule; at least one is needed."""
        if not any(key in node for key in LIMIT_KEYS):
            self.faults.add(
                node.place, "a rule without a limit", f"it needs one of: {', '.join(LIMIT_KEYS)}",
                "add for example 'no-go: 10 m/s'",
            )  # fmt: skip
        if row is None:
            return {}
        # Under a wrong word the limits are still read, so that their faults are told too.
        sided = Word.BELOW if word is None else Word(word)
        found = {}
        for key, grade in LIMIT_KEYS.items():
            if key in node:
                limit = read_limit(node.entries[key], row, sided, self.faults)
                if limit is not None:
                    found[grade] = limit
        return found

    def missing(
        self, node: Block, row: Quantity | None
    ) -> tuple[Grade | None, str, tuple[Condition, ...]]:
        """What the rule gives when its quantity is missing."""
        value = node.get("missing")
        if value is None:
            return Grade.UNKNOWN, "", ()
        if isinstance(value, Scalar):
            gives = choice_of("unknown", "marginal", "note")(value, self.faults)
            if gives == "marginal":
                self.faults.add(
                    value.place, "'missing: marginal' without a reason",
                    "what softens must say why",
                    "write 'missing: {gives: marginal, because: ...}'",
                )  # fmt: skip
            found = {"gives": gives}
        else:
            found = read_keys(
                value,
                {"gives": choice_of("unknown", "marginal", "note"), "because": text_of,
                 "when": keep},
                {"gives", "because"},
                self.faults,
            )  # fmt: skip
        gives = found.get("gives")
        if gives == "note" and row is not None and not row.advisory:
            self.faults.add(
                value.place,
                f"'note' for a missing {row.name}",
                "what is missing lowers the grade; a note alone is allowed for "
                + ", ".join(n for n, q in QUANTITIES.items() if q.advisory),
                "write 'unknown', or marginal with a reason",
            )
        grade = {"unknown": Grade.UNKNOWN, "marginal": Grade.MARGINAL}.get(gives or "unknown")
        when = read_conditions(found.get("when"), self.faults)
        return grade, found.get("because") or "", when

    def loosens(self, node: Node | None) -> tuple[str, str] | None:
        """The id of the rule that this one replaces, and why."""
        if node is None:
            return None
        found = read_keys(
            node, {"rule": word_of, "because": text_of}, {"rule", "because"}, self.faults
        )
        return (found["rule"], found["because"]) if len(found) == 2 else None

    # ------------------------------------------------------------------ a substitute

    def substitute(self, node: Block) -> None:
        """Read one substitute and run its proofs."""
        faults, before = self.faults, len(self.faults)
        check_keys(node, SUBSTITUTE_KEYS, set(SUBSTITUTE_KEYS) - {"when"}, faults)
        row = take(node, "quantity", read_quantity, faults)
        origins = take(node, "origin", one_or_more(choice_of(*ORIGINS)), faults)
        cap = take(node, "cap", choice_of("marginal", "unknown"), faults)
        when = read_conditions(node.get("when"), faults)
        because = take(node, "because", text_of, faults)
        source = take(node, "source", self.source, faults)
        proofs = read_proofs(node.get("proof"), None, self.fleet, faults)
        if len(faults) > before or row is None:
            return
        for origin in origins:
            substitute = Substitute(
                quantity=row.name,
                origin=origin,
                cap=Grade.from_word(cap),
                when=when,
                because=because,
                source=source,
                layer=self.pack.layer.value,
                where=f"{self.short}:{node.place.line}",
            )
            self.pack.substitutes.append(substitute)
            run_proofs(substitute, proofs, node.place_of("proof"), self.fleet, faults)
            self.pack.proofs.append((f"{row.name} {origin}", proofs))

    # ------------------------------------------------------------------ practice figures

    def practice(self, node: Node) -> None:
        """Read the figures of the practice field."""
        if not isinstance(node, Block):
            self.faults.add(node.place, "no mapping", "'practice' is a mapping of names")
            return
        for name, entry in node.entries.items():
            before = len(self.faults)
            word_of(Scalar(name, node.keys[name]), self.faults)
            derives = name.startswith(DERIVES)
            if derives and self.pack.name != DERIVATION:
                self.faults.add(
                    node.keys[name], f"the figure {name!r} in a file of other rules",
                    f"figures of derived quantities stand in rules/{DERIVATION}.yaml alone, and no"
                    " rules replace them", "delete it",
                )  # fmt: skip
            readers = (read_amount, list_of(read_amount), text_of, self.source)
            several = derives and isinstance(entry, Block) and "figures" in entry.keys
            left_out = "figure" if several else "figures"
            keys = dict(zip(PRACTICE_KEYS, readers, strict=True))
            del keys[left_out]
            found = read_keys(entry, keys, set(keys), self.faults)
            if len(self.faults) == before:
                amounts = found["figures"] if several else (found["figure"],)
                row, units = zip(*amounts, strict=True)
                if len(set(units)) > 1:
                    self.faults.add(
                        node.keys[name], f"the figures of {name!r} in {len(set(units))} units",
                        "one unit for all", "write them in one unit",
                    )  # fmt: skip
                figure = Practice(
                    name, row[0], units[0], found["because"], found["source"],
                    row if several else (),
                )  # fmt: skip
                self.pack.practice.append((figure, node.keys[name]))
