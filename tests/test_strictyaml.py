"""Contract: the strict YAML reader takes plain files as they stand and refuses every trap."""

from __future__ import annotations

import time

import pytest
import yaml
from hypothesis import example, given
from hypothesis import strategies as st

from wxgate import strictyaml
from wxgate.errors import ProfileError, UsageError
from wxgate.strictyaml import Block, Faults, Scalar, load, plain, read

pytestmark = pytest.mark.contract


def faults_of(content: str | bytes) -> tuple[str, ...]:
    faults = Faults()
    read(content, "f.yaml", faults)
    return faults.report()


def test_scalars_are_the_text_that_stands_there() -> None:
    text = "a: no\nb: 1:30\nc: 010\nd: 1e3\ne: ~\nf: 2026-11-01\ng: 'x'\nh: [yes, on, null]\n"
    assert plain(load(text, "f.yaml")) == {
        "a": "no", "b": "1:30", "c": "010", "d": "1e3", "e": "~", "f": "2026-11-01", "g": "x",
        "h": ["yes", "on", "null"],
    }  # fmt: skip
    # What the same text means to an ordinary reader (YAML 1.1), and why it is not used.
    usual = yaml.safe_load(text)
    assert (usual["a"], usual["b"], usual["c"]) == (False, 90, 8)


def test_every_node_knows_its_place() -> None:
    root = load("a:\n  b: [x,\n      y]\n", "f.yaml")
    assert isinstance(root, Block)
    inner = root.entries["a"]
    assert isinstance(inner, Block)
    assert str(inner.keys["b"]) == "f.yaml:2:3"
    assert str(inner.entries["b"].place) == "f.yaml:2:6"
    assert [str(i.place) for i in inner.entries["b"].items] == ["f.yaml:2:7", "f.yaml:3:7"]  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("content", "place", "told"),
    [
        ("a: 1 m\nb: 2 m\na: 3 m\n", "3:1", "'a' stands here a second time"),
        ("a: &x 1 m\n", "1:4", "anchor '&x'"),
        ("a: &x 1 m\nb: *x\n", "2:4", "alias '*x'"),
        ("a: !!int 5\n", "1:4", "the tag"),
        ("a: !!python/object/apply:os.system [ls]\n", "1:4", "the tag"),
        ("a: {<<: {b: c}}\n", "1:5", "merge key"),
        ("? [a, b]\n: c\n", "1:3", "a key that is a list"),
        ("a: 1\n---\nb: 2\n", "2:1", "a second document"),
        ("%YAML 1.2\n---\na: 1\n", "1:1", "%YAML"),
        ("a: 1\n\tb: 2\n", "2:1", "a tab"),
        ("a: b\tc\n", "1:5", "a tab"),
        (b"\xef\xbb\xbfa: 1\n", "1:1", "byte-order mark"),
        ("a: 1\n".encode("utf-16"), "1:1", "byte-order mark"),
        ("a: 1\nb: é\n".encode("latin-1"), "2:4", "not UTF-8"),
        (b"a: \x00\n", "1:4", "U+0000"),
        (b"a: \x1b[31m\n", "1:4", "U+001B"),
        ('a: "\\x1b[31mred"\n', "1:4", "U+001B"),
        ('a: "\\u202Egnp"\n', "1:4", "U+202E"),
        ("a: go\u200b\n", "1:6", "U+200B"),
        ("a: abc\u202edef\n", "1:7", "U+202E"),
        ("mаss: 1 kg\n", "1:1", "CYRILLIC SMALL LETTER A"),
        ("ｍass: 1 kg\n", "1:1", "FULLWIDTH"),
        ("", "1:1", "empty"),
        ("# only a comment\n", "1:1", "empty"),
        ("a: [1, 2\nb: 3\n", "2:2", "not YAML"),
        ("a: b: c\n", "1:5", "not YAML"),
        ("a: 'open\n", "2:1", "not YAML"),
        (b"\x89PNG\r\n\x1a\n", "1:1", "not UTF-8"),
    ],
)  # fmt: skip
def test_what_a_file_hides_is_refused(content: str | bytes, place: str, told: str) -> None:
    found = faults_of(content)
    assert any(line.startswith(f"f.yaml:{place}: ") and told in line for line in found), found


