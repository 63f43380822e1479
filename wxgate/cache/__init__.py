"""What was fetched, kept under (source, run, step, message) so that it is fetched once.

An entry is **one** file: a line with the format's version and a digest, a line of JSON (the key,
the digest of the content, where it came from), then the content. It is written under another name
and moved into place, so that a process killed half way, or two that write the same key, leave
either a whole entry or none. Whatever does not agree with its digests is removed, never read.

Files are private to the user. Layout: ``root/v1/source/run/step/message``.
"""

from wxgate.cache.entry import Entry, Key, file_name
from wxgate.cache.files import Removed
from wxgate.cache.store import Cache

__all__ = ["Cache", "Entry", "Key", "Removed", "file_name"]
