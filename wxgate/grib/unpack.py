"""The packed values of one GRIB field, unpacked: the only module that imports eccodes.

eccodes never sees a message whose sections do not add up, nor one of a grid or product that it
might not know.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wxgate.errors import DataError

#: The eccodes "missing" that no field can hold; its own 9999 is a legal height of cloud.
_MISSING = -1.0e30
#: Magnitudes that some producers write for "missing" without a bitmap (9.999e20).
_SENTINEL = 1.0e20
#: Sections of a forecast of nothing in particular on one row of points: see _plain_message.
_SECTION_1 = bytes.fromhex("00000015 01 0000 0000 02 00 00 07d0 01 01 00 00 00 00 00")
_SECTION_3 = bytes.fromhex(
    "00000048 03 00 00000001 00 00 0000 06 00 00000000 00 00000000 00 00000000 00000001 00000001"
    "00000000 ffffffff 00000000 00000000 30 00000000 00000000 00000001 00000001 00"
)
_SECTION_4 = bytes.fromhex(
    "00000022 04 0000 0000 00 00 00 00 00 0000 00 01 00000000 01 00 00000000 ff ff ffffffff"
)

Sections = tuple[bytes, bytes, bytes]  #: sections 5 to 7 of a field


def unpack(packed: Sections, points: int, position: int) -> NDArray[np.float32]:
    """The values in the message's own order, NaN where missing."""
    eccodes = _eccodes()
    try:
        handle = eccodes.codes_new_from_message(_plain_message(packed, points))
        try:
            eccodes.codes_set(handle, "missingValue", _MISSING)
            values = eccodes.codes_get_values(handle)
        finally:
            eccodes.codes_release(handle)
    except (eccodes.CodesInternalError, ValueError, MemoryError) as error:
        raise _fault(f"the values cannot be unpacked ({error})", position) from error
    if values.size != points:
        raise _fault(f"{values.size} values were unpacked for {points} points", position)
    with np.errstate(over="ignore", invalid="ignore"):
        single: NDArray[np.float32] = values.astype(np.float32)
        single[~(np.abs(single) < _SENTINEL)] = np.nan
    return single


def _plain_message(packed: Sections, points: int) -> bytes:
    """Sections 5 to 7 in a message whose other sections are plain.

    What the values are depends on these sections and the number of points alone. So eccodes meets
    neither grids nor products that it might not know, nor damaged ones.
    """
    row = points.to_bytes(4, "big") + (1).to_bytes(4, "big")
    body = b"".join((_SECTION_1, _SECTION_3[:6], row[:4], _SECTION_3[10:30], row,
                     _SECTION_3[38:], _SECTION_4, *packed, b"7777"))  # fmt: skip
    return b"GRIB\x00\x00\x00\x02" + (16 + len(body)).to_bytes(8, "big") + body


@lru_cache(maxsize=1)
def _eccodes() -> Any:
    """The eccodes module, its chatter on standard error silenced."""
    # PROJ must be loaded first: the other way round the process crashes when it ends.
    import pyproj  # noqa: F401  # isort: skip
    import eccodes

    _silence()
    return eccodes


#: Kept for as long as the program runs: eccodes holds its address.
_quiet: list[Any] = []


def _silence() -> None:
    """Give eccodes a logger that drops everything; each fault is told by our own error."""
    import ctypes

    from gribapi import bindings

    prototype = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_int, ctypes.c_char_p)
    logger = prototype(lambda context, level, message: None)
    library = ctypes.CDLL(bindings.library_path)
    library.grib_context_set_logging_proc.argtypes = [ctypes.c_void_p, prototype]
    library.grib_context_set_logging_proc(None, logger)
    _quiet.append(logger)


def _fault(what: str, position: int) -> DataError:
    return DataError(what, where=f"byte {position}", remedy="Fetch the file again.")
