"""The rules format as JSON Schema, so that an editor can help while typing.

It tells the shape: keys, words, names of quantities. That marginal is not laxer than no-go, and
that proofs hold, only the loader can tell.
"""

from __future__ import annotations

from typing import Any

from wxgate.profiles import AIRCRAFT_FIGURES, Skill
from wxgate.quantities import QUANTITIES
from wxgate.rulebook.model import Layer, Word
from wxgate.rulebook.proof import OUTCOMES
from wxgate.rulebook.words import (
    LIMIT_KEYS,
    LIMIT_KINDS,
    MONTHS,
    ORIGINS,
    PLAIN_SOURCES,
    PROOF_KEYS,
    RULE_REQUIRED,
    SUBSTITUTE_KEYS,
)

Schema = dict[str, Any]

_AMOUNT = {
    "type": "string",
    "pattern": r"^\s*[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\s*[^\d\s.].*$",
    "description": "a number with its unit, such as 10 m/s",
}
_SHARE = {
    "anyOf": [_AMOUNT, {"type": ["string", "number"], "pattern": r"^\s*[+-]?\d+(\.\d+)?\s*$"}],
    "description": "a share, such as 45 % or 0.45",
}
_TEXT = {"type": "string", "minLength": 1}
_NAME = {"type": "string", "pattern": r"^[a-z0-9]+(-[a-z0-9]+)*$"}


