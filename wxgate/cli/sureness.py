"""``--grade-by``, ``--chances``, ``--bias``, ``--lagged``, ``--earlier``: how sure, and by what.

One reading of these words for every command and for a watch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from wxgate import places
from wxgate.chancepolicy import Policy, read_policy
from wxgate.cli import options
from wxgate.learnedbias import Bias, read_bias


@dataclass(frozen=True, slots=True)
class Sureness:
    """How the chances of a brief are to be made, every word and file of it read."""

    by_chance: bool
    policy: Policy
    bias: Bias | None = None
    lagged: int = 0  #: earlier runs of the same models
    earlier: tuple[Path, ...] = ()  #: files of earlier runs


def sureness(
    *,
    grade_by: str = "limits",
    chances: Path | None = None,
    bias: Path | None = None,
    lagged: int = 0,
    earlier: Sequence[Path] | None = None,
) -> Sureness:
    """What the options say; UsageError with every fault of a word or a file."""
    return Sureness(
        options.by_chance(grade_by), policy_of(chances), bias_of(bias), lagged,
        tuple(earlier or ()),
    )  # fmt: skip


def policy_of(named: Path | None) -> Policy:
    """The shipped policy of chances with the user's own: ``named``, else that of the config."""
    own = places.config_folder() / "chances.yaml"
    files = [own] if own.exists() else []
    files += [named] if named is not None else []
    return read_policy(places.shipped("rules") / "chances.yaml", *files)


def bias_of(named: Path | None) -> Bias | None:
    """The bias in a file; None where none is named."""
    return None if named is None else read_bias(named)
