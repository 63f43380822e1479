"""The stop numbers held against the reading itself.

They carry a limit down to the meter by the wind's profile, a peak like a mean; the derivation
carries a peak up by its distance from the mean. Where the two differ the stop number is the
stricter, and what was announced as the end of flying must end it.
"""

from __future__ import annotations

from dataclasses import replace

from wxgate.daylimits.meter import StopNumbers
from wxgate.derive.handheld import height_factor
from wxgate.journal.records import Reading
from wxgate.verdict import Grade, Reason, Verdict

_BECAUSE = "the meter shows more than the reading that ends the flying"
_CAREFUL = "the meter shows more than what leaves room to the limits aloft"
_SOURCE = "the limits in force, carried down to the meter by the neutral wind profile"


def stopped(verdict: Verdict, reading: Reading, stops: StopNumbers, roughness: float) -> Verdict:
    """The verdict, no better than the reading allows; ``reading.height`` (m) must be there."""
    if reading.height is None:
        raise ValueError("the height of the meter is not known")
    # Brought to the height for which the stop numbers hold; a spread hardly changes with height.
    factor = float(height_factor(stops.meter_height, reading.height, roughness))
    mean, maximum = (None if v is None else v * factor for v in (reading.mean, reading.maximum))
    for quantity, value, stop, careful in (
        ("meter_wind_speed", mean, stops.mean, stops.careful_mean),
        ("meter_wind_maximum", maximum, stops.maximum, stops.careful_maximum),
        ("gust_spread", spread_of(reading), stops.spread, None),
    ):
        if value is None:
            continue
        for grade, limit in ((Grade.NO_GO, stop), (Grade.MARGINAL, careful)):
            if limit is not None and not value <= limit:
                verdict = _worse(verdict, _reason(quantity, value, limit, grade))
                break
    return verdict


def spread_of(reading: Reading) -> float | None:
    """How far the strongest wind lies above the mean, m/s; None where either was not read."""
    if reading.mean is None or reading.maximum is None:
        return None
    return reading.maximum - reading.mean


def _worse(verdict: Verdict, reason: Reason) -> Verdict:
    """The verdict with one reason more, which limits it if it is the worst."""
    reasons = (*verdict.reasons, reason)
    if reason.grade < verdict.grade:
        return replace(verdict, reasons=reasons)
    return replace(
        verdict, grade=reason.grade, reasons=reasons, limiting=reason.rule, margin=reason.margin
    )


def _reason(quantity: str, value: float, limit: float, grade: Grade) -> Reason:
    return Reason(
        rule=f"stop number ({quantity})", quantity=quantity, grade=grade, value=value, limit=limit,
        limit_grade=grade, limit_word="above", unit="m s-1",
        margin=(limit - value) / limit if limit else -1.0,
        because=_BECAUSE if grade is Grade.NO_GO else _CAREFUL, source=_SOURCE, layer="field",
    )  # fmt: skip
