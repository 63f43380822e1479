"""The level dimensions of the contract, and which quantity has which."""

from __future__ import annotations

from collections.abc import Mapping

LEVELS: Mapping[str, tuple[str, str]] = {
    # dimension of a column: (unit inside, CF standard name)
    "height": ("m", "height"),
    "air_pressure": ("Pa", "air_pressure"),
}
#: The level dimension of each quantity that is a column.
COLUMNS: Mapping[str, str] = {
    "eastward_wind": "height",
    "northward_wind": "height",
    "air_temperature_at_heights": "height",
    "eastward_wind_on_levels": "air_pressure",
    "northward_wind_on_levels": "air_pressure",
    "geopotential_height_on_levels": "air_pressure",
    "air_temperature_on_levels": "air_pressure",
}
