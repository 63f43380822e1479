"""What the fuzz tests share: how long they look, and how a good document is spoilt.

Not a test file. ``WXGATE_FUZZ=50`` in the environment makes every fuzz test look at fifty times as
many examples, with another seed each time; that is for long runs by hand::

    WXGATE_FUZZ=50 python -m pytest -q tests/test_fuzz_*.py
"""

from __future__ import annotations

import copy
import json
import os
import time
from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st

from wxgate.errors import WxgateError

TIMES = int(os.environ.get("WXGATE_FUZZ", "1"))


def examples(count: int) -> settings:
    """So many examples times what the environment asks for; without it half, always the same."""
    return settings(
        max_examples=count * TIMES if TIMES > 1 else max(count // 2, 10),
        deadline=None,
        derandomize=TIMES == 1,
        database=None,
        # A failure is told as it was found first, rather than after minutes of shrinking.
        phases=(Phase.explicit, Phase.generate, *((Phase.shrink,) if TIMES > 1 else ())),
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow,
                               HealthCheck.data_too_large, HealthCheck.filter_too_much],
    )  # fmt: skip


def told(error: WxgateError, *codes: int) -> None:
    """The error is one that a user can work with: what, a remedy, and its documented exit code."""
    assert error.what.strip(), error
    assert error.exit_code in codes, (error.exit_code, error)
    assert "Traceback" not in str(error)


def answered(read: Callable[[], Any], *codes: int, within_s: float = 10.0) -> Any:
    """What the reader gives, or None where it refuses with one of our own errors; in time.

    Times are of this process alone, for other work on the computer must not count.

    Any other exception passes through, and fails the test.
    """
    start = time.process_time()
    try:
        found = read()
    except WxgateError as error:
        told(error, *codes)
        found = None
    assert time.process_time() - start < within_s, "too slow"
    return found


# ---------------------------------------------------------------------- values that do harm

LONG = "x" * 70_000
WORDS: list[str] = [
    "", " ", "\0", "\x1b[2J", "nan", "-inf", "Infinity", "1e999", "-1", "٣", "Ⅷ", "１２", "0x10",
    "1_000", "9" * 5000, "../../etc/passwd", "\u202egnp.exe", "\ud800", "{0.__class__}", "%s%n",
    "${HOME}", "<script>alert(1)</script>", "' OR 1=1 --", "\r\nBcc: a@example.org", LONG,
    "9999-12-31T23:59:59Z", "0001-01-01T00:00:00+23:59", "2026-02-30T00:00:00Z", "24:00",
    "2026-06-15T06:00:00", "P1W", "PT99999999999999999999H",
]  # fmt: skip
NUMBERS: list[Any] = [
    0, -1, 1, 10**9, -(10**9), 2**63, -(2**63) - 1, 10**400, 1e308, -1e308, 5e-324, -0.0,
    float("nan"), float("inf"), float("-inf"), True, False,
]  # fmt: skip
OTHERS: list[Any] = [None, [], {}, [[]], [{}], {"": None}, [None] * 3, {"value": {"value": []}}]

hostile = st.one_of(st.sampled_from(WORDS), st.sampled_from(NUMBERS), st.sampled_from(OTHERS))


def _places(found: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    here = [path] if path else []
    if isinstance(found, dict):
        return here + [p for key in found for p in _places(found[key], (*path, key))]
    if isinstance(found, list):
        return here + [p for n, one in enumerate(found) for p in _places(one, (*path, n))]
    return here


@st.composite
def spoilt(draw: st.DrawFn, document: Any) -> Any:
    """A JSON document with one to four of its nodes replaced, taken out, doubled or renamed."""
    found = json.loads(json.dumps(document))
    for _ in range(draw(st.integers(1, 4))):
        places = _places(found)
        if not places:
            return draw(hostile)
        *above, last = draw(st.sampled_from(places))
        parent = found
        for key in above:
            parent = parent[key]
        deed = draw(st.sampled_from(["put", "put", "put", "drop", "twice", "rename", "wrap"]))
        if deed == "put":
            parent[last] = copy.deepcopy(draw(hostile))
        elif deed == "drop":
            del parent[last]
        elif deed == "wrap":
            parent[last] = draw(st.sampled_from([[parent[last]], {"value": parent[last]}]))
        elif deed == "twice" and isinstance(parent, list):
            parent.insert(last, parent[last])
        elif isinstance(parent, dict):
            parent[draw(st.sampled_from(WORDS[:20]))] = parent.pop(last)
    return found


def dumped(document: Any) -> bytes:
    """As JSON, with whatever Python's writer lets through (NaN, lone surrogates)."""
    return json.dumps(document).encode()


@st.composite
def spoilt_bytes(draw: st.DrawFn, content: bytes, reach: int | None = None) -> bytes:
    """Bytes that were flipped, cut, doubled or put in, within the first ``reach``."""
    found = bytearray(content)
    for _ in range(draw(st.sampled_from([1, 1, 2, 4, 12]))):
        size = len(found)
        if not size:
            break
        at = draw(st.integers(0, min(size, reach or size) - 1))
        deed = draw(st.sampled_from(["set", "set", "set", "flip", "cut", "grow", "tail"]))
        if deed == "set":
            found[at] = draw(st.sampled_from([0, 1, 9, 10, 32, 45, 127, 128, 254, 255]))
        elif deed == "flip":
            found[at] ^= 1 << draw(st.integers(0, 7))
        elif deed == "cut":
            del found[at : at + draw(st.integers(1, 64))]
        elif deed == "grow":
            found[at:at] = draw(st.binary(min_size=1, max_size=16))
        else:
            del found[at:]
    return bytes(found)


@st.composite
def spoilt_text(draw: st.DrawFn, text: str) -> str:
    """A text with pieces taken out, doubled, moved or put in."""
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(text)))
        cut = draw(st.sampled_from([0, 0, 1, 2, 5, 40]))
        put = draw(
            st.one_of(
                st.just(""), st.sampled_from(WORDS),
                st.text(alphabet="\n :,-[]{}&*!|>'\"#?%<@`1.emN/\t", max_size=6),
                st.just(text[max(0, at - 60) : at]),
            )
        )  # fmt: skip
        text = text[:at] + put + text[at + cut :]
    return text
