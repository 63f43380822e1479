"""Sections 5 to 7 of a GRIB message: whether the packed values can be what they claim.

eccodes trusts these numbers and reads or writes beyond its buffers when they lie, which ends the
process (found by mutating real messages). So whatever a message says of its number of values,
groups and bits is added up here first; a damaged message then ends in an error.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wxgate.grib.octets import Octets

_MOST_BITS = 32
_SIMPLE, _COMPLEX, _SPATIAL, _IEEE, _JPEG2000, _PNG, _CCSDS = 0, 2, 3, 4, 40, 41, 42


def check_packing(sections: tuple[bytes, bytes, bytes], points: int, where: str) -> None:
    """DataError unless the numbers of values, bits and octets of sections 5 to 7 agree."""
    head, bitmap, body = (Octets(s, n, where) for n, s in enumerate(sections, 5))
    count = head.unsigned(6, 4)
    expected = _values_by_bitmap(bitmap, points)
    if count != expected:
        raise head.fault(f"it announces {count} values where the grid has {expected}")
    checks = {
        _SIMPLE: _check_simple,
        _COMPLEX: _check_groups,
        _SPATIAL: _check_groups,
        _IEEE: _check_ieee,
        _JPEG2000: _check_jpeg2000,
        _PNG: _check_png,
        _CCSDS: _check_ccsds,
    }
    template = head.unsigned(10, 2)
    if template not in checks:
        raise head.fault(f"packing 5.{template} is not one that is read")
    checks[template](head, body, count)


def _values_by_bitmap(octets: Octets, points: int) -> int:
    """How many of the points have a value."""
    indicator = octets.unsigned(6)
    if indicator == 255:
        return points
    if indicator != 0:
        raise octets.fault(f"bitmap {indicator} is agreed between centres and not in the message")
    octets.unsigned(6 + (points + 7) // 8)
    bits = np.unpackbits(np.frombuffer(octets.section, np.uint8, offset=6), count=points)
    return int(np.count_nonzero(bits))


def _check_simple(head: Octets, body: Octets, count: int) -> None:
    """5.0: count values of one width."""
    bits = _bits(head, 20)
    _check_room(body, 5, count * bits)


def _check_ieee(head: Octets, body: Octets, count: int) -> None:
    """5.4: count floating-point numbers of 4 or 8 octets."""
    precision = head.unsigned(12)
    if precision not in (1, 2):
        raise head.fault(f"IEEE precision {precision} is not one that is read")
    _check_room(body, 5, count * 32 * precision)


def _check_groups(head: Octets, body: Octets, count: int) -> None:
    """5.2 and 5.3: the groups hold all values, and section 7 holds all groups."""
    groups = head.unsigned(32, 4)
    at = 5 + _differencing_octets(head, count)
    if groups == 0:
        # A constant field; eccodes takes the reference value for every point.
        return
    if groups > count:
        raise head.fault(f"{groups} groups for {count} values")
    at = _check_room(body, at, groups * _bits(head, 20))
    widths, at = _packed(body, at, groups, _bits(head, 37))
    scaled, at = _packed(body, at, groups, _bits(head, 47))
    widths += head.unsigned(36)
    lengths = head.unsigned(38, 4) + scaled * head.unsigned(42)
    lengths[-1] = head.unsigned(43, 4)
    if int(widths.max()) > _MOST_BITS or int(lengths.sum()) != count:
        raise body.fault(f"its groups do not hold {count} values")
    _check_room(body, at, int((widths * lengths).sum()))


def _differencing_octets(head: Octets, count: int) -> int:
    """5.3: how many octets the first values and the least difference take; 0 in 5.2."""
    if head.unsigned(10, 2) == _COMPLEX:
        return 0
    order, width = head.unsigned(48), head.unsigned(49)
    if order not in (1, 2) or not 1 <= width <= 4 or (count and count <= order):
        raise head.fault(f"differences of order {order} in {width} octets")
    return (order + 1) * width


def _check_jpeg2000(head: Octets, body: Octets, count: int) -> None:
    """5.40: one component with as many samples as there are values (SIZ marker, ISO 15444-1)."""
    if _bits(head, 20) == 0 or count == 0:
        return
    if body.section[5:9] != b"\xff\x4f\xff\x51":
        raise body.fault("no JPEG 2000 image begins there")
    width = body.unsigned(14, 4) - body.unsigned(22, 4)
    height = body.unsigned(18, 4) - body.unsigned(26, 4)
    one_tile = body.unsigned(30, 4) >= width and body.unsigned(34, 4) >= height
    plain = body.unsigned(46, 2) == 1 and body.unsigned(49, 2) == 0x0101
    if width * height != count or not one_tile or not plain:
        raise body.fault(f"its image is not one of {count} values")


def _check_png(head: Octets, body: Octets, count: int) -> None:
    """5.41: as many pixels as values, of the announced width (IHDR, ISO/IEC 15948)."""
    bits = _bits(head, 20)
    if bits == 0 or count == 0:
        return
    if body.section[5:13] != b"\x89PNG\r\n\x1a\n" or body.section[17:21] != b"IHDR":
        raise body.fault("no PNG image begins there")
    channels = {0: 1, 2: 3, 6: 4}.get(body.unsigned(31), 0)
    pixels = body.unsigned(22, 4) * body.unsigned(26, 4)
    if pixels != count or body.unsigned(30) * channels != bits:
        raise body.fault(f"its image is not one of {count} values of {bits} bits")


def _check_ccsds(head: Octets, body: Octets, count: int) -> None:
    """5.42: the parameters are those that the CCSDS 121.0-B coder has."""
    bits, block, interval = _bits(head, 20), head.unsigned(23), head.unsigned(24, 2)
    if bits and count and (block not in (8, 16, 32, 64) or not 0 < interval <= 4096):
        raise head.fault(f"blocks of {block} and intervals of {interval}")


def _bits(head: Octets, at: int) -> int:
    bits = head.unsigned(at)
    if bits > _MOST_BITS:
        raise head.fault(f"{bits} bits for a number")
    return bits


def _check_room(body: Octets, at: int, bits: int) -> int:
    """The first octet (from 0) behind ``bits`` packed bits that begin at octet ``at``."""
    end = at + (bits + 7) // 8
    if end > len(body.section):
        raise body.fault(f"it ends {end - len(body.section)} octets too early")
    return end


def _packed(body: Octets, at: int, count: int, bits: int) -> tuple[NDArray[np.int64], int]:
    """``count`` unsigned numbers of ``bits`` bits, and the octet behind them."""
    end = _check_room(body, at, count * bits)
    if bits == 0:
        return np.zeros(count, np.int64), end
    section = np.frombuffer(body.section, np.uint8)[at:end]
    table = np.unpackbits(section, count=count * bits).reshape(count, bits)
    places = np.int64(1) << np.arange(bits - 1, -1, -1, dtype=np.int64)
    return table @ places, end
