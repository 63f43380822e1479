"""One entry and its file: the key, the name it gives, and the head before the content.

The head is a line with the format's version and a digest, and a line of JSON (the key, the digest
of the content, where it came from).
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from wxgate.http import Validators

VERSION = 1

_MAGIC = f"wxgate-cache {VERSION} ".encode()
_READABLE = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._+=,-]{0,46}[A-Za-z0-9])?", re.ASCII)
_RESERVED = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?")  # names Windows keeps to itself


@dataclass(frozen=True, slots=True)
class Key:
    """What an entry is found by: the source, its run, the step and the message within it."""

    source: str
    run: str
    step: str | int
    message: str

    @property
    def parts(self) -> tuple[str, str, str, str]:
        """The four parts as text; keys with equal parts name the same entry."""
        return self.source, self.run, str(self.step), self.message

    @property
    def path(self) -> Path:
        """Where the entry lies below its version's folder: four plain names of bounded length."""
        return Path(*(file_name(part) for part in self.parts))


@dataclass(frozen=True, slots=True)
class Listed:
    """What is known of an entry without reading its content; ``size`` in bytes."""

    key: Key
    sha256: str
    size: int
    url: str
    fetched: datetime
    validators: Validators


@dataclass(frozen=True, slots=True)
class Entry(Listed):
    """An entry with its content, which agrees with ``sha256``."""

    content: bytes


def file_name(part: str) -> str:
    """A part of a key as a file name: as it is when harmless, else a readable stem and a hash.

    The tilde stands only in names of the second form, so the two forms never meet.
    """
    if _READABLE.fullmatch(part) and not _RESERVED.fullmatch(part):
        return part
    stem = re.sub(r"[^A-Za-z0-9]+", "-", part[:64], flags=re.ASCII).strip("-")[:40]
    digest = hashlib.sha256(part.encode("utf-8", "surrogatepass")).hexdigest()
    return f"{stem or 'key'}~{digest[:20]}"


def head_of(entry: Entry) -> bytes:
    """The two lines before the content."""
    about = json.dumps(
        {
            "key": [entry.key.source, entry.key.run, entry.key.step, entry.key.message],
            "sha256": entry.sha256,
            "size": entry.size,
            "url": entry.url,
            "fetched": entry.fetched.isoformat(),
            "etag": entry.validators.etag,
            "last_modified": entry.validators.last_modified,
        }
    ).encode()
    return _MAGIC + hashlib.sha256(about).hexdigest().encode() + b"\n" + about + b"\n"


def read_head(file: BinaryIO) -> Listed | None:
    """What the two lines say, the file left at the content; None when they do not agree."""
    first = file.readline(len(_MAGIC) + 65)
    about = file.readline().removesuffix(b"\n")
    if first != _MAGIC + hashlib.sha256(about).hexdigest().encode() + b"\n":
        return None
    try:
        told = json.loads(about)
        return Listed(
            Key(*told["key"]),
            told["sha256"],
            told["size"],
            told["url"],
            datetime.fromisoformat(told["fetched"]),
            Validators(told["etag"], told["last_modified"]),
        )
    except (ValueError, KeyError, TypeError):
        return None
