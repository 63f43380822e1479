"""From bytes to a text in which nothing hides."""

from __future__ import annotations

import unicodedata

from wxgate.strictyaml.faults import Faults
from wxgate.strictyaml.nodes import Place

MAX_BYTES = 1_000_000


def decode(content: str | bytes, name: str, faults: Faults) -> str | None:
    """The text of a file; None, with a fault noted, when it is too long or not plain UTF-8."""
    top = Place(name, 1, 1)
    size = len(content)
    if size > MAX_BYTES:
        faults.add(
            top,
            f"the file has {size} bytes",
            f"at most {MAX_BYTES} are allowed",
            "split it into several files",
        )
        return None
    raw = content.encode("utf-8", "surrogatepass") if isinstance(content, str) else content
    if raw.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")):
        faults.add(
            top,
            "the file begins with a byte-order mark",
            "only plain UTF-8 is allowed",
            "save it as 'UTF-8 without BOM'",
        )
        return None
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        column = error.start - raw.rfind(b"\n", 0, error.start)
        faults.add(
            Place(name, line, column),
            f"the byte 0x{raw[error.start]:02x} is not UTF-8",
            "only UTF-8 is allowed",
            "save the file with the encoding UTF-8",
        )
        return None


def check_characters(text: str, name: str, faults: Faults) -> None:
    """Refuse tabs, control and invisible characters wherever they stand."""
    if text.isascii() and text.replace("\n", " ").isprintable():
        return
    for number, line in enumerate(text.split("\n"), start=1):
        line = line.removesuffix("\r")
        if line.isascii() and line.isprintable():
            continue
        for column, letter in enumerate(line, start=1):
            if letter == "\t":
                faults.add(
                    Place(name, number, column),
                    "a tab",
                    "only spaces are allowed",
                    "replace it by spaces",
                )
                break
            if is_hidden(letter):
                faults.add(
                    Place(name, number, column),
                    f"the invisible character U+{ord(letter):04X}",
                    "only what can be seen is allowed",
                    "delete it",
                )
                break


def is_hidden(letter: str) -> bool:
    """Control, format (zero width, text direction), private and unassigned characters."""
    if letter.isascii():
        return not letter.isprintable()
    return unicodedata.category(letter) in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
