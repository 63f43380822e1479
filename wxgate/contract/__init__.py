"""The data contract: a Forecast as an xarray Dataset and back, and the checker.

The contract is written for users in DEVELOPERS.md ("The data contract"). A file that keeps it can
be given in place of a fetch; one that breaks it is refused with every fault at once.
"""

from wxgate.contract.provenance import cycle_of, run_of
from wxgate.contract.read import from_dataset, place_of
from wxgate.contract.write import to_dataset

__all__ = ["cycle_of", "from_dataset", "place_of", "run_of", "to_dataset"]
