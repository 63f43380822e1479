"""Held-out Brier skill of the calibration on the real sets; run by hand: ``python .../verify.py``.

Training is the earlier two thirds of each set, the test is the later third. Skill is against the
raw probability (or raw share of members) and against the training's observed frequency.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
SHARED = TESTS.parents[1] / "shared" / "data"
sys.path.insert(0, str(TESTS))

from verify_sets import SETS, Set, all_sets, split  # noqa: E402

from wxgate import verify  # noqa: E402


@dataclass(frozen=True)
class Row:
    """One set with one limit."""

    name: str
    train: int
    found: verify.HeldOut
    method: str
    seconds: float


def table(folder: Path, sets: Sequence[Set] = SETS) -> Iterator[Row]:
    """A row for each limit of each set."""
    for name, cases in all_sets(folder, sets):
        train, test = split(cases)
        began = time.perf_counter()
        calibration = verify.fit(train)
        found = verify.held_out(calibration, test)
        yield Row(name, len(train), found, calibration.report.method, time.perf_counter() - began)


def main(folder: Path = SHARED, sets: Sequence[Set] = SETS) -> None:
    """Print the table."""
    print(f"{'set':46} {'train':>6} {'test':>6} {'raw':>6} {'clim.':>6} {'ours':>6}"
          f" {'/raw':>6} {'+-':>5} {'/clim.':>6} {'s':>5}  method")  # fmt: skip
    for row in table(folder, sets):
        f = row.found
        print(
            f"{row.name:46} {row.train:6d} {f.n:6d} {f.brier_raw:6.3f} {f.brier_climatology:6.3f} "
            f"{f.brier:6.3f} {f.skill_against_raw:+6.2f} {f.doubt_raw / f.brier_raw:5.2f} "
            f"{f.skill_against_climatology:+6.2f} {row.seconds:5.1f}  {row.method}"
        )


if __name__ == "__main__":
    main()
