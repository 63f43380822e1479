"""Every word that goes out: the one place where text meets a terminal.

Names, notes and errors quote files and servers, and a terminal obeys control codes. So whatever
cannot be seen is shown as ``\\x1b`` or the like, but for line breaks and for the colours that we
give ourselves.
"""

from __future__ import annotations

import contextlib
import os
import re
import sys
from typing import TextIO

from wxgate.errors import UsageError
from wxgate.strictyaml.characters import is_hidden
from wxgate.verdict import Grade

# Colours that differ in lightness as well as in hue, so that colour-blind people can tell them
# (blue, yellow, red-brown, grey); the words carry the meaning without them.
_COLOUR = {Grade.GO: 39, Grade.MARGINAL: 220, Grade.NO_GO: 166, Grade.UNKNOWN: 245}
_OUR_COLOURS = re.compile(rf"\x1b\[(?:1;38;5;(?:{'|'.join(map(str, _COLOUR.values()))})|0)m")


class ReaderGoneError(Exception):
    """Whoever read the output (head, less) has gone; nothing is left to tell it."""


def coloured(text: str, grade: Grade) -> str:
    """A word in the colour of a grade."""
    return f"\033[1;38;5;{_COLOUR[grade]}m{text}\033[0m"


def wants_colour(out: TextIO | None) -> bool:
    """Whether someone watches who wants colours: not with NO_COLOR, a dumb terminal, or a file."""
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        return False
    return out is not None and out.isatty()


def say(text: str = "", *, end: str = "\n") -> None:
    """Print to standard output.

    UsageError when it cannot be written (a full disk); ReaderGoneError when nobody reads it.
    """
    try:
        _write(sys.stdout, visible(text) + end)
    except BrokenPipeError as error:
        _forget(sys.stdout)
        raise ReaderGoneError from error
    except OSError as error:
        _forget(sys.stdout)
        raise UsageError(
            f"the output cannot be written ({error.strerror or error})",
            remedy="Check where it goes.",
        ) from error


def complain(message: str) -> None:
    """Print to standard error; where that cannot be written nobody can be told."""
    with contextlib.suppress(OSError):
        _write(sys.stderr, f"wxgate: {visible(message)}\n")


def visible(text: str) -> str:
    """The text with everything that cannot be seen written out, but line breaks and our colours."""
    if text.isascii() and text.replace("\n", " ").isprintable():
        return text
    pieces, at = [], 0
    for ours in _OUR_COLOURS.finditer(text):
        pieces += [_written_out(text[at : ours.start()]), ours[0]]
        at = ours.end()
    return "".join([*pieces, _written_out(text[at:])])


def _written_out(text: str) -> str:
    return "".join(
        letter.encode("unicode_escape").decode("ascii")
        if letter != "\n" and is_hidden(letter)
        else letter
        for letter in text
    )


def _write(out: TextIO | None, text: str) -> None:
    if out is None:  # closed by the shell (>&-)
        return
    # What the terminal's own character set lacks is shown as a question mark.
    name = out.encoding or "utf-8"
    out.write(text.encode(name, "replace").decode(name))
    out.flush()


def _forget(out: TextIO | None) -> None:
    """What is left in a stream goes nowhere, so that Python does not complain at its end."""
    if out is not None:
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), out.fileno())
