"""An archive finds recordings by its files alone, and no text becomes a path."""

import shutil
from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from towertap.archive import store
from towertap.capture.conditions import Conditions, write_sidecar
from towertap.capture.reading import open_capture
from towertap.errors import CallError

from tests.archive.conftest import put


def test_the_index_is_never_needed(archive):
    records = store.listing(archive).records
    index = archive / "index.json"
    whole = index.read_bytes()
    for spoiled in (None, b"", b"{", whole[:-20], whole.replace(b"bypass", b"byways"), b"[1]"):
        index.unlink() if spoiled is None else index.write_bytes(spoiled)
        assert store.listing(archive).records == records
        assert index.read_bytes() == (whole if spoiled is None else spoiled)  # a damaged one may be a last trace


def test_listing_any_folder_creates_nothing(tmp_path):
    (tmp_path / "holidays").mkdir()
    assert "holidays" in store.listing(tmp_path).unreadable[0]
    assert [path.name for path in tmp_path.iterdir()] == ["holidays"]


def test_a_copied_folder_is_listed_and_a_removed_one_is_not(archive, tmp_path, recording):
    other = tmp_path / "other"
    record, _ = put(other, recording("third", seed=7, road="moor-road"))
    shutil.copytree(other / record["name"], archive / record["name"])
    assert record in store.listing(archive).records
    shutil.rmtree(archive / record["name"])
    assert record not in store.listing(archive).records


def test_an_unreadable_record_is_reported_and_the_others_are_listed(archive):
    spoiled, sound = store.names(archive)
    (archive / "index.json").unlink()
    (archive / spoiled / "record.json").write_text("{}")
    listing = store.listing(archive)
    assert [record["name"] for record in listing.records] == [sound]
    assert spoiled in listing.unreadable[0]


def test_an_archive_on_a_read_only_disk_is_listed(archive, monkeypatch):
    (archive / "index.json").unlink()

    def refuse(path):
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(store, "whole_file", refuse)
    assert len(store.listing(archive).records) == 2


@given(
    texts=st.tuples(
        *[st.text(max_size=30) | st.sampled_from(["../../x", "/etc/passwd", "..", "CON", "a/b", "-rf"])] * 3
    )
)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_text_becomes_a_path_outside(texts, tmp_path, by_hand):
    place = tmp_path / "inner"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    vehicle, part, road = (text.replace("\0", "") for text in texts)
    raw = by_hand.raw(place / "drive.ttraw", by_hand.recording(0.1))
    write_sidecar(raw, Conditions(vehicle, part, road, 1), started_utc="../../2026")
    record, _ = put(place / "archive", raw)
    assert {path.name for path in tmp_path.iterdir()} == {"inner"}
    assert {path.name for path in (place / "archive").iterdir()} == {record["name"], "index.json", ".lock"}
    assert set(record["name"]) <= set("abcdefghijklmnopqrstuvwxyz0123456789-_")
    assert record["conditions"]["road"] == road


def test_links_in_an_archive_are_not_recordings(archive, tmp_path):
    (archive / "link").symlink_to(tmp_path)
    assert "link" not in store.names(archive)


def test_a_name_is_looked_up_and_never_followed(archive):
    names = store.names(archive)
    assert store.find(archive, "bypass")["name"] == names[0]
    assert store.find(archive, names[1])["name"] == names[1]
    assert store.find(archive, store.find(archive, "quarry")["raw"]["sha256"][:20].upper())["name"] == names[1]
    for name in ("../archive", "", "nothing", "/"):
        with pytest.raises(CallError, match="archive list"):
            store.find(archive, name)


def test_filters(recording, tmp_path):
    archive = tmp_path / "archive"
    drives = [("rubber", "bypass", "2026-09-21T23:30:00+00:00"), ("stiff", "bypass", "2026-09-22T01:30:00+02:00")]
    drives += [("stiff", "moor-road", "2026-10-01T08:00:00Z"), ("stiff", "moor-road", "")]
    for seed, (part, road, started_utc) in enumerate(drives):
        put(archive, recording(f"drive{seed}", seed=seed, part=part, road=road, started_utc=started_utc))
    records = store.listing(archive).records

    def found(**how):
        return len(store.select(records, **how))

    assert (found(), found(part="STIFF"), found(part="stiff", road="bypass"), found(vehicle="lorry")) == (4, 3, 1, 0)
    # a day is the driver's: 01:30 two hours east of Greenwich is early on the 22nd, though UTC has the 21st still
    assert found(since=date(2026, 9, 21), until=date(2026, 9, 21)) == 1
    assert (found(since=date(2026, 9, 22)), found(until=date(2026, 9, 30))) == (2, 2)


def test_a_morning_east_of_greenwich_is_on_its_local_day(recording, tmp_path):
    """08:00 at UTC+10 is 22:00 UTC on the day before: the recorder's time zone decides the day."""
    capture = recording(started_utc="2026-05-03T22:00:00+00:00", utc_offset_s=36_000)
    record, _ = put(tmp_path / "archive", capture)
    assert record["utc_offset_s"] == 36_000
    assert store.select([record], since=date(2026, 5, 4)) == [record]
    assert store.select([record], until=date(2026, 5, 3)) == []
    with open_capture(capture) as opened:
        assert opened.day == date(2026, 5, 4)
