"""A mail about what is news: plain text that suffices alone, HTML beside it, a plot, a calendar.

Built by the standard library's EmailMessage alone. Names come from files that others may have
written: they are made one visible line before they reach a header, and escaped before they reach
HTML. Both texts go out as quoted-printable, so that any server takes them.

The file is long because subject, text and HTML are made of the same sentences: apart, they could
come to tell of different news.
"""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Sequence
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import EmailPolicy
from html import escape
from typing import Any

from wxgate.brief import Brief
from wxgate.report.calendar import plain
from wxgate.report.display import METRIC, WIDTH, Display
from wxgate.report.mailcalendar import calendar_part
from wxgate.report.text import brief_text
from wxgate.report.words import CAUTIONS, clock, day, reason_text, span
from wxgate.verdict import Grade, Verdict
from wxgate.watch.due import Kind, News, Seen, slot_grade
from wxgate.watch.run import Items
from wxgate.watch.times import Slot, slots_between

LONGEST_SUBJECT, LONGEST_NAME = 150, 60
#: So many briefs are written out in one mail; of more watches the news alone is told.
MOST_BRIEFS = 4
_PLOT = "plot"
_COLOUR = {Grade.GO: "#0072b2", Grade.MARGINAL: "#8a6d00", Grade.NO_GO: "#b34700",
           Grade.UNKNOWN: "#555555"}  # fmt: skip


class _Policy(EmailPolicy):
    """As for SMTP, but every header begins on the line of its name.

    A value of 70 to 77 letters fits on a line by itself, so that Python leaves the line of the name
    empty. That is lawful (RFC 5322 section 2.2.3), and yet some programs then show no subject. Such
    a line is longer than 78 letters, and shorter than the 998 that any server takes.
    """

    def fold_binary(self, name: str, value: Any) -> bytes:
        """The header as it goes out."""
        start = f"{name}:".encode()
        return super().fold_binary(name, value).replace(start + b"\r\n ", start + b" ", 1)


_POLICY = _Policy(linesep="\r\n")


def news_mail(
    recipient: str,
    items: Items,
    *,
    sender: str,
    now: datetime,
    message_id: str,
    note: str = "",
    displays: dict[str, Display] | None = None,
) -> EmailMessage:
    """The mail that tells one recipient all of ``items``; the verdict leads subject and text.

    ``message_id`` with its angle brackets; ``note`` is told at the head; ``displays`` by watch id.
    """
    shown = displays or {}
    lines = [line for line, _ in _lines(items, now, shown)]
    subject = lines[0] + (f" (and {len(lines) - 1} more)" if len(lines) > 1 else "")
    message = _envelope(recipient, sender, subject, now, message_id)
    message.set_content(_sendable(_text(items, now, shown, note)), cte="quoted-printable")
    plot = _plot(items, shown)
    message.add_alternative(
        _sendable(_html(items, now, shown, note, alt=None if plot is None else plot[1])),
        subtype="html",
        cte="quoted-printable",
    )
    if plot is not None:
        message.get_payload()[1].add_related(  # type: ignore[index,union-attr]
            plot[0], "image", "png", cid=f"<{_PLOT}@wxgate>", filename="wind.png",
            disposition="inline",
        )  # fmt: skip
    calendar = calendar_part(items, now)
    if calendar is not None:
        method = "CANCEL" if b"METHOD:CANCEL" in calendar else "PUBLISH"
        message.add_attachment(
            calendar.decode("utf-8"), subtype="calendar", filename="window.ics",
            params={"method": method}, cte="quoted-printable",
        )  # fmt: skip
    return message


