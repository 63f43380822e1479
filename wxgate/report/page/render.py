"""From a brief to the page: the facts of :mod:`facts` laid into the template beside this file."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from pathlib import Path
from typing import Any

from markupsafe import Markup, escape

from wxgate.brief import Brief
from wxgate.report.display import METRIC, Display
from wxgate.report.page.facts import facts
from wxgate.strictyaml.characters import is_hidden

_HERE = Path(__file__).parent


def page_html(brief: Brief, *, display: Display = METRIC) -> str:
    """The page, whole in itself: style and plots stand in it, and its policy forbids all else.

    Every text is escaped by the template engine. The style is let in by its hash alone.
    """
    style = _read("page.css")
    return str(_template().render(
        page=facts(brief, display), style=style, policy=_policy(style)
    )).strip() + "\n"  # fmt: skip


def _policy(style: str) -> str:
    """The Content-Security-Policy: nothing is loaded, and no style holds but this one."""
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none';"
        " form-action 'none'"
    )


def _read(name: str) -> str:
    return (_HERE / name).read_text(encoding="utf-8").strip()


@cache
def _template() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    found = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_seen,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters["kept"] = _kept
    return found.get_template("page.html.j2")


def _seen(value: Any) -> Any:
    """A value with every character that cannot be seen written out, as on a terminal.

    Names and notes quote files and servers; a hidden letter could turn a line about.
    """
    if not isinstance(value, str) or isinstance(value, Markup):
        return value
    return "".join(
        c.encode("unicode_escape", "backslashreplace").decode("ascii")
        if is_hidden(c) or "\ud800" <= c <= "\udfff"
        else c
        for c in value
    )


def _kept(text: str) -> Markup:
    """The text with spans of time as 10:00–12:00, which no line break tears apart."""
    dashed = re.sub(r"(?<=[\dmnt])-(?=[\dMTWFS])", "\u2060\u2013\u2060", str(escape(_seen(text))))
    return Markup(dashed)  # noqa: S704  (escaped above)
