"""The decision record: one page, and its print, that says what was done and why."""

from tubekit.record.record import Record, record

__all__ = ["Record", "record"]
