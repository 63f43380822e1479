"""Lesson planning: which hours suit whom, and who flies when with whom.

``slots`` lays lessons over graded hours (``ground``) where no ``obstacles`` stand in the way,
``assignment`` gives offers to students by an integer ``program``, ``planning`` makes the plan of
it, and ``changes`` tells why a plan is not what it was.
"""

from wxgate.lessons.policy import Policy, policy_of
from wxgate.lessons.records import (
    Batteries,
    Blocked,
    Criteria,
    Instructor,
    Lesson,
    LocalSpan,
    Plan,
    Slot,
    Student,
)

__all__ = [
    "Batteries",
    "Blocked",
    "Criteria",
    "Instructor",
    "Lesson",
    "LocalSpan",
    "Plan",
    "Policy",
    "Slot",
    "Student",
    "policy_of",
]
