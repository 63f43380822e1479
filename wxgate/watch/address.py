"""Which mail addresses are taken: plain ones, in ASCII, that need no quoting anywhere."""

from __future__ import annotations

import re

_LABEL = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
_LOCAL = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(?:\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*"
#: The "dot-string" and "domain" of RFC 5321 section 4.1.2; quoted local parts are not taken.
_ADDRESS = re.compile(rf"{_LOCAL}@{_LABEL}(?:\.{_LABEL})*\Z", re.ASCII)


def is_address(text: str) -> bool:
    """Whether a text is one plain address, within the lengths of RFC 5321 section 4.5.3.1."""
    local, _, _ = text.rpartition("@")
    return bool(_ADDRESS.match(text)) and len(local) <= 64 and len(text) <= 254
