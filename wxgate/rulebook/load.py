"""Rules files to a rulebook: all of it proven, or refused with every fault at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from wxgate.errors import RulebookError
from wxgate.profiles import Aircraft
from wxgate.rulebook.layers import combine
from wxgate.rulebook.model import Minima, Rulebook
from wxgate.rulebook.pack import Pack, read_pack
from wxgate.rulebook.proof import Fleet
from wxgate.strictyaml import Faults
from wxgate.wholefile import read_whole


def load_rulebook(
    paths: Sequence[Path],
    *,
    aircraft: Mapping[str, Aircraft],
    own: Mapping[str, Aircraft] | None = None,
) -> Rulebook:
    """The rulebook of these files; a folder stands for its ``*.yaml`` files.

    ``aircraft`` is the reference that proofs are tried with: those that ship, never a user's,
    whose other figures would make good proofs fail. ``own`` are the user's, which proofs may name
    too. RulebookError, with every fault of every file in ``faults``, when a file cannot be read or
    a proof fails.
    """
    faults = Faults()
    packs, minima = read_packs(paths, Fleet(aircraft, own or {}), faults)
    rulebook = combine(packs, minima, faults)
    if len(faults):
        raise refusal(faults)
    return rulebook


def read_packs(
    paths: Sequence[Path], fleet: Fleet, faults: Faults
) -> tuple[list[Pack], list[Minima]]:
    """Each file read by itself, and the locked minima among them."""
    packs: list[Pack] = []
    minima: list[Minima] = []
    for path in pack_files(paths):
        try:
            content, changed = read_whole(path), path.stat().st_mtime
        except OSError as error:
            raise RulebookError(
                f"the rules file cannot be read ({error.strerror})",
                where=str(path),
                remedy="Check the path.",
            ) from error
        short = f"{path.parent.name}/{path.name}" if path.parent.name else path.name
        pack = read_pack(content, str(path), short, fleet, faults)
        if pack is None:
            continue
        packs.append(pack)
        if pack.locked is not None:
            day = datetime.fromtimestamp(changed, UTC).date()
            minima.append(Minima(pack.name, pack.locked, day))
    return packs, minima


def refusal(faults: Faults) -> RulebookError:
    """The error that carries all faults."""
    lines = faults.report()
    count = "one fault" if len(lines) == 1 else f"{len(lines)} faults"
    return RulebookError(f"the rules are refused for {count}", faults=lines)


def pack_files(paths: Sequence[Path]) -> list[Path]:
    """The files of these paths, each once; RulebookError for a folder without any.

    A file that is named in two ways (a folder that ships, and a path into it) is one file.
    """
    files: dict[Path, Path] = {}
    for path in paths:
        if not path.is_dir():
            files.setdefault(path.resolve(), path)
            continue
        found = sorted(path.glob("*.yaml"))
        if not found:
            raise RulebookError(
                "the folder holds no rules file",
                where=str(path),
                remedy="Rules files end in .yaml; give another folder or a file.",
            )
        for one in found:
            files.setdefault(one.resolve(), one)
    return list(files.values())
