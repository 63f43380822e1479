"""wxgate: go, marginal, no-go or unknown for every hour at a flying site."""

__version__ = "0.1.0"
