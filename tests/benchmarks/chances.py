"""What chances cost: ``python tests/benchmarks/chances.py [--quick]``.

Every rule on every member at a point against the deterministic grading of the same number of hours,
both in one process; and a brief from stored hours with its chances against one without.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from run import Row, best, process  # noqa: E402

MEMBERS, HOURS = 51, 120
WITHOUT = (
    "import sys; sys.argv = ['wxgate', 'brief', '--demo'];"
    "import wxgate.cli.prepare as p; p.policy_of = lambda named: None;"
    "from wxgate.cli.main import run; run()"
)
WITH = (
    "import sys; sys.argv = ['wxgate', 'brief', '--demo']; from wxgate.cli.main import run; run()"
)


def members(quick: bool) -> list[Row]:
    """51 members x 120 h by the full rulebook: dressed from one run, and an ensemble's own."""
    from hours import demonstration_brief

    from wxgate.forecast import HOUR
    from wxgate.grade import grade
    from wxgate.quantities import Kind
    from wxgate.weathers import default_policy, make_chances

    brief = demonstration_brief()
    base = brief.forecasts[0]

    def long(hours: int, count: int | None = None):  # type: ignore[no-untyped-def]
        at = np.arange(hours) % (base.time.size - 1)
        fields = {}
        for name, f in base.fields.items():
            values, origin = f.values, f.origin
            if f.kind is not Kind.CONSTANT:
                values, origin = values[at], None if origin is None else origin[at]
                if count:
                    values = np.repeat(values[..., None], count, axis=-1)
            fields[name] = replace(f, values=values, origin=origin)
        grid = {"grid": {"dims": ("member",)}} if count else {}
        time = base.time[0] + np.arange(hours) * HOUR
        return replace(base, time=time, fields=fields, attributes={**base.attributes, **grid})

    who = {"aircraft": brief.aircraft, "skill": brief.pilot.skill, "height": brief.height}
    policy = default_policy()
    sized = {**policy.sections["members"], "count": MEMBERS}
    policy = replace(policy, sections={**policy.sections, "members": sized})
    about = {**who, "site": brief.site, "now": brief.now, "policy": policy}
    one, many, ensemble = long(HOURS), long(HOURS * MEMBERS), long(HOURS, MEMBERS)
    times = 3 if quick else 15

    def plain() -> object:
        return grade(many, brief.rulebook, latitude=brief.site.latitude, **who)

    rows = []
    for what, forecast in (("dressed from one run", one), ("an ensemble's own", ensemble)):
        mine, theirs = zip(*(
            (best(lambda f=forecast: make_chances([f], brief.rulebook, **about), 1), best(plain, 1))
            for _ in range(times)
        ), strict=True)  # fmt: skip
        rows.append(Row(f"{MEMBERS} members x {HOURS} h, {what}", min(mine) / min(theirs),
                        "deterministic grading of as many hours", min(mine)))  # fmt: skip
    return rows


def start_up(quick: bool) -> Row:
    """A brief from stored hours with its chances against the same without."""
    with tempfile.TemporaryDirectory() as folder:
        one, other = process(WITH, folder), process(WITHOUT, folder)
        one()
        pairs = [(best(one, 1), best(other, 1)) for _ in range(3 if quick else 15)]
    mine, theirs = (min(column) for column in zip(*pairs, strict=True))
    return Row("brief from stored hours, with chances", mine / theirs, "without chances", mine)


def main(quick: bool = False) -> list[Row]:
    """Run all and print the table."""
    rows = [*members(quick), start_up(quick)]
    print("| what | ratio | against | ms |\n|---|---|---|---|")
    for row in rows:
        print(row)
    return rows


if __name__ == "__main__":
    main(quick="--quick" in sys.argv)
