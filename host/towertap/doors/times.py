"""Parses ISO 8601 times and formats the current one."""

from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

YEARS = range(1970, 2100)
"""A clock outside these years was never set. Inside them, date arithmetic cannot overflow."""
LONGEST = 64

FIRST_RECORDING = datetime(2015, 1, 1, tzinfo=UTC)
"""No firmware of this project is as old. A computer that has lost its clock shows 1970 or its maker's year."""
AHEAD = timedelta(days=1)
"""A clock that shows local time as UTC is up to 14 h ahead."""


def now_utc() -> str:
    """The current time in ISO 8601, UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def instant(text: Any) -> datetime | None:
    """Parse ISO 8601, taken as UTC if it has no offset; None if it is not a valid time."""
    try:
        moment = datetime.fromisoformat(text.strip()) if len(text) <= LONGEST else None
    except (ValueError, TypeError, AttributeError):
        return None
    if moment is None or moment.year not in YEARS:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def local(text: Any, utc_offset_s: int | None = None) -> datetime | None:
    """The instant in local time where it was recorded: at `utc_offset_s`, or else at the text's own offset."""
    moment = instant(text)
    if moment is None or utc_offset_s is None:
        return moment
    return moment.astimezone(timezone(timedelta(seconds=utc_offset_s)))


def impossible(moment: datetime) -> str:
    """Why no recording can have begun at a time; empty if one can."""
    if moment < FIRST_RECORDING:
        return f"the date {moment:%Y-%m-%d} is before {FIRST_RECORDING.year}, when the box's firmware did not exist"
    return f"the date {moment:%Y-%m-%d} is in the future" if moment > datetime.now(UTC) + AHEAD else ""


def local_day(text: Any, utc_offset_s: int | None = None) -> date | None:
    """The local day of an instant where it was recorded."""
    moment = local(text, utc_offset_s)
    return moment and moment.date()
