"""Contract: a rules file with a fault is refused, each fault with place, what is allowed, mend."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rule_texts import pack, rule, shipped_aircraft, write

from wxgate import places
from wxgate.errors import RulebookError
from wxgate.rulebook import load_rulebook

pytestmark = pytest.mark.contract

AIRCRAFT = shipped_aircraft()
GOOD = pack(rule())
PLACE = re.compile(r".+:\d+:\d+: \S")


def faults_of(folder: Path, content: str | bytes) -> tuple[str, ...]:
    path = folder / "r.yaml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    with pytest.raises(RulebookError) as caught:
        load_rulebook([path], aircraft=AIRCRAFT)
    assert caught.value.exit_code == 4
    assert caught.value.faults
    assert all(PLACE.match(line) for line in caught.value.faults), caught.value.faults
    return tuple(line.replace(f"{path}:", "") for line in caught.value.faults)


def test_the_base_of_these_tests_is_a_good_file(tmp_path: Path) -> None:
    book = load_rulebook([write(tmp_path, GOOD)], aircraft=AIRCRAFT)
    assert [r.id for r in book.rules] == ["gust"]


@pytest.mark.parametrize(
    ("old", "new", "place", "told"),
    [
        # The keys of the file and of its head.
        ("rulebook:", "rulebok:", "1:1", "did you mean 'rulebook'?"),
        ("  about: A pack of the tests.\n", "", "2:3", "'about' is missing"),
        ("layer: operator", "layer: operater", "4:10", "did you mean 'operator'?"),
        ("layer: operator", "layer: site\n  locked: 2026-11-01", "5:3", "a pilot's own minima"),
        ("layer: operator", "layer: pilot\n  locked: 1.11.2026", "5:11", "a day such as"),
        ('version: "1"', "version: a b", "3:12", "the version 'a b'"),
        # The keys of a rule.
        ("  because: it is so\n", "  becuase: it is so\n", "13:5", "did you mean 'because'?"),
        ("    because: it is so\n", "", "7:5", "'because' is missing"),
        ("    source: common practice, no source\n", "", "7:5", "'source' is missing"),
        ("id: gust", "id: Gust 1", "7:9", "small letters"),
        ("    word: above\n", "", "7:5", "'word' is missing"),
        ("word: above", "word: over", "9:11", "allowed: above, at least, below, at most"),
        # Quantities.
        ("gust_at_flight_height", "gust_at_flight_hight", "8:15", "'gust_at_flight_height'?"),
        # Figures.
        ("marginal: 5 m/s", "marginal: 5", "10:15", "has no unit"),
        ("marginal: 5 m/s", "marginal: 5 m", "10:15", "measures length"),
        ("marginal: 5 m/s", "marginal: 5 ms", "10:15", "is not known"),
        ("marginal: 5 m/s", "marginal: no", "10:15", "'no' is not a number"),
        ("marginal: 5 m/s", "marginal: 1:30", "10:15", "unit ':30' is not known"),
        ("marginal: 5 m/s", "marginal: 010", "10:15", "has no unit"),
        ("marginal: 5 m/s", "marginal: nan m/s", "10:15", "is not a number"),
        ("marginal: 5 m/s", "marginal: .nan", "10:15", "is not a number"),
        ("marginal: 5 m/s", "marginal: inf m/s", "10:15", "is not a number"),
        ("marginal: 5 m/s", "marginal: -.inf", "10:15", "is not a number"),
        ("marginal: 5 m/s", "marginal: 1e999 m/s", "10:15", "is not finite"),
        ("marginal: 5 m/s", "marginal: -5 m/s", "10:15", "allowed: 0 to 200"),
        ("marginal: 5 m/s", "marginal: 5000 m/s", "10:15", "allowed: 0 to 200"),
        ("marginal: 5 m/s", "marginal: ٥ m/s", "10:15", "is not a number"),
        ("marginal: 5 m/s", "marginal: 5 + 2 m/s", "10:15", "is not known"),
        ("marginal: 5 m/s", "marginal: [5 m/s]", "10:15", "a list"),
        ("marginal: 5 m/s", "marginal: {a: 1}", "10:15", "it needs one of: share-of"),
        ("marginal: 5 m/s", "marginal: {shareof: max_wind}", "10:15", "did you mean 'share-of'?"),
        ("marginal: 5 m/s", "marginal: {share-of: max_wnd, share: 50 %}", "10:26",
         "did you mean 'max_wind'?"),
        ("marginal: 5 m/s", "marginal: {share-of: mass, share: 50 %}", "10:26", "measures mass"),
        ("marginal: 5 m/s", "marginal: {share-of: max_wind}", "10:15", "no share"),
        ("marginal: 5 m/s", "marginal: {share-of: max_wind, share: 45}", "10:43", "write '45 %'"),
        ("marginal: 5 m/s", "marginal: {share-of: max_wind, share: 0 %}", "10:43", "above 0 %"),
        ("marginal: 5 m/s", "marginal: {share-of: max_wind, share: 120 %}", "10:43", "to 100 %"),
        ("marginal: 5 m/s", "marginal: {by-skill: {novice: 5 m/s}}", "10:26", "'experienced'"),
        ("marginal: 5 m/s", "marginal: {by-skill: {novise: 5 m/s}}", "10:27",
         "did you mean 'novice'?"),
        ("marginal: 5 m/s", "marginal: {figure-of: max_wind, plus: 3 K}", "10:43", "measures"),
        ("marginal: 5 m/s", "marginal: {figure-of: max_wind, times: 2}", "10:37", "'times'"),
        ("marginal: 5 m/s", "marginal: {by-band: gust, bands: []}", "10:25", "changes with time"),
        ("marginal: 5 m/s", "marginal: {by-band: flight_height, bands: "
         "[{from: 10 m, limit: 5 m/s}]}", "10:47", "the first band is from 0"),
        ("marginal: 5 m/s", "marginal: {by-band: flight_height, bands: "
         "[{from: 0 m, limit: 5 m/s}, {from: 0 m, limit: 4 m/s}]}", "10:47", "begins above"),
        ("    marginal: 5 m/s\n    no-go: 10 m/s\n", "", "7:5", "a rule without a limit"),
        ("marginal: 5 m/s", "marginal: 12 m/s", "7:5", "marginal above 12 is laxer than no-go"),
        # Missing.
        ("missing: unknown", "missing: go", "12:14", "allowed: unknown, marginal, note"),
        ("missing: unknown", "missing: marginal", "12:14", "without a reason"),
        ("missing: unknown", "missing: note", "12:14", "what is missing lowers the grade"),
        ("missing: unknown", "missing: {gives: marginal}", "12:14", "'because' is missing"),
        # Conditions and neighbours.
        ("missing: unknown", "when: novice", "12:11", "is a list of conditions"),
        ("missing: unknown", "when: [novice]", "12:12", "a condition with nothing"),
        ("missing: unknown", "when: [{skills: [novise]}]", "12:22", "did you mean 'novice'?"),
        ("missing: unknown", "when: [{quantity: gust}]", "12:12", "0 comparisons"),
        ("missing: unknown", "when: [{quantity: gust, above: 3 m/s, below: 5 m/s}]", "12:12",
         "2 comparisons"),
        ("missing: unknown", "when: [{quantity: gust, above: 3 K}]", "12:36", "measures"),
        ("missing: unknown", "when: [{aircraft: gust, above: 3 m/s}]", "12:23", "allowed: mass"),
        ("missing: unknown", "when: [{months: [Juli]}]", "12:22", "did you mean 'July'?"),
        ("missing: unknown", "when: 'gust > 5'", "12:11", "is a list of conditions"),
        ("missing: unknown", "neighbours: {before: 90 min}", "12:26", "whole hours"),
        ("missing: unknown", "neighbours: {before: 12 h}", "12:26", "allowed: 0 to 6"),
        # Sources.
        ("common practice, no source", "common practise, no source", "14:13",
         "did you mean 'common practice, no source'?"),
        ("source: common practice, no source", "source: {title: A, place: B}", "14:13",
         "'read' is missing"),
        ("source: common practice, no source", "source: {title: A, place: B, read: 2026-13}",
         "14:40", "when it was read"),
        ("source: common practice, no source", "source: {title: A, place: B, read: today}",
         "14:40", "when it was read"),
        # Proofs.
        ("value: 7 m/s, grade: marginal", "value: 7 m/s, grade: go", "17:9",
         "the proof says 'go', but gust gives 'marginal'"),
        ("      - {value: missing, grade: unknown}\n", "", "15:5", "'unknown' for missing"),
        ("      - {value: 7 m/s, grade: marginal}\n", "", "15:5", "shows 'marginal'"),
        ("      - {value: 140 m/s, grade: no-go}\n", "", "15:5", "shows 'no-go'"),
        ("      - {value: 0.1 m/s, grade: go}\n", "", "15:5", "shows 'go'"),
        ("grade: marginal}", "grade: marginl}", "17:31", "did you mean 'marginal'?"),
        ("value: 7 m/s,", "value: 7,", "17:17", "has no unit"),
        ("value: 7 m/s,", "", "17:9", "'value' is missing"),
        ("value: 7 m/s,", "value: 7 m/s, aircraft: mid,", "17:34", "did you mean 'mid-900g'?"),
        ("value: 7 m/s,", "value: 7 m/s, with: {gst: 3 m/s},", "17:31", "'gust'?"),
        ("value: 7 m/s,", "value: 7 m/s, skill: nobody,", "17:31", "allowed: first-flight"),
    ],
)  # fmt: skip
def test_one_fault(tmp_path: Path, old: str, new: str, place: str, told: str) -> None:
    assert old in GOOD
    found = faults_of(tmp_path, GOOD.replace(old, new, 1))
    assert any(line.startswith(f"{place}: ") and told in line for line in found), found


def test_a_proof_without_skill_must_hold_for_every_skill(tmp_path: Path) -> None:
    limit = (
        "{by-skill: {first-flight: 5 m/s, novice: 5 m/s, intermediate: 8 m/s, experienced: none}}"
    )
    found = faults_of(tmp_path, pack(rule(marginal=limit)))
    assert found == (
        "17:9: the proof says 'marginal', but gust gives 'go' for intermediate with any;"
        " mend the limit, or the proof; where they differ by skill or aircraft, name it.",
    )


def test_a_rule_with_a_condition_must_be_proven_not_to_apply(tmp_path: Path) -> None:
    text = pack(rule(more="    when: [{quantity: flight_height, above: 30 m}]\n"))
    assert "shows 'does not apply'" in faults_of(tmp_path, text)[0]


def test_a_rule_on_the_aircraft_needs_an_aircraft(tmp_path: Path) -> None:
    path = write(tmp_path, pack(rule(no_go="{figure-of: max_wind}")))
    with pytest.raises(RulebookError) as caught:
        load_rulebook([path], aircraft={})
    assert "no aircraft is known" in caught.value.faults[0]


def test_all_faults_of_all_files_are_told_at_once(tmp_path: Path) -> None:
    bad = (
        GOOD.replace("marginal: 5 m/s", "marginal: 5")
        .replace("word: above", "word: over")
        .replace("because", "becuase")
        .replace("value: 0.1 m/s", "value: 0.1")
    )
    paths = [write(tmp_path, bad, f"{n}.yaml") for n in "ab"]
    with pytest.raises(RulebookError, match="10 faults") as caught:
        load_rulebook(paths, aircraft=AIRCRAFT)
    assert len(caught.value.faults) == 10


HOSTILE = {
    "empty": b"",
    "a list": b"- a\n- b\n",
    "a word": b"go\n",
    "binary": bytes(range(256)) * 10,
    "byte-order mark": b"\xef\xbb\xbf" + GOOD.encode(),
    "utf-16": GOOD.encode("utf-16"),
    "latin-1": GOOD.replace("it is so", "c'est ça").encode("latin-1"),
    "tabs": GOOD.replace("    word", "\tword").encode(),
    "two documents": (GOOD + "---\n" + GOOD).encode(),
    "twice the same key": GOOD.replace("word: above", "word: above\n    word: below").encode(),
    "anchor": GOOD.replace("5 m/s", "&x 5 m/s", 1).encode(),
    "alias": GOOD.replace("5 m/s", "*x", 1).encode(),
    "tag": GOOD.replace("5 m/s", "!!float 5", 1).encode(),
    "python tag": GOOD.replace("5 m/s", "!!python/name:os.system", 1).encode(),
    "merge": GOOD.replace("    word: above", "    <<: {word: above}").encode(),
    "look-alike letter": GOOD.replace("word:", "wоrd:", 1).encode(),
    "zero width": GOOD.replace("word:", "wo\u200brd:", 1).encode(),
    "terminal code": GOOD.replace("it is so", '"\\e[2J"').encode(),
    "ten megabytes": b"# " + b"x" * 10_000_000,
    "deep": b"rulebook: " + b"[" * 900 + b"]" * 900,
    "deep blocks": "".join(f"{' ' * n}a:\n" for n in range(900)).encode(),
    "unclosed": b"rulebook: {name: 'x",
    "null byte": GOOD.replace("it is so", "it is\0 so").encode(),
}


@pytest.mark.parametrize("content", HOSTILE.values(), ids=HOSTILE.keys())
def test_hostile_files_are_refused_with_a_sentence_and_soon(tmp_path: Path, content: bytes) -> None:
    start = time.perf_counter()
    found = faults_of(tmp_path, content)
    assert time.perf_counter() - start < 2.0
    assert all(len(line) < 1200 and line.isprintable() for line in found), found


def test_a_folder_without_rules_and_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(RulebookError, match="no rules file"):
        load_rulebook([tmp_path], aircraft=AIRCRAFT)
    with pytest.raises(RulebookError, match="cannot be read"):
        load_rulebook([tmp_path / "none.yaml"], aircraft=AIRCRAFT)


SHIPPED = sorted(places.shipped("rules").joinpath("practice").glob("*.yaml"))


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    source=st.sampled_from(SHIPPED),
    at=st.floats(0, 1),
    cut=st.integers(0, 12),
    put=st.text(alphabet="ab:-[]{}&*!|>'\"#,? \n%<1.m/s", max_size=6),
)
def test_a_damaged_shipped_file_is_taken_or_refused_never_a_traceback(
    tmp_path: Path, source: Path, at: float, cut: int, put: str
) -> None:
    text = source.read_text(encoding="utf-8")
    here = int(at * len(text))
    path = write(tmp_path, text[:here] + put + text[here + cut :])
    try:
        load_rulebook([path], aircraft=AIRCRAFT)
    except RulebookError as error:
        assert all(PLACE.match(line) for line in error.faults)  # noqa: PT017
