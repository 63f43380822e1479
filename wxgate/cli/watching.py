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
        for recipient in job.settings.recipients:
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
                break
    if faults:
        raise MailError(
            f"not taken: {'; '.join(faults)}", remedy="Check the addresses, or try again later."
        )


def dry_run(job: Job, out: Path) -> list[str]:
    """Write what is due now as .eml files; what was written. State and outbox stay as they are."""
    written: list[str] = []
    with opened(job.stem.with_name(f"{job.stem.name}.sqlite"), job.now, keep=False) as (
        state,
        told,
    ):
        found = look(job)
        _plan(job, state, found, told)
        with _explained_folder(out):
            out.mkdir(parents=True, exist_ok=True)
            for number, mail in enumerate(state.outbox(), start=1):
                name = "".join(c if c.isalnum() else "-" for c in mail.recipient)
                file = out / f"{number:03d}-{name}.eml"
                file.write_bytes(mail.content)
                written.append(f"{file} for {mail.recipient}")
    return [*(f"{s.watch.id}: {s.fault}" for s in found if s.fault), *written] or [
        "nothing is due."
    ]


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
        lock.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
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
    errors: list[tuple[int, str]] = []
    found: list[Seen] = []
    waiting = 0
    try:
        with opened(stem.with_name(f"{stem.name}.sqlite"), job.now) as (state, damage):
            errors += [(JournalError.exit_code, damage)] if damage else []
            refused = runs.refused_before(state, job.now)
            found = look(job)
            errors += [(DataError.exit_code, f"{s.watch.id}: {s.fault}") for s in found if s.fault]
            for seen in found:
                if seen.brief is not None:
                    issued(seen.brief, repeated=False)
            errors += [(WxgateError.exit_code, line) for line in _plan(job, state, found, damage)]
            sent = runs.send(state, lambda: _connected(job), job.now)
            errors += [(MailError.exit_code, line) for line in (*refused, *sent.faults)]
            waiting = sum(mail.refused is None for mail in state.outbox())
    except WxgateError as error:
        errors.append((error.exit_code, str(error)))
    try:
        _beat(stem.with_name(f"{stem.name}.json"), job, found, [f for _, f in errors], waiting)
    except JournalError as error:
        errors.append((error.exit_code, str(error)))
    if errors:
        lines = dict.fromkeys(" ".join(line.split()).rstrip(". ") for _, line in errors)
        failure = WxgateError(f"watch {job.settings.path.name}: {' | '.join(lines)}")
        failure.exit_code = max(code for code, _ in errors)
        raise failure


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
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    with explained(path):
        try:
            partial.write_text(text, encoding="utf-8")
            partial.replace(path)
        finally:
            partial.unlink(missing_ok=True)
