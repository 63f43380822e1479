"""Law: windows are what their hours allow, and the best one is chosen as it is said to be."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hours import START

from wxgate.verdict import Grade, Reason, Verdict
from wxgate.windows import best_window, windows

pytestmark = pytest.mark.law


def hours(text: str, margins: list[float] | None = None) -> list[Verdict]:
    """Hours from letters: g go, m marginal, n no-go, u unknown."""
    grades = {"g": Grade.GO, "m": Grade.MARGINAL, "n": Grade.NO_GO, "u": Grade.UNKNOWN}
    found = []
    for i, letter in enumerate(text):
        start = START + timedelta(hours=i)
        margin = 0.5 if margins is None else margins[i]
        grade = grades[letter]
        reason = Reason("r", "visibility", grade, 1.0, 2.0, grade, "below", "m", margin, "", "", "")
        found.append(Verdict(start, start + timedelta(hours=1), grade, (reason,), margin, "r"))
    return found


def spans(found) -> list[tuple[int, int]]:  # type: ignore[no-untyped-def]
    return [(int((w.start - START).total_seconds() // 3600), int(w.length_h)) for w in found]


def test_windows_are_the_longest_runs() -> None:
    assert spans(windows(hours("nggmggun"))) == [(1, 2), (4, 2)]
    assert spans(windows(hours("nggmggun"), at_worst=Grade.MARGINAL)) == [(1, 5)]
    assert spans(windows(hours("nggmgun"), minimum_h=2)) == [(1, 2)]
    assert spans(windows(hours("unun"))) == []
    assert spans(windows([])) == []


@pytest.mark.parametrize("worst", [Grade.UNKNOWN, Grade.NO_GO])
def test_a_window_of_worse_hours_cannot_be_asked_for(worst: Grade) -> None:
    with pytest.raises(ValueError, match="nothing else"):
        windows(hours("g"), at_worst=worst)


def test_go_comes_before_marginal_and_room_before_time() -> None:
    assert spans([best_window(hours("mmmmng"))]) == [(5, 1)]
    assert spans([best_window(hours("ggng", [0.2, 0.2, 0, 0.6]))]) == [(3, 1)]
    assert spans([best_window(hours("gng", [0.50, 0, 0.51]))]) == [(0, 1)], "ties go to the earlier"
    assert spans([best_window(hours("gnmm"), minimum_h=2)]) == [(2, 2)]
    assert best_window(hours("nnuu")) is None


def test_an_hour_without_a_margin_has_no_room() -> None:
    alone = hours("gng")
    bare = Verdict(alone[0].start, alone[0].end, Grade.GO, (), None, None)
    assert spans([best_window([bare, *alone[1:]])]) == [(2, 1)]
