"""Small rules files as text, for the tests of the rulebook."""

from __future__ import annotations

from pathlib import Path

from wxgate import places
from wxgate.profiles import Aircraft, known_aircraft

HEAD = """\
rulebook:
  name: test-pack
  version: "1"
  layer: {layer}
  about: A pack of the tests.
rules:
"""
RULE = """\
  - id: {id}
    quantity: gust_at_flight_height
    word: above
    marginal: {marginal}
    no-go: {no_go}
    missing: unknown
    because: it is so
    source: common practice, no source
    proof:
      - {{value: 0.1 m/s, grade: go}}
      - {{value: {between}, grade: marginal}}
      - {{value: 140 m/s, grade: no-go}}
      - {{value: missing, grade: unknown}}
"""


def rule(
    rule_id: str = "gust",
    marginal: str = "5 m/s",
    no_go: str = "10 m/s",
    between: str = "7 m/s",
    more: str = "",
) -> str:
    """One rule on the gust; ``more`` is put behind its id."""
    text = RULE.format(id=rule_id, marginal=marginal, no_go=no_go, between=between)
    return text.replace(f"id: {rule_id}\n", f"id: {rule_id}\n{more}", 1)


def pack(*rules: str, layer: str = "operator") -> str:
    """A whole file."""
    return HEAD.format(layer=layer) + "".join(rules)


def write(folder: Path, text: str, name: str = "r.yaml") -> Path:
    """The text as a file."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def shipped_aircraft() -> dict[str, Aircraft]:
    """The aircraft that ship, which proofs may name."""
    return known_aircraft([places.shipped("rules") / "aircraft"])
