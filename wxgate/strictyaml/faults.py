"""What is wrong with a file: every fault with its place, told together."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NoReturn

from wxgate.errors import WxgateError, shortened
from wxgate.strictyaml.nodes import Place

#: More faults than this are counted, not printed: a binary file would fill the screen.
MAX_FAULTS = 60


@dataclass(slots=True)
class Faults:
    """Collects every fault, so that one reading tells them all."""

    lines: list[tuple[Place, str]] = field(default_factory=list)

    def add(self, place: Place, found: str, allowed: str = "", mend: str = "") -> None:
        """Note one fault: what was found, what is allowed, and the mend."""
        parts = [part.strip().rstrip(".") for part in (found, allowed, mend) if part.strip()]
        parts[0] = shortened(parts[0])
        ending = "" if parts[-1].endswith("?") else "."
        self.lines.append((place, f"{place}: {'; '.join(parts)}{ending}"))

    def add_error(self, place: Place, error: WxgateError) -> None:
        """Note an error of a lower floor as a fault of this place."""
        self.add(place, error.what, "", error.remedy[:1].lower() + error.remedy[1:])

    def __len__(self) -> int:
        return len(self.lines)

    def report(self) -> tuple[str, ...]:
        """The faults in the order of the files and their lines, each once."""
        ordered = sorted(self.lines, key=lambda item: (item[0].file, item[0].line, item[0].column))
        unique = list(dict.fromkeys(text for _, text in ordered))
        if len(unique) > MAX_FAULTS:
            rest = len(unique) - MAX_FAULTS
            unique = [*unique[:MAX_FAULTS], f"... and {rest} more faults."]
        return tuple(unique)


def nearest(word: str, known: Iterable[str]) -> str:
    """``did you mean 'x'`` for the nearest known word, empty when nothing is near."""
    near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f"did you mean '{near[0]}'?" if near else ""


def raise_faults(faults: Faults, name: str, error: type[WxgateError]) -> NoReturn:
    """Raise ``error`` with all faults, one a line."""
    lines = faults.report()
    if len(lines) == 1:
        raise error(lines[0])
    raise error("\n".join((f"{name}: {len(lines)} faults", *lines)))
