"""Lets ``python -m wxgate`` do what ``wxgate`` does."""

from wxgate.cli.main import run

if __name__ == "__main__":
    run()
