"""The ``wxgate`` command: its sub-commands, and the one place where errors end."""

from __future__ import annotations

import atexit
import contextlib
import errno
import gc
import importlib
import os
import sys
from collections.abc import Sequence
from typing import Annotated, Any, NoReturn

import typer
from typer.core import TyperArgument, TyperCommand

from wxgate import __version__
from wxgate.cli.examples import SUMMARIES, epilog
from wxgate.cli.terminal import ReaderGoneError, complain, say
from wxgate.errors import UsageError, WxgateError, shortened

_HELP = (
    "Go, marginal, no-go or unknown for every hour at a flying site, for this aircraft and this"
    " pilot. Weather only: airspace, NOTAM and local law are not checked."
)
_EPILOG = (
    "Exit codes: 0 done, 1 fault of wxgate, 2 the command or a profile cannot be used,"
    " 3 no usable forecast, 4 a rules file is refused, 5 the cache cannot be used, 6 the journal or"
    " other kept state cannot be used, 7 mail could not be handed in, 130 stopped by Ctrl-C, 141"
    " whoever read the output (head, less) has gone."
    " With --exit-verdict `brief` ends with its verdict: 0 go, 10 marginal, 11 no-go, 12 unknown."
)
STOPPED = 130  #: by Ctrl-C, as shells have it
READER_GONE = 141  #: as of a program that SIGPIPE ends; not 0, which --exit-verdict means by go
#: Each command, and whether it has commands of its own; its module has the same name.
COMMANDS = {
    "brief": False,
    "page": False,
    "explain": False,
    "fetch": False,
    "rules": True,
    "sources": False,
    "sheet": False,
    "cache": True,
    "demo": False,
    "field": False,
    "journal": True,
    "lessons": False,
    "replay": False,
    "verify": False,
    "watch": False,
}


class _Command(TyperCommand):
    """A command whose help does not tell of which type of Python an argument is."""

    def get_help(self, ctx: Any) -> str:
        """The help, with the arguments by name alone."""
        for parameter in self.params:
            if isinstance(parameter, TyperArgument):
                parameter.display_type_rich = lambda ctx: None  # type: ignore[method-assign]
        return super().get_help(ctx)


def _version(asked: bool) -> None:
    if asked:
        say(f"wxgate {__version__}")
        raise typer.Exit


def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


def build(words: Sequence[str]) -> typer.Typer:
    """The command line for these words: the one command that they name, or all of them.

    A brief from stored hours must not wait for the other commands to be imported, nor the version
    for any.
    """
    app = typer.Typer(
        name="wxgate",
        help=_HELP,
        epilog=_EPILOG,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback()(_common)
    named = words[0] if words else ""
    for name in [named] if named in COMMANDS else () if named == "--version" else COMMANDS:
        module = importlib.import_module(f"wxgate.cli.{name}")
        short, more = SUMMARIES[name], epilog(name)
        if COMMANDS[name]:
            for one in module.app.registered_commands:
                one.cls = _Command
            app.add_typer(module.app, name=name, short_help=short, epilog=more)
        else:
            app.command(name, cls=_Command, short_help=short, epilog=more)(getattr(module, name))
    return app


def _stop() -> NoReturn:
    """End at once: what was under way is cleaned up, and downloads in threads are not awaited."""
    complain("stopped.")
    with contextlib.suppress(OSError, AttributeError):
        sys.stdout.flush()
    os._exit(STOPPED)


def _collect_less_garbage() -> None:
    """Look for garbage in rings seldom, and at the end not at all: the process takes it along.

    Imports make many objects that stay, and each search walks through them: a sixth of the time
    of a brief from stored hours.
    """
    gc.set_threshold(200_000, 10, 10)
    atexit.register(gc.freeze)


def run() -> None:
    """Run the command line; every known error ends in one message and its exit code."""
    _collect_less_garbage()
    try:
        build(sys.argv[1:])()
    except WxgateError as error:
        faults = getattr(error, "faults", ())
        complain("\n".join((str(error), *faults)) if faults else str(error))
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        _stop()
    except SystemExit as end:  # Typer makes one of a KeyboardInterrupt
        if end.code == STOPPED:
            _stop()
        raise
    except ReaderGoneError:
        sys.exit(READER_GONE)
    except Exception as error:  # the last net: a fault of the program, told without a traceback
        if os.environ.get("WXGATE_DEBUG"):
            raise
        if isinstance(error, OSError) and error.errno == errno.ENAMETOOLONG:
            # Met wherever a path is asked about, and no fault of ours.
            told = UsageError("a file name is too long", where=str(error.filename or ""),
                              remedy="Name another.")  # fmt: skip
            complain(str(told))
            sys.exit(told.exit_code)
        complain(
            f"a fault of the program ({type(error).__name__}: {shortened(str(error))})."
            " Nothing was graded. Set WXGATE_DEBUG=1 to see where, and report it."
        )
        sys.exit(1)