def test_all_faults_are_told_at_once() -> None:
    found = faults_of("a: &x 1\nb: *x\na: 2\nc: !t 3\n")
    assert [line.split(":")[1] for line in found] == ["1", "2", "3", "4"]


def test_a_bomb_of_aliases_is_not_followed() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    for n in range(1, 12):
        lines.append(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]")
    start = time.perf_counter()
    found = faults_of("\n".join(lines))
    assert time.perf_counter() - start < 1.0  # 9**12 nodes would not end
    assert any("anchor" in line for line in found)
    assert any("alias" in line for line in found)


@pytest.mark.parametrize("content", ["[" * 500, "{a: " * 500 + "b" + "}" * 500])
def test_deep_nesting_is_refused_with_its_place(content: str) -> None:
    found = faults_of(content)
    assert len(found) == 1
    assert "nested deeper than 20" in found[0]


def test_nesting_too_deep_for_the_parser_itself_is_one_fault() -> None:
    assert len(faults_of("[" * 100_000)) == 1


def test_the_parser_in_plain_python_reads_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    text = "a: {b: [no, 1:30], c: 'x: y'}\nd: >-\n  two\n  lines\ne: # note\n  - f: 1 m/s\n"
    fast = load(text, "f.yaml")
    monkeypatch.delattr(yaml, "CSafeLoader")
    assert load(text, "f.yaml") == fast
    assert "anchor" in faults_of("a: &x 1\n")[0]


def test_twenty_levels_are_read() -> None:
    text = "{a: " * 20 + "b" + "}" * 20
    assert faults_of(text) == ()
    assert "nested" in faults_of("{a: " * 21 + "b" + "}" * 21)[0]


def test_a_large_file_is_refused_unread() -> None:
    start = time.perf_counter()
    found = faults_of(b"a: b\n" * 2_000_000)
    assert time.perf_counter() - start < 0.5
    assert found == (
        "f.yaml:1:1: the file has 10000000 bytes; at most 1000000 are allowed;"
        " split it into several files.",
    )


def test_many_faults_are_counted_not_printed() -> None:
    found = faults_of("".join(f"k{i}: &a{i} x\n" for i in range(500)))
    assert len(found) == strictyaml.MAX_FAULTS + 1
    assert found[-1] == f"... and {500 - strictyaml.MAX_FAULTS} more faults."


def test_load_raises_the_error_asked_for() -> None:
    with pytest.raises(ProfileError, match=r"f\.yaml:2:1: .*second time"):
        load("a: 1\na: 2\n", "f.yaml", error=ProfileError)
    with pytest.raises(UsageError, match="2 faults"):
        load("a: &b 1\na: 2\n", "f.yaml")


def test_text_in_other_scripts_is_welcome_as_a_value() -> None:
    node = load("name: Prairie à l'ouest – 草地\n", "f.yaml")
    assert isinstance(node, Block)
    assert node.entries["name"] == Scalar("Prairie à l'ouest – 草地", node.entries["name"].place)


@given(st.binary(max_size=300))
def test_any_bytes_end_in_nodes_or_in_faults(content: bytes) -> None:
    faults = Faults()
    node = read(content, "f.yaml", faults)
    assert (node is not None) or len(faults) > 0


YAMLISH = st.text(alphabet="ab:-[]{}&*!|>'\"#,? \n\t%<1.", max_size=80)


@given(YAMLISH)
@example(">#")
@example("a: |-#x\n  b")
def test_what_is_read_is_what_an_ordinary_reader_reads_as_strings(text: str) -> None:
    faults = Faults()
    node = read(text, "f.yaml", faults)
    if node is None or len(faults):
        return
    # The base loader of PyYAML also takes every scalar as text: an independent reading.
    assert plain(node) == yaml.load(text, Loader=yaml.BaseLoader)  # noqa: S506
