"""Writes GRIB2 messages as the GFS packs them: a latitude-longitude box, template 5.3.

Complex packing with second-order spatial differencing is written here bit by bit and not by the
decoder's own library: what is then read back with that library is read by another's code, and the
bytes do not change with its version. Section and octet numbers are those of WMO-No. 306, Volume
I.2; what the Manual leaves open (generating process, subset flags, fill octets) is as in messages
of the operational GFS.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

NCEP = 7
GFS_PROCESS = 96
AVERAGE, ACCUMULATION = 0, 1


@dataclass(frozen=True)
class Grid:
    """A regular box in millionths of a degree, first point north-west, longitudes 0 to 360."""

    north: int
    west: int
    step: int
    rows: int
    columns: int


@dataclass(frozen=True)
class Product:
    """What a message holds: code-table numbers, first fixed surface, decimals that are kept."""

    discipline: int
    category: int
    number: int
    surface: int
    level: int
    decimals: int
    statistic: int | None = None


def message(
    product: Product,
    grid: Grid,
    run: datetime,
    step: int,
    values: NDArray[np.float64],
    since: int | None = None,
) -> bytes:
    """One message of values (rows, columns) from the north-west.

    ``since`` is the step, in hours, at which an interval begins that ends at ``step``.
    """
    body = b"".join((
        _identification(run),
        _grid(grid),
        _product(product, run, step, since),
        *_packed(values.ravel(), product.decimals, grid.columns),
    ))  # fmt: skip
    length = 16 + len(body) + 4
    head = b"GRIB" + struct.pack(">HBBQ", 0xFFFF, product.discipline, 2, length)
    return head + body + b"7777"


def _section(number: int, content: bytes) -> bytes:
    return struct.pack(">IB", 5 + len(content), number) + content


def _moment(when: datetime) -> bytes:
    return struct.pack(">H5B", when.year, when.month, when.day, when.hour, when.minute, when.second)


def _identification(run: datetime) -> bytes:
    # Tables version 2, local tables 1, start of forecast, operational, forecast products.
    return _section(1, struct.pack(">HHBBB", NCEP, 0, 2, 1, 1) + _moment(run) + bytes((0, 1)))


def _grid(grid: Grid) -> bytes:
    sphere_of_6371229_m = bytes((6, 0)) + bytes(4) + bytes((0,)) + bytes(4) + bytes((0,)) + bytes(4)
    south = grid.north - grid.step * (grid.rows - 1)
    east = grid.west + grid.step * (grid.columns - 1)
    content = (
        struct.pack(">BIBBH", 0, grid.rows * grid.columns, 0, 0, 0)
        + sphere_of_6371229_m
        + struct.pack(">IIIIII", grid.columns, grid.rows, 0, 0xFFFFFFFF, grid.north, grid.west)
        + struct.pack(">BIIIIB", 0x30, south, east, grid.step, grid.step, 0)
    )
    return _section(3, content)


def _product(product: Product, run: datetime, step: int, since: int | None) -> bytes:
    begin = step if since is None else since
    content = (
        struct.pack(">HH", 0, 0 if since is None else 8)
        + bytes((product.category, product.number, 2, 0, GFS_PROCESS, 0, 0, 0, 1))
        + struct.pack(">I", begin)
        + struct.pack(">BBI", product.surface, 0, product.level)
        + struct.pack(">BBI", 255, 0, 0)
    )
    if since is not None:
        assert product.statistic is not None
        content += _moment(run + timedelta(hours=step)) + struct.pack(">BI", 1, 0)
        content += struct.pack(">BBBIBI", product.statistic, 2, 1, step - since, 255, 0)
    return _section(4, content)


def _packed(values: NDArray[np.float64], decimals: int, group: int) -> tuple[bytes, ...]:
    """Sections 5, 6 and 7 of template 5.3, binary scale 0, groups of ``group`` values."""
    whole = np.rint(values * 10.0**decimals).astype(np.int64)
    reference = int(whole.min())
    assert abs(reference) < 2**24, "a larger reference value would not fit a 32-bit float"
    x = whole - reference
    second = x[2:] - 2 * x[1:-1] + x[:-2]
    lowest = int(second.min())
    packed = np.concatenate(([0, 0], second - lowest)).reshape(-1, group)

    references = packed.min(axis=1)
    residuals = packed - references[:, None]
    widths = [int(row.max()).bit_length() for row in residuals]
    # Width 0 declares a constant field, which a steady slope (all differences alike) is not.
    reference_bits = max(int(references.max()).bit_length(), int(x.any()))
    width_bits = max(widths).bit_length()

    firsts = [int(x[0]), int(x[1]), lowest]
    extra_octets = max(abs(v) for v in firsts).bit_length() // 8 + 1  # with the bit of the sign
    content = (
        b"".join(_signed(v, extra_octets) for v in firsts)
        + _bits([(int(r), reference_bits) for r in references])
        + _bits([(w, width_bits) for w in widths])
        + _bits([(int(v), w) for row, w in zip(residuals, widths, strict=True) for v in row])
    )
    description = (
        struct.pack(">IHfHHBB", values.size, 3, reference, 0, decimals, reference_bits, 0)
        + struct.pack(">BB", 1, 0)
        + bytes.fromhex("6258d19affffffff")  # substitutes for missing values, which are not used
        + struct.pack(">IBBIBIB", len(widths), 0, width_bits, group, 1, group, 0)
        + struct.pack(">BB", 2, extra_octets)
    )
    return _section(5, description), _section(6, b"\xff"), _section(7, content)


def _signed(value: int, octets: int) -> bytes:
    """Sign and magnitude, the sign in the highest bit (regulation 92.1.5)."""
    sign = 1 << (8 * octets - 1) if value < 0 else 0
    return (sign | abs(value)).to_bytes(octets, "big")


def _bits(numbers: list[tuple[int, int]]) -> bytes:
    """Numbers of the given widths one after the other, filled up to a whole octet."""
    text = "".join(format(value, f"0{width}b") for value, width in numbers if width)
    octets = -(-len(text) // 8)
    return int(text.ljust(8 * octets, "0") or "0", 2).to_bytes(octets, "big")
