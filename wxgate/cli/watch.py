"""``wxgate watch``: look at several sites, and write to those who want to know what changed."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from wxgate.cli import options as o
from wxgate.cli.terminal import say


def watch(
    config: Annotated[Path, typer.Argument(help="The watch file (YAML).", show_default=False)],
    check: Annotated[
        bool, typer.Option("--check", help="Check the file and all that it names; send nothing.")
    ] = False,
    test: Annotated[
        bool, typer.Option("--test", help="Send one trial mail to each recipient, and no more.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Write what is due as .eml files; change no state.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help="The folder for the files of --dry-run."),
    ] = None,
    at: o.AtOption = None,
    rules: o.RulesOption = None,
    demo: o.DemoOption = False,
    offline: o.OfflineOption = False,
) -> None:
    """Run the watches once, for cron or a timer: mail what is due, say only what went wrong."""
    from wxgate.cli import watching
    from wxgate.cli.question import DEMO_NOW
    from wxgate.cli.watchjob import read_job
    from wxgate.errors import UsageError

    if sum((check, test, dry_run)) > 1:
        raise UsageError("only one of --check, --test and --dry-run can be had", remedy="Choose.")
    if dry_run != (out is not None):
        raise UsageError("--dry-run and --out DIR go together", remedy="Give both, or neither.")
    now = DEMO_NOW if demo and at is None else o.moment(at)
    job = read_job(config, now=now, rules=rules, demo=demo, offline=offline)
    if check:
        for line in watching.checked(job):
            say(line)
    elif test:
        watching.trial(job)
        say(f"a trial mail was taken for {', '.join(job.settings.recipients)}.")
    elif out is not None:
        written, failure = watching.dry_run(job, out)
        for line in written:
            say(line)
        if failure is not None:
            raise failure
    else:
        watching.run(job)
