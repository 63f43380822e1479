"""Checking rules files, and telling what their proofs cover."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from wxgate.rulebook.layers import combine
from wxgate.rulebook.load import pack_files, read_packs, refusal
from wxgate.rulebook.pack import Pack
from wxgate.rulebook.proof import OUTCOMES, Fleet, Proof
from wxgate.strictyaml import Faults
from wxgate.units import counted


def check_files(
    groups: Sequence[tuple[Sequence[Path], Sequence[Path]]], fleet: Fleet
) -> list[Pack]:
    """The packs that were asked for, all proven; RulebookError with every fault otherwise.

    Each group is (files that hold together, those of them that are asked for).
    """
    faults = Faults()
    asked: list[Pack] = []
    for together, wanted in groups:
        packs, minima = read_packs(together, fleet, faults)
        combine(packs, minima, faults)
        files = {path.resolve() for path in pack_files(wanted)}
        asked.extend(pack for pack in packs if Path(pack.file).resolve() in files)
    if len(faults):
        raise refusal(faults)
    return asked


def check_lines(packs: Sequence[Pack], *, each: bool) -> Iterator[str]:
    """The counts of each file, what the proofs cover, and (``each``) rule by rule."""
    everything: list[Proof] = []
    for pack in packs:
        proofs = [proof for _, found in pack.proofs for proof in found]
        everything.extend(proofs)
        counts = (
            (len(pack.rules), "rule"), (len(pack.substitutes), "substitute"),
            (len(pack.practice), "practice figure"), (len(proofs), "proof"),
        )  # fmt: skip
        told = ", ".join(counted(count, what) for count, what in counts if count)
        yield f"{pack.file}: {told}"
        if each:
            for name, found in pack.proofs:
                yield f"  {name}: {_coverage(found)}"
    rules = sum(len(pack.rules) for pack in packs)
    whole = ((len(packs), "file"), (rules, "rule"), (len(everything), "proof"))
    yield f"{', '.join(counted(*pair) for pair in whole)}, no fault"
    yield f"proven: {_coverage(everything)}"


def _coverage(proofs: Sequence[Proof]) -> str:
    """How many proofs show each outcome; a missing value is counted apart."""
    counts = Counter(
        f"missing gives {p.outcome}" if p.value is not None and p.value != p.value else p.outcome
        for p in proofs
    )
    order = [*OUTCOMES, *(f"missing gives {outcome}" for outcome in OUTCOMES)]
    return ", ".join(f"{outcome} {counts[outcome]}" for outcome in order if counts[outcome])
