"""Lessons: a question, a prediction, then what comes out and why; shown by the pages in `panels`."""

from tubekit.lessons.book import LESSONS, lesson_of, on_paper
from tubekit.lessons.reference_check import ReferenceCheck, reference_checks, sources
from tubekit.lessons.store import FILE, Store

__all__ = [
    "FILE",
    "LESSONS",
    "ReferenceCheck",
    "Store",
    "lesson_of",
    "on_paper",
    "reference_checks",
    "sources",
]
