"""The check on the field: what is measured and seen there, held against the forecast hour.

It works one way only. What is stronger, wetter or thicker than forecast makes the hours worse;
what is weaker or better changes nothing: shelter, a lull and calm air below a jet are far likelier
than so wrong a forecast.
"""

from __future__ import annotations

from wxgate.fieldcheck.cap import capped
from wxgate.fieldcheck.check import FieldCheck, Station, check_field, worst_of
from wxgate.fieldcheck.seen import Seen, beaufort_speed, seen_from_report

__all__ = [
    "FieldCheck",
    "Seen",
    "Station",
    "beaufort_speed",
    "capped",
    "check_field",
    "seen_from_report",
    "worst_of",
]
