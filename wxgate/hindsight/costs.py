"""What wrong grades cost, out of the rules: policy, and none of the measure's own."""

from __future__ import annotations

from wxgate.daylimits.figures import figures_of
from wxgate.errors import RulebookError
from wxgate.rulebook import Rulebook
from wxgate.verify.category import Costs


def costs_of(rulebook: Rulebook) -> Costs:
    """The costs of ``rules/verify.yaml``, or of figures of the same names in ``rulebook``.

    RulebookError for a figure that cannot be one.
    """
    figures = figures_of(rulebook)
    miss = figures.value("miss-cost", "1")
    if not miss < 1:
        raise RulebookError(
            f"the practice figure 'miss-cost' is {figures.text('miss-cost')}",
            remedy="Write a share below 100 %: a false alarm costs the rest.",
        )
    steps = figures.value("marginal-step-weight", "1"), figures.value("no-go-step-weight", "1")
    return Costs(miss, steps)
