"""Only regular files below the size limit of their kind are read; nothing blocks or goes on for ever."""

import os
from pathlib import Path

import pytest
from towertap.doors.files import content, opened, size_of
from towertap.errors import FileError


@pytest.fixture
def strange(tmp_path):
    """Paths that are not regular files, with the expected reason."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "to-nowhere").symlink_to("nothing")
    return {
        tmp_path / "pipe": "not a regular file",
        Path("/dev/zero"): "not a regular file",
        tmp_path: "a folder",
        tmp_path / "loop": "a link to itself",
        tmp_path / "to-nowhere": "no such file",
        tmp_path / "nothing": "no such file",
        tmp_path / "drive.h5" / "inside": "no such file",
        Path("a\0b"): "not a file name",
        tmp_path / ("x" * 300): "file name too long",
    }


def test_anything_but_a_regular_file_is_refused_at_once_and_in_one_line(strange):
    for path, reason in strange.items():
        for read in (size_of, opened, lambda path, wanted: content(path, wanted, 10)):
            with pytest.raises(FileError, match=reason) as failure:
                read(path, "a capture (.h5)")
            assert str(failure.value).endswith("give a capture (.h5)")
            assert "\n" not in str(failure.value)


def test_a_file_above_the_size_limit_is_refused_unread(tmp_path):
    path = tmp_path / "large"
    with path.open("wb") as file:
        file.truncate(2**40)  # sparse: a terabyte that takes no space
    with pytest.raises(FileError, match="larger than a plan can be"):
        content(path, "a plan", 1000)


def test_a_regular_file_is_read_completely_also_through_a_link(tmp_path):
    (tmp_path / "file").write_bytes(b"abc")
    (tmp_path / "link").symlink_to("file")
    assert size_of(tmp_path / "link", "a file") == 3
    assert content(tmp_path / "link", "a file", 3) == b"abc"
