"""The policy of chances: how wrong a forecast may be, and how sure an hour has to be.

Numbers live in ``rules/chances.yaml``; a user's file of the same form replaces the parts it names.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from wxgate.errors import UsageError
from wxgate.profiles import Skill
from wxgate.strictyaml import Block, Faults, Node, Scalar, Series, nearest, raise_faults, read
from wxgate.wholefile import read_whole

_TOLD = {"because", "source"}
_SHARES, _COSTS = {"go_from", "no_go_below"}, {"loss", "cancel", "prepare", "spoiled"}
_NUMBERS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "wind": {
        "gust_factor": (0.5, 5), "gust_correlation": (0, 1), "coarse": (0, 5),
        "rough_place": (0, 5), "poor_factor": (1, 5), "stale_cycles": (0, 100),
        "representativeness": (0, 5), "per_100_m": (0, 10),
    },
    "other": {
        "temperature": (0, 20), "dew_point": (0, 20), "dew_point_correlation": (0, 1),
        "visibility_factor": (1, 100), "ceiling": (0, 5000), "k_index": (0, 9),
        "rain_factor": (1, 100), "rain_floor": (0, 0.5),
    },
    "members": {"count": (2, 10000), "hourly_correlation": (0, 0.999)},
    "resolution": {},
    "earlier": {"run_hours": (0, 240), "brief_hours": (0, 240)},
    "bias": {"least_independent": (0, 1e6), "weaker_from": (0, 1e6)},
}  # fmt: skip
_LISTS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "wind": {"hours": (0, 1000), "error": (0, 50)},
    "resolution": {"hours": (0, 1000), "share": (0, 1)},
    "members": {"run_weights": (0, 1)},
}
_NAMES: Mapping[str, Sequence[str]] = {"wind": ("coarse_sources", "ensembles")}
#: An hour that is rather bad than good is go for nobody, whatever costs say.
LEAST_GO = 0.5
_SECTIONS = ("thresholds", *_NUMBERS)


@dataclass(frozen=True, slots=True)
class Thresholds:
    """The shares that an hour needs: go from ``go_from`` on, no-go below ``no_go_below``."""

    go_from: float
    no_go_below: float


@dataclass(frozen=True, slots=True)
class Policy:
    """All sections by name; numbers, lists of numbers and lists of names."""

    thresholds: Mapping[Skill, Thresholds]
    sections: Mapping[str, Mapping[str, Any]]

    def number(self, section: str, key: str) -> float:
        """One number of a section."""
        return float(self.sections[section][key])

    def numbers(self, section: str, key: str) -> Sequence[float]:
        """One list of numbers of a section."""
        found: Sequence[float] = self.sections[section][key]
        return found

    def curve(self, section: str, key: str) -> tuple[Sequence[float], Sequence[float]]:
        """The nodes of a value by hours ahead."""
        return self.sections[section]["hours"], self.sections[section][key]

    def names(self, section: str, key: str) -> Sequence[str]:
        """A list of names."""
        found: Sequence[str] = self.sections[section][key]
        return found


def cost_loss(*, loss: float, cancel: float, prepare: float, spoiled: float) -> Thresholds:
    """Thresholds for the chance to fly from costs of three actions, in one currency.

    Expected losses at a chance p of bad weather: go ``loss p``; marginal ``prepare + spoiled loss p
    + cancel p``; no-go ``cancel``. Where preparing never pays both thresholds are one, at
    1 - cancel / loss. ValueError for costs by which the loss would be less than staying at home.
    """
    if not (loss * (1 - spoiled) > cancel > prepare > 0 and 0 <= spoiled < 1):
        raise ValueError("loss x (1 - spoiled) > cancel > prepare > 0 is needed")
    bad_go = prepare / (loss * (1 - spoiled) - cancel)
    bad_no = (cancel - prepare) / (spoiled * loss + cancel)
    if bad_go > bad_no:  # preparing never pays: go up to where cancelling is cheaper
        bad_go = bad_no = cancel / loss
    return Thresholds(1 - bad_go, 1 - bad_no)


def read_policy(shipped: Path, *own: Path) -> Policy:
    """The shipped policy with what the user's files replace; UsageError tells every fault."""
    whole, thresholds = _read(shipped)
    for path in own:
        sections, more = _read(path)
        thresholds |= more
        for name, values in sections.items():
            whole[name] = {**whole[name], **values}
    missing = [f"{s}.{k}" for s in _NUMBERS for k in _keys(s) if k not in whole.get(s, {})]
    missing += [f"thresholds.{s.value}" for s in Skill if s not in thresholds]
    if missing:
        raise UsageError(
            f"the policy of chances lacks {', '.join(missing)}", where=str(shipped),
            remedy="Install wxgate again.",
        )  # fmt: skip
    _check_curves(whole, own[-1] if own else shipped)
    return Policy(thresholds, whole)


