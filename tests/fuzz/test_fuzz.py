"""What was found by fuzzing stays mended, and a short run of damaged files of each kind; the long ones are scripts."""

import pytest

from tests.fuzz import mutated_files, targets


@pytest.mark.parametrize("name", targets.TARGETS)
def test_sound_files_are_taken_and_what_was_found_is_answered(name):
    for data in targets.SOUND[name]():
        targets.TARGETS[name](data)
    for data in targets.seeds(name):
        targets.run(name, data)


@pytest.mark.parametrize("name", targets.TARGETS)
def test_damaged_files_are_answered_in_time(name):
    """`python -m tests.fuzz.mutated_files --files 2000` tries thousands."""
    assert mutated_files.try_files(name, 3 if name in targets.SLOW else 30) < mutated_files.LONGEST_S


def test_a_target_that_crashes_is_caught(monkeypatch):
    monkeypatch.setitem(targets.TARGETS, "settings", lambda data: data.decode("ascii"))
    with pytest.raises(AssertionError, match="settings, file"):
        mutated_files.try_files("settings", 300)
