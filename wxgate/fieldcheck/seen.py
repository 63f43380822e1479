"""What was measured and seen, brought to what a forecast speaks of."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from wxgate.derive.handheld import height_factor
from wxgate.errors import UsageError
from wxgate.journal.records import Reading
from wxgate.sources.aviation_formats import Report
from wxgate.units import convert, parse_amount

#: Heights (m) at which a hand-held meter, or one on a mast, can be read.
LOWEST_METER, HIGHEST_METER = 0.5, 30.0
STANDARD_HEIGHT = 10.0  #: m, of the wind in forecasts and station reports
#: Groups of present weather (WMO-No. 306, code table 4678): what falls, and thunder.
_FALLS = re.compile(r"DZ|RA|SN|SG|PL|GR|GS|IC|UP")
_NEARBY = "VC"
#: Thunder, and what comes with thunderstorms alone: squalls and funnel clouds.
_STORM = re.compile(r"TS|SQ|FC")
_METRIC = ("m/s", "km/h")  #: who tells wind in these tells heights in metres
_UNIT = re.compile(r"[A-Za-z]\S*\s*\Z")
#: The strongest wind on a meter that anybody stands in, m/s.
STRONGEST = 75.0


@dataclass(frozen=True, slots=True)
class Seen:
    """What is there now. ``wind`` and ``gust`` hold at 10 m; ``aloft`` at ``aloft_height``."""

    wind: float | None = None  #: m/s, mean
    gust: float | None = None  #: m/s
    aloft: float | None = None  #: m/s, mean
    aloft_height: float | None = None  #: m above ground
    rain: bool | None = None
    thunder: bool | None = None
    visibility: float | None = None  #: m
    ceiling: float | None = None  #: m above ground
    temperature: float | None = None  #: K
    dew_point: float | None = None  #: K

    @property
    def anything(self) -> bool:
        """Whether anything at all was looked at."""
        return any(getattr(self, name) is not None for name in self.__slots__)


def beaufort_speed(force: int) -> float:
    """The 10 m mean wind in the middle of a force, m/s; UsageError for what is no force.

    Source: U = 0.836 B^1.5, from memory; the bounds of WMO-No. 306 code table 1100 enclose it.
    """
    if not 0 <= force <= 12:
        raise UsageError(f"Beaufort {force} is no force", remedy="Forces are 0 to 12.")
    return 0.836 * math.pow(force, 1.5)


def seen_from_reading(reading: Reading, roughness: float, meter_height: float) -> Seen:
    """A pilot's reading, with the wind brought to 10 m by the neutral profile over the field.

    The difference between the strongest and the mean wind hardly changes with height in the lowest
    hundred metres (science of turbulence near the ground: its spread is almost constant there), so
    it is added to the mean at 10 m. A reading without a height is one at ``meter_height`` (m).
    UsageError for numbers that no field shows.
    """
    _check(reading)
    height = meter_height if reading.height is None else reading.height
    factor = float(height_factor(STANDARD_HEIGHT, height, roughness))
    winds, gusts = [], []
    if reading.mean is not None:
        winds.append(reading.mean * factor)
    if reading.beaufort is not None:
        winds.append(beaufort_speed(reading.beaufort))
    wind = max(winds, default=None)
    if reading.maximum is not None:
        # Without a mean the maximum is at least itself; it also is where it blows less than 10 m.
        gusts.append(reading.maximum)
        if reading.mean is not None:
            gusts.append(reading.mean * factor + reading.maximum - reading.mean)
    return Seen(
        wind=wind,
        gust=max(gusts, default=None),
        aloft=reading.hover,
        aloft_height=reading.hover_height,
        rain=reading.rain,
        thunder=reading.thunder,
        visibility=reading.visibility,
        # Cloud over half of the sky or less is no ceiling; how much is taken as more than that
        # where it was not told.
        ceiling=reading.cloud_base if reading.cloud is None or reading.cloud > 0.5 else None,
        temperature=reading.temperature,
    )


def seen_from_report(report: Report) -> Seen:
    """A station's report; a gust that is not told is not known, only bounded from above."""
    says = report.says
    weather = [group for group in says.weather if not group.startswith(_NEARBY)]
    return Seen(
        wind=says.wind,
        gust=says.gust,
        rain=any(_FALLS.search(group) for group in weather) if weather else None,
        # Thunder in the vicinity is thunder for someone who stands below it.
        thunder=any(map(_STORM.search, says.weather)) if says.weather else None,
        visibility=None if says.visibility_bound == "at least" else says.visibility,
        ceiling=says.ceiling,
        temperature=says.temperature,
        dew_point=says.dew_point,
    )


