"""``file:`` addresses: a folder that stands in for a mirror."""

from __future__ import annotations

from urllib.parse import urlsplit

from wxgate.http.content import check_content
from wxgate.http.errors import (
    BadAddress,
    NotThere,
    RangeBeyondEnd,
    Unreachable,
    WrongContent,
    empty,
    too_large,
)
from wxgate.http.records import Body, Request, Validators


def read_file(method: str, request: Request) -> Body:
    """A file of this computer, with the range, the validators and the checks of a mirror."""
    import stat
    from email.utils import formatdate
    from pathlib import Path
    from urllib.request import url2pathname

    url = request.url
    parts = urlsplit(url)
    if parts.netloc not in ("", "localhost") or parts.query or request.params:
        raise BadAddress("a file: address has neither a host nor a query", url)
    try:
        path = Path(url2pathname(parts.path))
        told = path.stat()
        if not stat.S_ISREG(told.st_mode):  # asked before opening: a pipe would wait for ever
            raise NotThere("not a file", url)
        if told.st_size == 0:
            raise empty(url)
        changed = formatdate(told.st_mtime, usegmt=True)
        headers = {"content-length": str(told.st_size), "last-modified": changed}
        validators = Validators(last_modified=changed)
        if request.validators is not None and request.validators.last_modified == changed:
            return Body(url, 304, b"", headers, validators)
        if method == "HEAD":
            return Body(url, 200, b"", headers, validators)
        first, last = _span(request, told.st_size)
        with path.open("rb") as file:
            file.seek(first)
            content = file.read(last - first + 1)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise NotThere("the file is not there", url) from error
    except (OSError, ValueError) as error:
        raise Unreachable(
            f"the file cannot be read ({error})", url, remedy="Check the rights to the file."
        ) from error
    if len(content) != last - first + 1:
        raise WrongContent("the file changed while it was read", url)
    check_content(content, request.expect, url)
    if request.byte_range is None:
        return Body(url, 200, content, headers, validators)
    headers["content-range"] = f"bytes {first}-{last}/{told.st_size}"
    headers["content-length"] = str(len(content))
    return Body(url, 206, content, headers, validators)


def _span(request: Request, size: int) -> tuple[int, int]:
    """The first and last byte wanted of a file of this size."""
    first, last = request.byte_range or (0, None)
    last = size - 1 if last is None else last
    if first >= size or last >= size:
        raise RangeBeyondEnd("the range lies past the end of the file", request.url)
    if last - first + 1 > request.max_bytes:
        raise too_large(request.url, request.max_bytes)
    return first, last
