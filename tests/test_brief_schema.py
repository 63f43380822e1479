"""Contract: the JSON of a brief keeps its published schema, and exit codes tell the verdict."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import page_briefs
import pytest

from wxgate.brief import Brief
from wxgate.report.json import SCHEMA, brief_json, schema_text

pytestmark = pytest.mark.contract

FORM = json.loads(schema_text())
CHECK = jsonschema.Draft202012Validator(
    FORM, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
)
BRIEFS = [page_briefs.holes, page_briefs.ten_days, page_briefs.long_day, page_briefs.disputed,
          page_briefs.unknown, page_briefs.hostile]  # fmt: skip
Result = tuple[int, str, str]


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(FORM)
    assert FORM["properties"]["schema"]["const"] == SCHEMA
    assert FORM["$id"].endswith(f":{SCHEMA}")


@pytest.mark.parametrize("make", BRIEFS, ids=lambda f: f.__name__)
def test_every_brief_keeps_it(make: Callable[[], Brief]) -> None:
    CHECK.validate(json.loads(json.dumps(brief_json(make()), allow_nan=False)))


def test_the_demonstration_keeps_it_and_all_keys_are_described(wx: Callable[..., Result]) -> None:
    told = json.loads(wx("brief", "--demo", "--json")[1])
    CHECK.validate(told)
    undescribed = sorted(set(_undescribed(told, FORM, "")))
    assert not undescribed, "describe these keys in wxgate/report/brief.schema.json"


def _undescribed(value: Any, form: dict[str, Any], path: str) -> Iterator[str]:
    """The keys that stand in the JSON and not in the schema."""
    if "$ref" in form:
        form = FORM["$defs"][form["$ref"].rsplit("/", 1)[1]]
    for choice in form.get("oneOf", ()):
        if choice.get("type") != "null":
            form = FORM["$defs"][choice["$ref"].rsplit("/", 1)[1]] if "$ref" in choice else choice
    if isinstance(value, dict) and "additionalProperties" not in form:
        for key, inner in value.items():
            if key in form.get("properties", {}):
                yield from _undescribed(inner, form["properties"][key], f"{path}.{key}")
            else:
                yield f"{path}.{key}"
    elif isinstance(value, list):
        for inner in value:
            yield from _undescribed(inner, form.get("items", {}), f"{path}[]")


@pytest.mark.parametrize(
    "spoil",
    [
        lambda t: t["window"].update(grade="unknown"),
        lambda t: t["window"].update(grade="no-go"),
        lambda t: t["hours"][0].update(grade="go", reasons=[]),
        lambda t: t["hours"][0].update(grade="fine"),
        lambda t: t["hours"][0].update(start="2026-06-01T06:00:00+01:00"),
        lambda t: t["hours"][0]["reasons"][0].pop("because"),
        lambda t: t["hours"][0]["reasons"][0].update(value="5"),
        lambda t: t.update(schema=2),
        lambda t: t.update(height_m=0),
        lambda t: t.pop("cautions"),
    ],
)
def test_what_breaks_the_contract_is_refused(spoil: Callable[[dict[str, Any]], object]) -> None:
    told = copy.deepcopy(brief_json(page_briefs.disputed()))
    CHECK.validate(told)
    spoil(told)
    assert not CHECK.is_valid(told)


def test_the_schema_is_printed_as_it_ships(wx: Callable[..., Result]) -> None:
    code, out, _ = wx("brief", "--schema")
    assert code == 0
    assert out == schema_text()


# ---------------------------------------------------------------------- exit codes


@pytest.mark.parametrize(
    ("words", "grade", "code"),
    [
        ((), "go", 0),
        (("--at", "2026-09-15T11:00Z", "--hours", 1), "marginal", 10),
        (("--at", "2026-09-15T18:00Z", "--hours", 5), "no-go", 11),
        (("--at", "2026-09-17T04:00Z", "--hours", 2), "unknown", 12),
    ],
)
def test_the_exit_code_tells_the_verdict(
    wx: Callable[..., Result], words: tuple[object, ...], grade: str, code: int
) -> None:
    wx("brief", "--demo")  # stored hours answer where the run is too old to be fetched
    found, out, _ = wx("brief", "--demo", "--json", "--exit-verdict", *words)
    assert json.loads(out)["grade"] == grade
    assert found == code
    assert wx("brief", "--demo", *words)[0] == 0, "only when asked for"


def test_a_fault_keeps_its_own_code(wx: Callable[..., Result], tmp_path: Path) -> None:
    assert wx("brief", "--exit-verdict")[0] == 2
    missing = ("--forecast", tmp_path / "none.nc")
    who = ("--aircraft", "light-249g", "--pilot", "novice")
    assert wx("brief", "demo-field", *who, *missing, "--exit-verdict")[0] == 3
    assert wx("brief", "--demo", "--rules", tmp_path / "none.yaml", "--exit-verdict")[0] == 4


def test_the_codes_are_told_and_collide_with_no_fault(wx: Callable[..., Result]) -> None:
    from wxgate import errors
    from wxgate.cli.brief import EXIT_CODES
    from wxgate.verdict import Grade

    faults = {
        one.exit_code for one in vars(errors).values()
        if isinstance(one, type) and issubclass(one, errors.WxgateError)
    }  # fmt: skip
    assert not faults & set(EXIT_CODES.values())
    assert set(EXIT_CODES) == set(Grade)
    for words in (("--help",), ("brief", "--help")):
        text = " ".join(wx(*words)[1].split())
        assert "10 marginal, 11 no-go, 12 unknown" in text
