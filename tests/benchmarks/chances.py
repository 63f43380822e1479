"""What chances cost: ``python tests/benchmarks/chances.py [--small]``.

Every rule on every member at a point against the deterministic grading of the same number of hours.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.measure import Row, in_turn, tell

MEMBERS, HOURS = 51, 120


def rows(*, small: bool = False) -> Iterator[Row]:
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
    for what, forecast in (("dressed from one run", one), ("an ensemble's own", ensemble)):
        mine, theirs = in_turn(
            3 if small else 15,
            lambda f=forecast: make_chances([f], brief.rulebook, **about),
            lambda: grade(many, brief.rulebook, latitude=brief.site.latitude, **who),
        )  # fmt: skip
        yield Row(f"chances of {MEMBERS} members x {HOURS} h, {what}", mine / theirs,
                  "plain grading of as many hours", mine)  # fmt: skip


if __name__ == "__main__":
    tell(rows(small="--small" in sys.argv))
