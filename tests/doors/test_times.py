"""`instant` turns ISO 8601 into an aware datetime, and anything that no clock shows into None."""

from datetime import UTC, datetime, timedelta

import pytest
from towertap.doors.times import AHEAD, FIRST_RECORDING, impossible, instant


def test_an_instant_keeps_its_offset_and_is_in_utc_without_one():
    # ISO 8601-1:2019, 5.3 and 5.4: extended and basic format, Z and ±hh:mm
    noon = datetime(2026, 5, 4, 12, tzinfo=UTC)
    for text in ("2026-05-04T12:00:00Z", "20260504T120000Z", " 2026-05-04T22:00:00+10:00 ", "2026-05-04T12:00:00"):
        assert instant(text) == noon
    assert instant("2026-05-04T22:00:00+10:00").utcoffset() == timedelta(hours=10)
    assert instant("2026-05-04T12:00:00").tzinfo is UTC


INVALID = ["", "soon", "2026-13-01", "0001-01-01T00:00:00+23:00", "9999-12-31T23:59:59-23:00", None, 5]


@pytest.mark.parametrize("text", INVALID)
def test_an_invalid_time_is_none(text):
    assert instant(text) is None


@pytest.mark.parametrize("text", ["1970-01-01T00:00:00+23:59", "2099-12-31T23:59:59-23:59"])
def test_the_first_and_the_last_instant_survive_arithmetic(text):
    assert instant(text).astimezone(UTC).date() - timedelta(days=1)


def test_nothing_was_recorded_before_the_firmware_existed_or_later_than_tomorrow():
    now, day = datetime.now(UTC), timedelta(days=1)
    assert [impossible(moment) for moment in (FIRST_RECORDING, now, now + AHEAD - timedelta(minutes=1))] == ["", "", ""]
    assert impossible(FIRST_RECORDING - day).startswith("the date 2014-12-31 is before 2015")
    assert impossible(now + AHEAD + day).endswith("is in the future")