def schema() -> Schema:
    """The JSON Schema (2020-12) of a rules file."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "wxgate rules file",
        **_object(
            {
                "rulebook": _head(),
                "rules": {"type": "array", "items": _rule()},
                "substitutes": {"type": "array", "items": _substitute()},
                "practice": {
                    "type": "object",
                    "propertyNames": _NAME,
                    "additionalProperties": {"anyOf": [_figure("figure"), _figure("figures")]},
                },
            },
            {"rulebook"},
        ),
        "anyOf": [{"required": [key]} for key in ("rules", "substitutes", "practice")],
    }


def _object(properties: Schema, required: set[str] | None = None) -> Schema:
    return {
        "type": "object",
        "properties": properties,
        "required": sorted(required or ()),
        "additionalProperties": False,
    }


def _words(*words: str) -> Schema:
    return {"enum": list(words)}


def _figure(key: str) -> Schema:
    row = {"type": "array", "items": _AMOUNT, "minItems": 1}
    written = {"figure": _AMOUNT, "figures": row}[key]
    return _object(
        {key: written, "because": _TEXT, "source": _source()}, {key, "because", "source"}
    )


def _quantity() -> Schema:
    return _words(*QUANTITIES)


def _head() -> Schema:
    return _object(
        {
            "name": _NAME,
            "version": {"type": ["string", "number"]},
            "layer": _words(*Layer),
            "about": _TEXT,
            "locked": {"type": "string", "pattern": r"^\d{4}-\d{2}-\d{2}$"},
        },
        {"name", "version", "layer", "about"},
    )


def _source() -> Schema:
    return {
        "anyOf": [
            _words(*PLAIN_SOURCES),
            _object(
                {
                    "title": _TEXT,
                    "place": _TEXT,
                    "read": {"type": "string", "pattern": r"^\d{4}-\d{2}(-\d{2})?$"},
                },
                {"title", "place", "read"},
            ),
        ]
    }


def _by_skill(figure: Schema) -> Schema:
    return _object({skill: {"anyOf": [figure, _words("none")]} for skill in Skill}, set(Skill))


def _limit() -> Schema:
    table = {"by-skill": _by_skill(_AMOUNT)}
    plain = {"anyOf": [_AMOUNT, _object(table, {"by-skill"})]}
    band = _object(
        {"from": _AMOUNT, "limit": {"anyOf": [plain, _words("none")]}}, {"from", "limit"}
    )
    kinds: dict[str, Schema] = {
        "share-of": _object(
            {
                "share-of": _words(*AIRCRAFT_FIGURES),
                "share": _SHARE,
                "by-skill": _by_skill(_SHARE),
                "but-at-most": {"anyOf": [_AMOUNT, _by_skill(_AMOUNT)]},
            },
            {"share-of"},
        ),
        "figure-of": _object(
            {"figure-of": _words(*AIRCRAFT_FIGURES), "plus": _AMOUNT, "minus": _AMOUNT},
            {"figure-of"},
        ),
        "by-band": _object(
            {"by-band": _quantity(), "bands": {"type": "array", "items": band, "minItems": 1}},
            {"by-band", "bands"},
        ),
        "by-skill": _object(table, {"by-skill"}),
    }
    return {"anyOf": [_AMOUNT, *(kinds[kind] for kind in LIMIT_KINDS)]}


def _conditions() -> Schema:
    comparison = {word.value: _AMOUNT for word in Word}
    one_word = {"oneOf": [{"required": [word.value]} for word in Word]}
    kinds = [
        _object({"skills": {"type": "array", "items": _words(*Skill)}}, {"skills"}),
        *(
            _object({key: {"type": "array", "items": _words(*MONTHS)}}, {key})
            for key in ("months", "season")
        ),
        *(
            {**_object({key: named, **comparison}, {key}), **one_word}
            for key, named in (
                ("quantity", _quantity()),
                ("size-of", _quantity()),
                ("aircraft", _words(*AIRCRAFT_FIGURES)),
            )
        ),
    ]
    return {"type": "array", "items": {"anyOf": kinds}, "minItems": 1}


def _missing() -> Schema:
    gives = _words("unknown", "marginal", "note")
    return {
        "anyOf": [
            _words("unknown", "note"),
            _object(
                {"gives": gives, "because": _TEXT, "when": _conditions()}, {"gives", "because"}
            ),
        ]
    }


def _proof(*, of_rule: bool) -> Schema:
    skill = _words(*Skill)
    value = {"anyOf": [_AMOUNT, _words("missing")]}
    keys: dict[str, Schema] = {
        "value": value,
        "skill": {"anyOf": [skill, {"type": "array", "items": skill, "minItems": 1}]},
        "aircraft": _NAME,
        "height": value,
        "with": {"type": "object", "propertyNames": _quantity(), "additionalProperties": value},
        "month": _words(*MONTHS),
        "latitude": {"type": ["string", "number"]},
        "grade": _words(*OUTCOMES),
    }
    used = {key: keys[key] for key in PROOF_KEYS if of_rule or key != "value"}
    required = {"grade", "value"} if of_rule else {"grade"}
    return {"type": "array", "items": _object(used, required), "minItems": 1}


def _rule() -> Schema:
    hours = _object({"before": _AMOUNT, "after": _AMOUNT})
    properties = {
        "id": _NAME,
        "loosens": _object({"rule": _NAME, "because": _TEXT}, {"rule", "because"}),
        "quantity": _quantity(),
        "word": _words(*Word),
        **{key: _limit() for key in LIMIT_KEYS},
        "when": _conditions(),
        "neighbours": hours,
        "missing": _missing(),
        "because": _TEXT,
        "source": _source(),
        "proof": _proof(of_rule=True),
    }
    return {
        **_object(properties, set(RULE_REQUIRED)),
        "anyOf": [{"required": [key]} for key in LIMIT_KEYS],
    }


def _substitute() -> Schema:
    origin = _words(*ORIGINS)
    properties = {
        "quantity": _quantity(),
        "origin": {"anyOf": [origin, {"type": "array", "items": origin, "minItems": 1}]},
        "cap": _words("marginal", "unknown"),
        "when": _conditions(),
        "because": _TEXT,
        "source": _source(),
        "proof": _proof(of_rule=False),
    }
    return _object(properties, set(SUBSTITUTE_KEYS) - {"when"})
