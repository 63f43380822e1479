"""What ``wxgate watch`` does: the folders, the clock and the network of a run are chosen here."""

from __future__ import annotations

import contextlib
import os
import uuid
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

from wxgate.cli.issued import issued
from wxgate.cli.watchjob import Job, look
from wxgate.errors import DataError, JournalError, MailError, UsageError, WxgateError
from wxgate.smtp import Connection, Reply, connect
from wxgate.watch import run as runs
from wxgate.watch.config import Settings
from wxgate.watch.due import Seen
from wxgate.watch.file import explained
from wxgate.watch.lock import BusyError, locked
from wxgate.watch.secret import password_of
from wxgate.watch.state import State, opened
from wxgate.wholefile import make_private_folder, write_whole

Fault = tuple[int, str]  #: the exit code that it asks for, and its line

_LOST = "The watch's memory was lost: these are the newest verdicts, some of which you may know."


def checked(job: Job) -> list[str]:
    """What a check tells; UsageError when the password cannot be had."""
    password_of(job.settings, os.environ)
    _ca_is_there(job.settings)
    server = job.settings.server
    lines = [
        f"{watch.id}: {job.casts[watch.id].site.name}, {watch.aircraft.text}, {watch.pilot.text},"
        f" up to {watch.height:g} m, to {', '.join(watch.to)}"
        for watch in job.settings.watches
    ]
    return [
        *lines,
        f"mail: {server.host}:{server.port} ({server.security}) from {server.sender}",
        f"state: {job.stem}.sqlite, heartbeat: {job.stem}.json",
        "The file is in order. --test sends a trial mail.",
    ]


def _ca_is_there(settings: Settings) -> None:
    path = settings.server.ca_file
    if path is None:
        return
    import ssl

    try:
        ssl.create_default_context(cafile=path)
    except (OSError, ssl.SSLError) as error:
        raise UsageError(
            "the CA file cannot be used", where=str(path), remedy="Name a file of certificates."
        ) from error


def trial(job: Job) -> None:
    """Send one trial mail to each recipient; MailError with every fault."""
    from wxgate.report.mail import trial_mail

    faults = []
    with _connected(job) as connection:
        left = list(job.settings.recipients)
        while left:
            recipient = left.pop(0)
            about = [
                f"{w.id}: {job.casts[w.id].site.name}"
                for w in job.settings.watches
                if recipient in w.to
            ]
            message = trial_mail(
                recipient, about, sender=job.settings.server.sender, now=job.now,
                message_id=_message_id(job),
            )  # fmt: skip
            delivery = connection.deliver(recipient, message.as_bytes())
            if delivery.reply is not Reply.ACCEPTED:
                faults.append(f"{recipient}: {delivery.told}")
            if delivery.over:
                faults += [f"{other}: not tried" for other in left]
                break
    if faults:
        raise MailError(
            f"not taken: {'; '.join(faults)}", remedy="Check the addresses, or try again later."
        )


def dry_run(job: Job, out: Path) -> tuple[list[str], WxgateError | None]:
    """Write what is due now as .eml files; what was written, and one error for what went wrong.

    State and outbox stay as they are.
    """
    written: list[str] = []
    with opened(job.stem.with_name(f"{job.stem.name}.sqlite"), job.now, keep=False) as (
        state,
        told,
    ):
        found = look(job)
        errors = [*_not_looked_up(found), *_not_written(_plan(job, state, found, told))]
        with _explained_folder(out):
            out.mkdir(parents=True, exist_ok=True)
            for number, mail in enumerate(state.outbox(), start=1):
                name = "".join(c if c.isalnum() else "-" for c in mail.recipient)[:100]
                file = out / f"{number:03d}-{name}.eml"
                write_whole(file, mail.content, private=True)  # it holds an address
                written.append(f"{file} for {mail.recipient}")
    return written or ([] if errors else ["nothing is due."]), _failure(job, errors)