def _sendable(text: str) -> str:
    """The text without half characters, which the names of files of other encodings hold."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def trial_mail(
    recipient: str, about: Sequence[str], *, sender: str, now: datetime, message_id: str
) -> EmailMessage:
    """A mail that tells that mail arrives, and which watches will write."""
    message = _envelope(recipient, sender, "wxgate: mail from the watch arrives", now, message_id)
    body = ["This is the trial mail that was asked for. No weather was looked at.", "", "Watches:"]
    body += [f"* {plain(line, WIDTH)}" for line in about]
    message.set_content("\n".join(body) + "\n", cte="quoted-printable")
    return message


def _envelope(
    recipient: str, sender: str, subject: str, now: datetime, message_id: str
) -> EmailMessage:
    message = EmailMessage(policy=_POLICY)
    message["Subject"] = plain(subject, LONGEST_SUBJECT)
    message["From"] = Address("wxgate", addr_spec=sender)
    message["To"] = Address(addr_spec=recipient)
    message["Date"] = now
    message["Message-ID"] = message_id
    # Tells robots not to answer (RFC 3834).
    message["Auto-Submitted"] = "auto-generated"
    return message


# ---------------------------------------------------------------------- one line for one news


def _lines(
    items: Items, now: datetime, shown: dict[str, Display]
) -> list[tuple[str, tuple[Seen, News]]]:
    """Each piece of news in one line, the most pressing first; fixed mails of a watch once."""
    found: dict[tuple[str, object], tuple[tuple[int, ...], str, tuple[Seen, News]]] = {}
    for seen, each in items:
        for news in each:
            line = _line(seen, news, now, shown.get(seen.watch.id, METRIC))
            start = int(news.start.timestamp()) if news.start else 0
            rank = (news.kind, -news.grade, start)
            found.setdefault((seen.watch.id, line), (rank, line, (seen, news)))
    ordered = sorted(found.values(), key=lambda f: f[0])
    return [(line, about) for _, line, about in ordered]


def _line(seen: Seen, news: News, now: datetime, display: Display) -> str:
    """The verdict first, then when, where, and what it was before."""
    where, word = _where(seen), news.grade.word.upper()
    if news.kind is Kind.STALE:
        since = "ever" if news.since is None else f"since {_at(news.since, seen, display)}"
        return f"NO FRESH VERDICT {since}, {where}"
    if news.kind is Kind.FRESH:
        return f"{word} {_window(seen, display)}, {where}: verdicts are fresh again"
    if news.kind is Kind.FIXED:
        if seen.brief is None:
            return f"NO VERDICT, {where}: the forecast could not be had"
        slots = _watched(seen, now)
        if slots:
            slot, grade = slots[0]
            when = span(slot.start, slot.end, seen.zone, display=display)
            return f"{grade.word.upper()} {when}, {where}"
        return f"{word} {_window(seen, display)}, {where}"
    when = (
        span(news.start, news.end, seen.zone, display=display)
        if news.start and news.end
        else "at times told before"
    )
    was = "first verdict" if news.was is None else f"was {news.was.word.upper()}"
    if news.kind is Kind.SLOT:
        return f"{word} {when}, {where}: {was}"
    if news.value == "none":
        return f"{word} {when}, {where}: the window has closed"
    how = "a window has opened" if news.was is None else f"the window {was}"
    return f"{word} {when}, {where}: {'the window has moved' if news.moved else how}"


def _where(seen: Seen) -> str:
    return plain(seen.name or seen.watch.site.text, LONGEST_NAME)


def _at(when: datetime, seen: Seen, display: Display) -> str:
    local = when.astimezone(seen.zone)
    return f"{day(when, seen.zone)} {clock(when, seen.zone, display=display)} {local:%Z}"


def _window(seen: Seen, display: Display) -> str:
    window = seen.brief.window if seen.brief is not None else None
    if window is not None:
        return span(window.start, window.end, seen.zone, display=display)
    end = seen.brief.hours[-1].end if seen.brief is not None and seen.brief.hours else None
    return "no window" if end is None else f"no window until {_at(end, seen, display)}"


def _watched(seen: Seen, now: datetime) -> list[tuple[Slot, Grade]]:
    """The watched slots that the brief reaches, with their verdicts."""
    if seen.brief is None or not seen.brief.hours:
        return []
    slots = slots_between(seen.watch.slots, seen.zone, now, seen.brief.hours[-1].end)
    return [(slot, slot_grade(seen.brief.hours, slot, now)) for slot in slots]


def _why(seen: Seen, start: datetime, end: datetime, display: Display) -> str:
    """The limiting rule of the worst hour between two instants."""
    hours = [
        v for v in (seen.brief.hours if seen.brief else ()) if v.end > start and v.start < end
    ]  # fmt: skip
    if not hours:
        return ""
    worst = max(hours, key=_weight)
    reason = worst.limiting_reason
    if reason is None:
        return "the forecast does not reach these hours."
    when = clock(worst.start, seen.zone, display=display)
    told = reason_text(reason, when=when, display=display)
    return f"{told}." if reason.grade is Grade.GO else f"{told}: {reason.because}"


def _weight(verdict: Verdict) -> tuple[int, float]:
    return verdict.grade, -(verdict.margin if verdict.margin is not None else -1.0)


# ---------------------------------------------------------------------- text


def _text(items: Items, now: datetime, shown: dict[str, Display], note: str) -> str:
    lines = [*_wrapped(note), ""] if note else []
    for line, (seen, news) in _lines(items, now, shown):
        lines += _wrapped(line)
        lines += _wrapped(_reason(seen, news, shown.get(seen.watch.id, METRIC)), "    ")
    briefs = _briefs(items)
    for seen, found in briefs:
        display = shown.get(seen.watch.id, METRIC)
        lines += ["", "-" * 20]
        lines += [line for told in _slot_lines(seen, now, display) for line in _wrapped(told)]
        lines += [brief_text(found, display=display).rstrip("\n")]
    if len(items) > MOST_BRIEFS:
        lines += ["", f"{len(items) - MOST_BRIEFS} more watches; `wxgate brief` tells them whole."]
    lines += [] if briefs else ["", *CAUTIONS]  # which stand below each brief
    return "\n".join([*lines, "", *_wrapped(_sent_by(items))]) + "\n"


def _briefs(items: Items) -> list[tuple[Seen, Brief]]:
    """The briefs that a mail writes out, with what each was seen by."""
    return [(seen, seen.brief) for seen, _ in items[:MOST_BRIEFS] if seen.brief is not None]


def _sent_by(items: Items) -> str:
    return f"Sent by wxgate, watch {', '.join(seen.watch.id for seen, _ in items)}."


def _reason(seen: Seen, news: News, display: Display) -> str:
    """What stands below a line: why, or what to make of it."""
    who = f"{seen.watch.aircraft.text}, {seen.watch.pilot.text}"
    if news.kind is Kind.STALE:
        why = f" ({plain(seen.fault, 200).rstrip('. ')})" if seen.fault else ""
        return f"{who}: do not fly on an earlier verdict{why}. Look for yourself."
    if seen.brief is None:
        return f"{who}: {plain(seen.fault, 300)} Do not fly on an earlier verdict."
    if news.start is None or news.end is None:
        window = seen.brief.window
        why = _why(seen, window.start, window.end, display) if window else ""
    else:
        why = _why(seen, news.start, news.end, display)
    return f"{who}, up to {display.length(seen.brief.height)}: {why or 'see below.'}"


def _slot_lines(seen: Seen, now: datetime, display: Display) -> list[str]:
    return [
        f"Slot {span(slot.start, slot.end, seen.zone, display=display)}: {grade.word.upper()}"
        for slot, grade in _watched(seen, now)
    ]


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        " ".join(text.split()), WIDTH, initial_indent=indent, subsequent_indent=indent or "  ",
        break_on_hyphens=False,
    )  # fmt: skip


# ---------------------------------------------------------------------- HTML and plot


def _html(
    items: Items, now: datetime, shown: dict[str, Display], note: str, *, alt: str | None
) -> str:
    """A page for mail clients: inline styles, no script, nothing fetched from anywhere."""
    parts = [f"<p><b>{escape(note)}</b></p>"] if note else []
    for line, (seen, news) in _lines(items, now, shown):
        display = shown.get(seen.watch.id, METRIC)
        parts.append(
            f'<p style="margin:0 0 2px 0;padding-left:8px;font-size:17px;'
            f'border-left:6px solid {_COLOUR[news.grade]}"><b>{escape(line)}</b></p>'
            f'<p style="margin:0 0 12px 14px">{escape(_reason(seen, news, display))}</p>'
        )
    if alt is not None:
        told = f"Wind and gust at flight height against their limits, hour by hour. {alt}"
        parts.append(
            f'<p><img src="cid:{_PLOT}@wxgate" alt="{escape(told)}" style="max-width:100%"></p>'
        )  # fmt: skip
    briefs = _briefs(items)
    for seen, found in briefs:
        display = shown.get(seen.watch.id, METRIC)
        told = "\n".join([*_slot_lines(seen, now, display), brief_text(found, display=display)])
        parts.append(
            '<pre style="font-family:monospace;font-size:11px;white-space:pre;overflow-x:auto">'
            f"{escape(told)}</pre>"
        )
    parts += [] if briefs else [f"<p>{escape(' '.join(CAUTIONS))}</p>"]
    parts.append(f"<p>{escape(_sent_by(items))}</p>")
    body = "\n".join(parts)
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>wxgate</title></head>'
        f'<body style="font-family:sans-serif;color:#111;background:#fff">\n{body}\n</body></html>'
        "\n"
    )


def _plot(items: Items, shown: dict[str, Display]) -> tuple[bytes, str] | None:
    """The plot of the first watch that has a brief, and what it shows in words.

    A mail goes without one rather than not go.
    """
    from wxgate.report.panels import wind_panel
    from wxgate.report.plots import inline_png

    for seen, _ in items:
        if seen.brief is not None:
            try:
                # A letter that the font lacks is no news for whoever reads cron's mail.
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    display = shown.get(seen.watch.id, METRIC)
                    png = inline_png(seen.brief, display=display)
                    return png, wind_panel(seen.brief, display=display).told
            except Exception:  # noqa: BLE001  an alert must not hang on its decoration
                return None
    return None
