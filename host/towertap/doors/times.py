"""The one way to read an instant, and to write down the present one."""

from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

YEARS = range(1970, 2100)
"""Outside of these a clock was never set; inside them no arithmetic leaves what Python's dates can hold."""
LONGEST = 64


def now_utc() -> str:
    """The present moment in ISO 8601, UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def instant(text: Any) -> datetime | None:
    """The instant that an ISO 8601 text names, with its offset from UTC, or in UTC where none is written; else None."""
    try:
        moment = datetime.fromisoformat(text.strip()) if len(text) <= LONGEST else None
    except (ValueError, TypeError, AttributeError):
        return None
    if moment is None or moment.year not in YEARS:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def local(text: Any, utc_offset_s: int | None = None) -> datetime | None:
    """The instant as a clock showed it where it was written: by `utc_offset_s` or else by the text's own offset."""
    moment = instant(text)
    if moment is None or utc_offset_s is None:
        return moment
    return moment.astimezone(timezone(timedelta(seconds=utc_offset_s)))


def local_day(text: Any, utc_offset_s: int | None = None) -> date | None:
    """The day that an instant fell on where it was written."""
    moment = local(text, utc_offset_s)
    return moment and moment.date()
