"""The words of the rules format: every key and every fixed text, for readers and the schema."""

from __future__ import annotations

from collections.abc import Mapping

from wxgate.verdict import Grade

MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September",
          "October", "November", "December")  # fmt: skip
LIMIT_KEYS: Mapping[str, Grade] = {
    "marginal": Grade.MARGINAL,
    "unknown": Grade.UNKNOWN,
    "no-go": Grade.NO_GO,
}
RULE_KEYS = ("id", "loosens", "quantity", "word", *LIMIT_KEYS, "when", "neighbours", "missing",
             "because", "source", "proof")  # fmt: skip
RULE_REQUIRED = ("id", "quantity", "word", "because", "source", "proof")
SUBSTITUTE_KEYS = ("quantity", "origin", "cap", "when", "because", "source", "proof")
PROOF_KEYS = ("value", "skill", "aircraft", "height", "with", "month", "latitude", "grade")
#: The one file of figures that derived quantities are made with, and how their names begin.
DERIVATION, DERIVES = "derivation", "derive-"
PRACTICE_KEYS = ("figure", "figures", "because", "source")
SOURCE_KEYS = ("title", "place", "read")
PLAIN_SOURCES = ("common practice, no source", "from memory")
#: Law changes, and a file is read long after it was written.
CHECK_LAW = "check the current text"
#: How a derived quantity says that it was made in another way than the best.
ORIGINS = (
    "pressure levels",
    "power law from the top level",
    "power law from 10 m",
    "estimated from turbulence",
    "from relative humidity",
    "estimated from rain, fog and smoke",
    "from rate",
    "standard atmosphere",
    "pressure of the standard atmosphere",
    "saturated air",
    "pressure of the standard atmosphere, saturated air",
    "no low cloud",
    "condensation level",
    "missing ingredients counted",
    "estimated from sun and cloud",
    "site alone",
    "total for convective precipitation",
    "CAPE missing",
    "CAPE missing, total for convective precipitation",
    "from climatology, no K index",
    "forecast of a storm",
    "forecast of no storm",
    "sun behind the pilot",
)
#: More than this is another hour's weather, not a neighbour's.
MAX_NEIGHBOURS = 6

#: The keys that tell the kind of a limit, and those that may stand beside each.
LIMIT_KINDS: Mapping[str, tuple[str, ...]] = {
    "share-of": ("share", "by-skill", "but-at-most"),
    "figure-of": ("plus", "minus"),
    "by-band": ("bands",),
    "by-skill": (),
}
CONDITION_KINDS = ("skills", "quantity", "size-of", "aircraft", "months", "season")
