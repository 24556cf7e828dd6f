"""Text from people becomes a file name and never a path."""

from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st
from towertap.box.naming import bench_name, recording_name, slug
from towertap.capture.conditions import Conditions

TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=2000)
"""Any text in conditions."""
NOON = datetime(2024, 5, 17, 12, 0, 5, tzinfo=UTC)


def test_a_name_describes_its_pass():
    stiff = Conditions(road="Quarry lane", part="Polyurethane, stiff", pass_number=3)
    assert recording_name(stiff, NOON) == "quarry-lane_polyurethane-stiff_pass03_20240517T120005Z"
    # two boxes in one second
    name = "quarry-lane_polyurethane-stiff_pass03_left-sill_20240517T120005Z"
    assert recording_name(stiff, NOON, "Left sill") == name


def test_a_bench_recording_is_named_by_its_kind():
    assert bench_name("E661 A4", "idle", NOON) == "e661-a4-idle-20240517T120005Z"


def test_paths_and_accents_are_removed():
    assert slug("../../etc/passwd") == "etc-passwd"
    assert slug("Gürtel\\..\\C:") == "gurtel-c"
    assert slug("…") == "unnamed"


@given(TEXT, TEXT, st.integers(1, 9999), TEXT)
def test_every_name_is_a_portable_file_name(road, part, number, position):
    # POSIX.1-2017, 3.282 Portable Filename Character Set, and NAME_MAX of 255 on ext4, APFS, NTFS
    name = recording_name(Conditions(road=road, part=part, pass_number=number), NOON, position)
    assert set(name) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_")
    assert len(name + ".conditions.json.part") < 255
    assert not name.startswith("-")