@contextlib.contextmanager
def _explained_folder(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise UsageError(
            f"the mails cannot be written ({error.strerror})",
            where=str(folder),
            remedy="Choose another folder.",
        ) from error


def run(job: Job) -> None:
    """One run. Silent when all went well; a WxgateError of one line for everything that did not."""
    stem = job.stem
    lock = stem.with_name(f"{stem.name}.lock")
    with explained(lock):
        make_private_folder(lock.parent)
    try:
        with contextlib.ExitStack() as stack:
            with explained(lock):
                stack.enter_context(locked(lock, job.now))
            _run(job, stem)
    except BusyError as busy:
        # A run that waits for a slow service is no fault; one that hangs is.
        if busy.held is None or busy.held >= timedelta(seconds=job.settings.stale_after):
            raise


def _run(job: Job, stem: Path) -> None:
    errors: list[Fault] = []
    found: list[Seen] = []
    waiting = 0
    try:
        with opened(stem.with_name(f"{stem.name}.sqlite"), job.now) as (state, damage):
            errors += [(JournalError.exit_code, damage)] if damage else []
            refused = runs.refused_before(state, job.now)
            found = look(job)
            errors += _not_looked_up(found)
            for seen in found:
                if seen.brief is not None:
                    issued(seen.brief, repeated=False)
            errors += _not_written(_plan(job, state, found, damage))
            sent = runs.send(state, lambda: _connected(job), job.now)
            errors += [(MailError.exit_code, line) for line in (*refused, *sent.faults)]
            waiting = sum(mail.refused is None for mail in state.outbox())
    except WxgateError as error:
        errors.append((error.exit_code, str(error)))
    try:
        _beat(stem.with_name(f"{stem.name}.json"), job, found, [f for _, f in errors], waiting)
    except JournalError as error:
        errors.append((error.exit_code, str(error)))
    failure = _failure(job, errors)
    if failure is not None:
        raise failure


def _not_looked_up(found: list[Seen]) -> list[Fault]:
    return [(DataError.exit_code, f"{s.watch.id}: {s.fault}") for s in found if s.fault]


def _not_written(faults: list[str]) -> list[Fault]:
    return [(WxgateError.exit_code, line) for line in faults]


def _failure(job: Job, errors: list[Fault]) -> WxgateError | None:
    """One error of one line for all of them, with the highest exit code; None for none."""
    if not errors:
        return None
    lines = dict.fromkeys(" ".join(line.split()).rstrip(". ") for _, line in errors)
    failure = WxgateError(f"watch {job.settings.path.name}: {' | '.join(lines)}")
    failure.exit_code = max(code for code, _ in errors)
    return failure


def _plan(job: Job, state: State, found: list[Seen], damage: str) -> list[str]:
    """Put what is due into the outbox; the mails that could not be written, in words."""
    from wxgate.report.mail import news_mail

    faults = []

    def compose(recipient: str, items: runs.Items) -> bytes | None:
        try:
            return news_mail(
                recipient, items, sender=job.settings.server.sender, now=job.now,
                message_id=_message_id(job), note=_LOST if damage else "", displays=job.displays,
            ).as_bytes()  # fmt: skip
        except Exception as error:
            if os.environ.get("WXGATE_DEBUG"):
                raise
            # One mail's fault must not silence the others; what it was to tell stays due.
            faults.append(
                f"mail to {recipient} could not be written, a fault of the program"
                f" ({type(error).__name__}: {error})"
            )
            return None

    runs.plan(
        state,
        found,
        now=job.now,
        stale_after=timedelta(seconds=job.settings.stale_after),
        compose=compose,
    )
    return faults


def _message_id(job: Job) -> str:
    return f"<{uuid.uuid4().hex}@{job.settings.server.sender.rpartition('@')[2]}>"


def _connected(job: Job) -> contextlib.AbstractContextManager[Connection]:
    return connect(job.settings.server, password_of(job.settings, os.environ))


def _beat(path: Path, job: Job, found: list[Seen], faults: list[str], waiting: int) -> None:
    """Write the heartbeat aside, then move it into place."""
    try:
        before = path.read_text(encoding="utf-8")
    except (OSError, ValueError):
        before = None
    text = runs.heartbeat(before, now=job.now, found=found, faults=faults, waiting=waiting)
    with explained(path):
        write_whole(path, text, private=True)