def _check(reading: Reading) -> None:
    """UsageError for numbers that no field shows, with the one that is wrong."""
    speeds = {"mean": reading.mean, "maximum": reading.maximum, "hover": reading.hover}
    for name, value in speeds.items():
        _within(name, value, 0, STRONGEST, "m/s")
    _within("height of the meter", reading.height, LOWEST_METER, HIGHEST_METER, "m")
    _within("height of the hover", reading.hover_height, 1, 500, "m")
    _within("visibility", reading.visibility, 0, 300_000, "m")
    _within("cloud base", reading.cloud_base, 0, 15_000, "m")
    _within("temperature", reading.temperature, 200, 335, "K")
    if reading.mean is not None and reading.maximum is not None and reading.maximum < reading.mean:
        raise UsageError(
            f"the strongest wind ({reading.maximum:g} m/s) is less than the mean"
            f" ({reading.mean:g} m/s)",
            remedy="Write the mean first, then the strongest, then the height of the meter.",
        )
    if reading.hover is not None and reading.hover_height is None:
        raise UsageError("the height of the hover is not told", remedy="Add --hover-height.")


def _within(name: str, value: float | None, low: float, high: float, unit: str) -> None:
    if value is not None and not (math.isfinite(value) and low <= value <= high):
        raise UsageError(
            f"{name}: {value:g} {unit} is not between {low:g} and {high:g} {unit}",
            remedy="Check the number and its unit.",
        )


def numbers(texts: Sequence[str], unit: str) -> tuple[float | None, float | None, float | None]:
    """Mean and strongest wind (m/s) and the height of the meter (m), from up to three texts.

    A bare wind is in ``unit``, and any may have its own behind it (10kt). A comma may stand for
    the point, and ``-`` or ``?`` for what was not measured. UsageError, in the words that were
    typed, for anything else.
    """
    if len(texts) > 3:
        raise UsageError(
            f"{len(texts)} numbers were given",
            remedy="Three suffice: the mean, the strongest, and the height of the meter in m.",
        )
    mean, maximum, height = [*texts, *["-"] * (3 - len(texts))]
    found = _amount(mean, unit, "m s-1"), _amount(maximum, unit, "m s-1"), _amount(height, "m", "m")
    for label, text, value in (("mean", mean, found[0]), ("strongest wind", maximum, found[1])):
        if value is not None and not 0 <= value <= STRONGEST:
            most = convert(STRONGEST, "m s-1", unit)
            raise UsageError(
                f"{label}: {text} is not between 0 and {most:.0f} {unit}",
                remedy="Check the number and its unit.",
            )
    if found[0] is not None and found[1] is not None and found[1] < found[0]:
        raise UsageError(
            f"the strongest wind ({maximum}) is less than the mean ({mean})",
            remedy="Write the mean first, then the strongest, then the height of the meter.",
        )
    return found


def refuse_feet(texts: Sequence[str], unit: str, highest_hand: float) -> None:
    """UsageError where the height of the meter in ``texts`` may be in feet: bare, beside knots.

    ``highest_hand`` (m) is as high as a hand holds it. Six metres taken for six feet would make
    the wind aloft look weaker than it is.
    """
    if len(texts) < 3 or unit in _METRIC or _UNIT.search(texts[2]):
        return
    height = _amount(texts[2], "m", "m")
    if height is not None and height > highest_hand:
        raise UsageError(
            f"the height of the meter, {texts[2]}, has no unit",
            remedy=f"Write {texts[2]}ft or {texts[2]}m.",
        )


def _amount(text: str, unit: str, to_unit: str) -> float | None:
    """A number with or without its unit behind it; UsageError when it is neither."""
    told = text.strip().replace(",", ".")
    if told in {"-", "?"}:
        return None
    try:
        return parse_amount(told if _UNIT.search(told) else f"{told} {unit}", to_unit)
    except UsageError as error:
        raise UsageError(
            f"{text!r} is no number that can be used ({error.what})",
            remedy="Write for example: wxgate field 3.5 5.2 2",
        ) from error
