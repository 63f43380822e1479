"""What verification found, in plain words and numbers; and as JSON, and as plots."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from wxgate.hindsight.findings import FEW, Findings, QuantityError, Verified, allows
from wxgate.hindsight.observed import DIRECTION
from wxgate.quantities import quantity
from wxgate.report.words import shown
from wxgate.units import convert, counted

WIDTH = 80
_GRADES = ("go", "marginal", "no-go")


def hindsight_text(found: Findings) -> str:
    """The findings in plain text of 80 columns, the plainest words first, ending in a newline."""
    whole = found.whole
    lines = [
        f"{counted(whole.cases, 'verdict was', 'verdicts were')} held against observations, of each"
        " hour the last one."
    ]
    if not whole.cases:
        return lines[0] + "\nNothing can be said. Check the times, the site and the station.\n"
    lines += [*_unknown(found), allows(whole.false_go), *_bounds(whole), *_missed(whole)]
    lines += [*_windows(found), *_worth(whole)]
    blocks = [textwrap.fill(line, WIDTH, subsequent_indent="  ") for line in lines]
    blocks += ["", *_table(found), "", *_leads(found), "", *_quantities(whole), *_spreads(whole)]
    blocks += [*_directions(found), *_chances(whole), "", *_fine_print(found)]
    return "\n".join(blocks) + "\n"


def _unknown(found: Findings) -> Iterator[str]:
    if found.unknown:
        lacking = ", ".join(_label(n) for n in found.unobserved if n != DIRECTION)
        yield (
            f"Of {found.unknown} of them it is not known what they were by the rules"
            + (f": the observations never tell {lacking}." if lacking else ".")
        )


def _label(name: str) -> str:
    return quantity(name).label.split(",")[0]


def _bounds(whole: Verified) -> Iterator[str]:
    low, high = whole.false_go_bounds
    if math.isfinite(low) and math.isfinite(high) and high > low:
        yield (
            f"Reports without a gust leave it open below mean + 10 kt: with the least gust"
            f" {low:.1%}, with the greatest {high:.1%} of the hours told go were no-go."
        )


def _missed(whole: Verified) -> Iterator[str]:
    missed = whole.missed_go
    if missed.cases:
        yield (
            f"Of hours observed go {missed.value:.1%} had been told no-go"
            f" (between {missed.low:.0%} and {missed.high:.0%})."
        )


def _windows(found: Findings) -> Iterator[str]:
    windows, steady = found.whole.missed_windows, found.steadiness
    if windows.cases:
        yield (
            f"Of {windows.cases:.0f} windows that were observed {windows.value:.0%} had no hour"
            f" that was told go or marginal (between {windows.low:.0%} and {windows.high:.0%})."
        )
    if steady.hours:
        yield (
            f"Of {counted(steady.hours, 'hour')} that three briefs or more told of,"
            f" {steady.wavered} went to"
            f" another grade and back (flip-flop index {steady.index:.2f}, 0 steady)."
        )


def _worth(whole: Verified) -> Iterator[str]:
    if whole.independent < whole.cases:
        yield (
            f"Neighbouring hours go wrong together: "
            f"{counted(whole.cases, 'verdict is', 'verdicts are')} worth"
            f" {whole.independent:.0f} independent ones."
        )
    if whole.independent < FEW:
        yield "That is too few to change a rule, or to trust a bias, by."


def _table(found: Findings) -> Iterator[str]:
    whole, costs = found.whole, found.costs
    yield "By rules that reports can answer, at 10 m (rows: forecast, columns: observed)"
    yield f"  {'':10}" + "".join(f"{word:>10}" for word in _GRADES)
    for word, row in zip(_GRADES, whole.table, strict=True):
        yield f"  {word:10}" + "".join(f"{int(n):10d}" for n in row)
    yield (
        f"  Gerrity {_number(whole.gerrity)} (1 perfect, 0 chance); FIRM {_number(whole.firm)}"
        f" at 10 m, {_number(whole.firm_issued)} as issued (0 perfect)"
    )
    yield (
        f"  FIRM costs: a miss {costs.miss:g}, a false alarm {1 - costs.miss:g};"
        f" to marginal times {costs.steps[0]:g}, to no-go {costs.steps[1]:g}"
    )


def _leads(found: Findings) -> Iterator[str]:
    heads = f"{'false go':>12}{'up to':>8}{'missed go':>12}{'Gerrity':>10}"
    yield f"{'lead time':14}{'hours':>8}{heads}"
    for label, part in found.by_lead.items():
        yield _row(label, part)
    if len(found.by_site) > 1:
        for site, part in found.by_site.items():
            yield _row(site[:13], part)


def _row(label: str, part: Verified) -> str:
    false, missed = part.false_go, part.missed_go
    return (
        f"{label:14}{part.cases:8d}{_share(false.value):>12}{_share(false.high):>8}"
        f"{_share(missed.value):>12}{_number(part.gerrity):>10}"
    )


def _quantities(whole: Verified) -> Iterator[str]:
    yield f"{'10 m and surface':26}{'hours':>8}{'bias':>14}{'RMSE':>14}{'CRPS':>14}"
    for name, error in whole.quantities.items():
        label = _label(name)[:25]
        sizes = (_difference(name, value).lstrip("+") for value in (error.rmse, error.crps))
        yield f"{label:26}{error.cases:8d}" + "".join(
            f"{text:>14}" for text in (_difference(name, error.bias), *sizes)
        )


def _spreads(whole: Verified) -> Iterator[str]:
    told = {n: e.spread for n, e in whole.quantities.items() if e.spread is not None}
    if not told:
        return
    yield ""
    heads = f"{'hours':>8}{'CRPS':>14}{'of one number':>15}{'inside':>9}{'up to':>8}"
    yield f"{'spread of the weathers':26}{heads}"
    for name, error in told.items():
        sizes = [_difference(name, v).lstrip("+") for v in (error.crps, error.crps_single)]
        inside = f"{_share(error.inside.value):>9}{_share(error.inside.high):>8}"
        yield f"{_label(name)[:25]:26}{error.cases:8d}{sizes[0]:>14}{sizes[1]:>15}{inside}"
    meant = next(iter(told.values())).meant
    yield f"  {meant:.0%} are to lie inside; fewer: the weathers are too sure, more: too wide"


def _directions(found: Findings) -> Iterator[str]:
    if not found.by_direction:
        return
    yield ""
    yield "Wind by forecast direction: its bias, and what of it can be believed"
    for sector, errors in found.by_direction.items():
        error = errors.get("wind_speed")
        if error is not None:
            yield (
                f"  {sector:4}{error.cases:6d} h, {_difference('wind_speed', error.bias):>10}"
                f" -> {_difference('wind_speed', error.learned):>10}{_doubt(error)}"
            )


def _doubt(error: QuantityError) -> str:
    few = error.independent < FEW
    return f"  (worth {error.independent:.0f} cases: cannot be known)" if few else ""


def _chances(whole: Verified) -> Iterator[str]:
    if whole.brier is None:
        return
    parts = whole.brier
    yield ""
    yield from textwrap.wrap(
        f"Chance to fly: Brier {parts.brier:.3f} = reliability {parts.reliability:.3f} - resolution"
        f" {parts.resolution:.3f} + uncertainty {parts.uncertainty:.3f}",
        WIDTH, subsequent_indent="  ",
    )  # fmt: skip
    for row in whole.reliability:
        if row.cases:
            came = row.observed
            yield (
                f"  told {row.mean_probability:4.0%}: came in {came.value:4.0%} of {row.cases} h"
                f" ({came.low:.0%} to {came.high:.0%})"
            )


def _fine_print(found: Findings) -> Iterator[str]:
    told = [
        "Wind and gust are compared at 10 m, as stations measure them; an airport is an open place,"
        " often with fewer gusts than a field between trees. Nothing here says how it blows at"
        " flight height.",
    ]
    if found.left_out:
        told.append(f"Left out on both sides, since no report tells: {', '.join(found.left_out)}.")
    if found.other_rules:
        told.append(
            f"{counted(found.other_rules, 'brief was', 'briefs were')} graded by other rules than"
            " those in force now."
        )
    if found.others:
        told.append(
            f"{counted(found.others, 'brief', 'briefs')} for another aircraft or skill"
            f" {'was' if found.others == 1 else 'were'} not looked at."
        )
    if len(found.by_site) > 1:
        told.append("One place's observations were held against several sites: see --site.")
    told.append("A bias is offered, never applied by itself: see --offer.")
    for text in told:
        yield textwrap.fill(text, WIDTH, subsequent_indent="  ", max_lines=4)


def _number(value: float) -> str:
    return f"{value:.2f}" if math.isfinite(value) else "-"


def _share(value: float) -> str:
    return f"{value:.1%}" if math.isfinite(value) else "-"


def _difference(name: str, value: float) -> str:
    """A difference of two values of a quantity, with its unit: 1 K is 1 degree, not -272."""
    row = quantity(name)
    if row.units == "K":
        return f"{value:+.1f} K"
    number = convert(value, row.units, row.shown_units, difference=True)
    unit = shown(name, 0.0).split(" ", 1)[-1]
    return f"{number:+.2f} {unit}"


# ---------------------------------------------------------------------- for programs


def hindsight_json(found: Findings) -> dict[str, Any]:
    """The findings as plain dicts and lists; what is not known is null."""
    return {
        "schema": 1,
        "whole": _plain(asdict(found.whole)),
        "by_lead": {k: _plain(asdict(v)) for k, v in found.by_lead.items()},
        "by_site": {k: _plain(asdict(v)) for k, v in found.by_site.items()},
        "by_direction": {
            sector: {name: _plain(asdict(error)) for name, error in errors.items()}
            for sector, errors in found.by_direction.items()
        },
        "steadiness": _plain(asdict(found.steadiness)),
        "left_out": list(found.left_out),
        "unobserved": list(found.unobserved),
        "unknown": found.unknown,
        "costs": _plain(asdict(found.costs)),
        "other_rules": found.other_rules,
        "other_aircraft_or_pilots": found.others,
    }


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return value


def offered_bias(found: Findings) -> str:
    """The bias that was learned as YAML with its cases beside it, to be looked at before use.

    ``add`` is what corrects the forecast: the mean error with its sign turned, drawn towards none.
    """
    lines = [
        "# Learned by wxgate from past verdicts and observations at 10 m; nothing applies it by",
        "# itself. Few independent cases mean that it cannot be told from chance.",
        "bias:",
    ]
    rows = [("", name, error) for name, error in found.whole.quantities.items()]
    rows += [
        (sector, name, error)
        for sector, errors in found.by_direction.items()
        for name, error in errors.items()
    ]
    for sector, name, error in rows:
        lines += [f"  - quantity: {name}", f"    add: {-error.learned:.3f} {quantity(name).units}"]
        lines += [f"    wind_from: {sector}"] if sector else []
        lines += [f"    cases: {error.cases}", f"    independent: {error.independent:.0f}"]
    return "\n".join(lines) + "\n"
