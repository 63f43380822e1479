"""Fitted methods as plain dicts, lists and numbers, and back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

from wxgate.errors import UsageError
from wxgate.verify.bias import ShrunkBias
from wxgate.verify.emos import Emos
from wxgate.verify.methods import (
    Climatology,
    EmosMethod,
    EnsembleLogistic,
    Fitted,
    Identity,
    Recalibrated,
)
from wxgate.verify.recalibrate import Beta, Drawn, Isotonic, Logistic

_CURVES: dict[str, Callable[..., Any]] = {c.__name__: c for c in (Logistic, Beta, Isotonic, Drawn)}
_METHODS: dict[str, Callable[..., Fitted]] = {
    c.__name__: c for c in (Identity, Climatology, Recalibrated, EmosMethod, EnsembleLogistic)
}


def to_plain(fitted: Fitted) -> dict[str, Any]:
    """A fitted method as plain dicts, lists and numbers."""
    plain = {"method": type(fitted).__name__, **asdict(fitted)}  # type: ignore[call-overload]
    if isinstance(fitted, Recalibrated):
        plain["curve"] = curve_to_plain(fitted.curve)
    return plain


def curve_to_plain(curve: Logistic | Beta | Isotonic | Drawn | None) -> dict[str, Any] | None:
    """A recalibration curve as plain values; None stays None."""
    return None if curve is None else {"kind": type(curve).__name__, **asdict(curve)}


def curve_from_plain(plain: Mapping[str, Any] | None) -> Any:
    """The reverse of :func:`curve_to_plain`."""
    if plain is None:
        return None
    values = _frozen(plain)
    return _CURVES[values.pop("kind")](**values)


def from_plain(plain: Mapping[str, Any]) -> Fitted:
    """The reverse of :func:`to_plain`; UsageError for anything else."""
    try:
        values = _frozen(plain)
        name = values.pop("method")
        for key in ("bias", "stations"):
            if key in values:
                values[key] = ShrunkBias(**_frozen(values[key]))
        if "curve" in values:
            values["curve"] = curve_from_plain(values["curve"])
        if "emos" in values:
            values["emos"] = Emos(**_frozen(values["emos"]))
        return _METHODS[name](**values)
    except (AttributeError, KeyError, TypeError) as fault:
        raise UsageError(f"this is no stored calibration ({fault})", remedy="Fit anew") from fault


def _frozen(plain: Mapping[str, Any]) -> dict[str, Any]:
    return {key: tuple(v) if isinstance(v, list) else v for key, v in plain.items()}
