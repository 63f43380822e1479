"""Numbers out of a GRIB section by octet, counted from 1 as the WMO tables count them."""

from __future__ import annotations

from dataclasses import dataclass

from wxgate.errors import DataError


@dataclass(frozen=True, slots=True)
class Octets:
    """One section; reading beyond its end is a DataError that names the message's byte."""

    section: bytes
    number: int
    where: str

    def unsigned(self, at: int, width: int = 1) -> int:
        """An unsigned whole number of ``width`` octets."""
        if at + width - 1 > len(self.section):
            raise self.fault(f"it ends before octet {at + width - 1}")
        return int.from_bytes(self.section[at - 1 : at - 1 + width], "big")

    def signed(self, at: int, width: int) -> int:
        """A whole number whose first bit is its sign (GRIB has no two's complement)."""
        value = self.unsigned(at, width)
        sign = 1 << (8 * width - 1)
        return -(value - sign) if value & sign else value

    def scaled(self, at: int) -> float:
        """A scale factor of one octet and a scaled value of four: value / 10 ** factor."""
        factor, value = self.signed(at, 1), self.signed(at + 1, 4)
        return value / 10**factor if factor >= 0 else float(value * 10**-factor)

    def fault(self, what: str) -> DataError:
        """A DataError about this section."""
        return DataError(
            f"section {self.number} cannot be read: {what}",
            where=self.where,
            remedy="Fetch the file again.",
        )
