"""Whom to thank for the numbers: short in a brief, in the providers' own words elsewhere."""

from __future__ import annotations

from collections.abc import Iterable

from wxgate.brief import Brief
from wxgate.forecast import Provenance

#: A word that only this provider's credit has, and the credit in short with its licence.
_SHORT = (
    ("ECMWF", "ECMWF CC BY 4.0"),
    ("Deutscher Wetterdienst", "DWD CC BY 4.0"),
    ("MET Norway", "MET Norway CC BY 4.0"),
    ("Open-Meteo", "Weather data by Open-Meteo.com CC BY 4.0"),
    ("GFZ", "GFZ doi 10.5880/Kp.0001 CC BY 4.0"),
    ("NOAA", "NOAA"),
)


def credits_line(brief: Brief) -> str:
    """One sentence on who is to be credited for a brief; empty for the invented demonstration."""
    if brief.demonstration:
        return ""
    names = [short_credit(p) for p in provenance_of(brief)]
    told = "; ".join(dict.fromkeys(name for name in names if name))
    return f"Credit: {told}; modified by wxgate." if told else ""


def short_credit(p: Provenance) -> str:
    """A credit in a few words; that of an unknown provider as it stands, without its last stop."""
    found = next((short for word, short in _SHORT if word in p.credit), None)
    return p.credit.strip().rstrip(".") if found is None else found


def full_credits(provenance: Iterable[Provenance]) -> list[str]:
    """Each credit in the provider's own words with its licence, each once."""
    told = (
        f"{p.credit.strip().rstrip('.')}. Licence: {p.licence.strip().rstrip('.')}."
        if p.licence else p.credit.strip()
        for p in provenance
        if p.credit.strip()
    )  # fmt: skip
    return list(dict.fromkeys(" ".join(text.split()) for text in told))


def provenance_of(brief: Brief) -> tuple[Provenance, ...]:
    """Where all that is told came from, the airports' reports included."""
    reports = () if brief.reports is None else brief.reports.provenance
    return tuple(dict.fromkeys((*brief.provenance, *reports)))
