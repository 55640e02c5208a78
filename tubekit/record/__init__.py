"""The decision record: one page, and its print, that says what was done and why."""

from tubekit.record.content import PAPERS
from tubekit.record.files import next_free
from tubekit.record.record import Record, contents, may_write, record
from tubekit.record.results import SHEETS, RecordResults, record_results

__all__ = [
    "PAPERS",
    "SHEETS",
    "Record",
    "RecordResults",
    "contents",
    "may_write",
    "next_free",
    "record",
    "record_results",
]
