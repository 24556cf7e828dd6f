"""The report of a comparison: one HTML page that stands by itself, and its figures beside it."""

from towertap.report.report import write_report

__all__ = ["write_report"]
