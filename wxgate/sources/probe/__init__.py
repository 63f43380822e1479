"""A live probe: which assumptions about the services' formats still hold.

Services change, and wxgate reads them by assumptions: that a file is where its address says, that a
field goes by a name, that a height is above the sea. Each is one :class:`Assumption` in a table of
its source: a sentence, and a check that tells what was seen instead. A new one is one row in
``models``, ``points``, ``kindices`` or ``airports``; what several rows look at stands in ``grids``,
``triangles`` and ``service``.
"""

from wxgate.sources.probe.look import Assumption, Finding, State
from wxgate.sources.probe.run import ASSUMPTIONS, probe

__all__ = ["ASSUMPTIONS", "Assumption", "Finding", "State", "probe"]
