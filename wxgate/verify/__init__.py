"""How good the forecasts were, and how to make their probabilities honest.

>>> import numpy as np
>>> from wxgate import verify
>>> random = np.random.default_rng(1)
>>> wind = 6 + 2 * random.normal(size=900)  # m/s, as measured hour by hour
>>> said = wind + 1.5 + random.normal(size=900)  # the model says 1.5 m/s too much,
>>> members = said[:, None] + 0.4 * random.normal(size=(900, 10))  # and is too sure of it
>>> cases = verify.Cases.of_ensemble(members, 8.0, wind, time=np.arange(900.0))
>>> train, test = cases.take(slice(0, 600)), cases.take(slice(600, None))
>>> calibration = verify.fit(train)
>>> probability = calibration.apply(test)
>>> print(calibration.report.text().splitlines()[1])
cases: 600 (worth 600 independent), 68 events
>>> found = verify.held_out(calibration, test)
>>> print(f"Brier {found.brier:.2f}, raw {found.brier_raw:.2f}")
Brier 0.07, raw 0.21
>>> again = verify.Calibration.from_json(calibration.to_json())
>>> bool(np.all(again.apply(test) == probability))
True

``train`` and ``test`` are :class:`Cases`, or a pandas DataFrame (or a dict of columns), one row a
case, with these columns:

* a forecast: ``p``, a probability in 0 to 1; or an ensemble, ``m1``, ``m2``, ...; or its ``mean``
  and ``spread`` (standard deviation). With ``p`` *and* an ensemble, ``p`` is the raw probability.
* ``limit``: the value whose passing is the event; needed with an ensemble.
* ``observed``: the value that was observed, where there is a limit; or ``outcome``: 1 where the
  event came and 0 where not (without a limit ``observed`` is taken so). Not needed in ``test``.
* where known: ``time`` (valid time: instants, or hours), ``station``, ``lead`` (h), ``model``,
  ``night``.

Missing is NaN, and stays NaN. See :mod:`wxgate.verify.calibration` for what ``fit`` does.
"""

from wxgate.verify.calibration import Calibration, FitReport, fit
from wxgate.verify.cases import Cases
from wxgate.verify.category import (
    Contingency,
    ContingencyMeasures,
    Costs,
    contingency_measures,
    false_go,
    firm,
    flip_flop,
    gerrity,
    heidke,
    missed_go,
    missed_windows,
    multicategory_table,
    peirce,
    risk_matrix,
    severity,
)
from wxgate.verify.emos import Emos, fit_emos
from wxgate.verify.gusts import gust_bounds, gust_outcome, reported_gust
from wxgate.verify.probability import (
    BrierParts,
    ReliabilityRow,
    Roc,
    brier,
    brier_parts,
    brier_skill,
    crps_ensemble,
    crps_normal,
    crps_quantiles,
    crps_truncated_normal,
    reliability_table,
    roc,
)
from wxgate.verify.rolling import HeldOut, held_out, rolling_calibration, rolling_windows
from wxgate.verify.sampling import Share, autocorrelation, effective_cases, effective_size, share

__all__ = [
    "BrierParts", "Calibration", "Cases", "Contingency", "ContingencyMeasures", "Costs", "Emos",
    "FitReport", "HeldOut", "ReliabilityRow", "Roc", "Share", "autocorrelation", "brier",
    "brier_parts", "brier_skill", "contingency_measures", "crps_ensemble", "crps_normal",
    "crps_quantiles", "crps_truncated_normal", "effective_cases", "effective_size", "false_go",
    "firm", "fit", "fit_emos", "flip_flop", "gerrity", "gust_bounds", "gust_outcome", "heidke",
    "held_out", "missed_go", "missed_windows", "multicategory_table", "peirce",
    "reliability_table", "reported_gust", "risk_matrix", "roc", "rolling_calibration",
    "rolling_windows", "severity", "share",
]  # fmt: skip