def _check_curves(whole: Mapping[str, Mapping[str, Any]], where: Path) -> None:
    """UsageError for lists that do not fit: hours rise, and no forecast is surer further ahead."""
    for section, key in (("wind", "error"), ("resolution", "share")):
        hours, values = whole[section]["hours"], whole[section][key]
        rising = all(a < b for a, b in pairwise(hours)) and all(a <= b for a, b in pairwise(values))
        if len(hours) != len(values) or not hours or not rising:
            raise UsageError(
                f"{section}: hours must rise, with one value of {key!r} for each that never falls",
                where=str(where), remedy="Give both lists, of one length.",
            )  # fmt: skip
    weights = whole["members"]["run_weights"]
    if not weights or not weights[0] > 0 or any(a < b for a, b in pairwise(weights)):
        raise UsageError(
            "members: run_weights must fall from a first one above 0", where=str(where),
            remedy="Write the newest run's weight first, such as [0.5, 0.3, 0.2].",
        )  # fmt: skip


def _keys(section: str) -> list[str]:
    return [*_NUMBERS[section], *_LISTS.get(section, ()), *_NAMES.get(section, ())]


def _read(path: Path) -> tuple[dict[str, dict[str, Any]], dict[Skill, Thresholds]]:
    try:
        content = read_whole(path)
    except OSError as error:
        raise UsageError(
            f"cannot read the file ({error.strerror})", where=str(path), remedy="Check its path."
        ) from error
    faults = Faults()
    node = read(content, str(path), faults)
    sections: dict[str, dict[str, Any]] = {}
    thresholds: dict[Skill, Thresholds] = {}
    for name, body in _entries(node, _SECTIONS, faults):
        if not isinstance(body, Block):
            faults.add(body.place, f"{name} is no mapping", "keys are needed", "write 'key: value'")
        elif name == "thresholds":
            thresholds = _thresholds(body, faults)
        else:
            sections[name] = _section(name, body, faults)
        for told in sorted(_TOLD):
            if isinstance(body, Block) and told not in body.entries:
                faults.add(body.place, f"{name} has no {told!r}", "", f"add a line '{told}: ...'")
    if len(faults):
        raise_faults(faults, str(path), UsageError)
    return sections, thresholds


def _entries(node: Node | None, allowed: Sequence[str], faults: Faults) -> list[tuple[str, Node]]:
    if node is None:
        return []
    if not isinstance(node, Block):
        faults.add(node.place, "no mapping", f"keys: {', '.join(allowed)}", "write 'key: value'")
        return []
    for key, place in node.keys.items():
        if key not in allowed:
            faults.add(
                place, f"the key {key!r} is not known", f"allowed: {', '.join(allowed)}",
                nearest(key, allowed),
            )  # fmt: skip
    return [(key, value) for key, value in node.entries.items() if key in allowed]


def _section(name: str, body: Block, faults: Faults) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, node in _entries(body, [*sorted(_TOLD), *_keys(name)], faults):
        if key in _NUMBERS[name]:
            found[key] = _number(node, _NUMBERS[name][key], faults)
        elif key in _LISTS.get(name, {}):
            found[key] = [_number(n, _LISTS[name][key], faults) for n in _items(node, faults)]
        elif key in _NAMES.get(name, ()):
            found[key] = [n.text for n in _items(node, faults) if isinstance(n, Scalar)]
    return found


def _thresholds(body: Block, faults: Faults) -> dict[Skill, Thresholds]:
    found = {}
    for key, node in _entries(body, [*sorted(_TOLD), *(s.value for s in Skill)], faults):
        if key in _TOLD:
            continue
        numbers = {
            k: _number(n, (0, 1) if k in _SHARES | {"spoiled"} else (0, 1e9), faults)
            for k, n in _entries(node, sorted(_SHARES | _COSTS), faults)
        }
        try:
            if set(numbers) == _SHARES:
                found[Skill(key)] = _sane(Thresholds(**numbers))
            elif set(numbers) == _COSTS:
                found[Skill(key)] = _sane(cost_loss(**numbers))
            else:
                raise ValueError("either go_from and no_go_below are needed, or all four costs")
        except ValueError as error:
            faults.add(node.place, f"{key}: {error}", "", "correct these numbers")
    return found


def _sane(found: Thresholds) -> Thresholds:
    """ValueError for shares by which an hour is go that is rather bad than good."""
    if not (0 < found.no_go_below <= found.go_from <= 1 and found.go_from >= LEAST_GO):
        raise ValueError(
            f"go from {found.go_from:.3g} and no-go below {found.no_go_below:.3g} do not fit:"
            f" 0 < no_go_below <= go_from is needed, and go_from of at least {LEAST_GO:g}"
        )
    return found


def _items(node: Node, faults: Faults) -> Sequence[Node]:
    if isinstance(node, Series):
        return node.items
    faults.add(node.place, "no list", "a list is needed", "write [a, b]")
    return []


def _number(node: Node, span: tuple[float, float], faults: Faults) -> float:
    try:
        value = float(node.text) if isinstance(node, Scalar) else float("nan")
    except ValueError:
        value = float("nan")
    if not span[0] <= value <= span[1]:
        faults.add(
            node.place, "no number that is allowed here", f"allowed: {span[0]:g} to {span[1]:g}",
            "write a number",
        )  # fmt: skip
        return span[0]
    return value
