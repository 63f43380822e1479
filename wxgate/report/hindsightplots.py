"""What verification found, as plots."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from wxgate.errors import UsageError
from wxgate.hindsight.findings import Findings
from wxgate.wholefile import written_aside


def hindsight_plots(found: Findings, folder: Path) -> list[Path]:
    """Reliability, and bias by direction, as PNG files in a folder, as far as there are cases."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return _drawn(found, folder)
    except OSError as error:
        raise UsageError(
            f"the plots cannot be written ({error.strerror or error})",
            where=str(folder),
            remedy="Name a folder that you may write to.",
        ) from error


def _drawn(found: Findings, folder: Path) -> list[Path]:
    from matplotlib.figure import Figure

    written = []
    rows = [row for row in found.whole.reliability if row.cases]
    if rows:
        figure = Figure(figsize=(4.5, 4.5), layout="constrained")
        axes = figure.add_subplot()
        axes.plot([0, 1], [0, 1], color="0.6", linewidth=1)
        told = [row.mean_probability for row in rows]
        came = [row.observed.value for row in rows]
        spans = [[r.observed.value - r.observed.low for r in rows],
                 [r.observed.high - r.observed.value for r in rows]]  # fmt: skip
        axes.errorbar(told, came, yerr=spans, fmt="o", color="#1f5f8b", capsize=3)
        axes.set(xlabel="chance told", ylabel="share that came", xlim=(0, 1), ylim=(0, 1),
                 title="Reliability of the chance to fly")  # fmt: skip
        written.append(_saved(figure, folder / "reliability.png"))
    if found.by_direction:
        figure = Figure(figsize=(6, 3.5), layout="constrained")
        axes = figure.add_subplot()
        sectors = [s for s, e in found.by_direction.items() if "wind_speed" in e]
        bias = [found.by_direction[s]["wind_speed"].bias for s in sectors]
        learned = [found.by_direction[s]["wind_speed"].learned for s in sectors]
        axes.bar(sectors, bias, color="0.8", label="mean error")
        axes.bar(sectors, learned, width=0.4, color="#1f5f8b", label="what can be believed")
        axes.axhline(0, color="0.4", linewidth=0.8)
        axes.set(ylabel="forecast - observed, m/s", title="10 m wind by forecast direction")
        axes.legend(frameon=False)
        written.append(_saved(figure, folder / "bias-by-direction.png"))
    return written


def _saved(figure: Any, path: Path) -> Path:
    with written_aside(path) as partial:
        figure.savefig(partial, dpi=110)
    return path
