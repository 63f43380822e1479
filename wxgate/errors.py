"""Every error that wxgate raises for a reason its user can mend.

Each says what is wrong, where, and the remedy. The command line prints the three in one
sentence and ends with the error's exit code; a traceback is a fault of the program.
"""

from __future__ import annotations

#: A line of an error quotes at most so many letters: a terminal, a log or a mail is read by people.
_LONGEST = 1000


def shortened(text: str) -> str:
    """The text with the middle of every overlong line left out."""
    if len(text) <= _LONGEST:
        return text
    return "\n".join(map(_cut, text.split("\n")))


def _cut(line: str) -> str:
    left = len(line) - _LONGEST
    half = _LONGEST // 2
    return f"{line[:half]} [... {left} letters ...] {line[-half:]}" if left > 0 else line


class WxgateError(Exception):
    """An error that tells what, where and the remedy.

    ``str()`` joins the three parts in one line. ``exit_code`` is what the command ends with.
    """

    exit_code = 1

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        self.what = shortened(what)
        self.where = shortened(where)
        self.remedy = remedy
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """The error in one line: where, what, remedy."""
        head = f"{self.where}: {self.what}" if self.where else self.what
        head = head.rstrip(". ")
        if not head.endswith("?"):
            head += "."
        return f"{head} {self.remedy}".strip()


class UsageError(WxgateError):
    """What the user typed or wrote cannot be used (exit code 2)."""

    exit_code = 2


class ProfileError(UsageError):
    """A site, aircraft or pilot file cannot be used (exit code 2)."""


class DataError(WxgateError):
    """Forecast data could not be had, or is not what it should be (exit code 3)."""

    exit_code = 3


class ContractError(DataError):
    """A dataset breaks the data contract (exit code 3)."""


class RulebookError(WxgateError):
    """A rules file is refused; ``faults`` lists every fault found (exit code 4)."""

    exit_code = 4

    def __init__(
        self, what: str, *, where: str = "", remedy: str = "", faults: tuple[str, ...] = ()
    ) -> None:
        self.faults = faults
        super().__init__(what, where=where, remedy=remedy)


class CacheError(WxgateError):
    """The cache folder cannot be read or written (exit code 5)."""

    exit_code = 5


class JournalError(WxgateError):
    """The journal, or other state that is kept for the user, cannot be used (exit code 6)."""

    exit_code = 6


class MailError(WxgateError):
    """Mail could not be handed in (exit code 7)."""

    exit_code = 7
