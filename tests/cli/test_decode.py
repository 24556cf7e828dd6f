"""`towertap decode`: a capture from a raw recording; one line and exit status 2 for anything else."""

import pytest
from towertap.capture.reading import open_capture


@pytest.fixture
def raw(tmp_path, by_hand):
    return by_hand.raw(tmp_path / "drive.ttraw", by_hand.recording(1))


def test_decode_writes_the_capture_next_to_the_raw_file(raw, answer):
    data = answer("decode", raw)
    assert data["capture"] == str(raw.with_suffix(".h5"))
    assert (data["samples"], data["missing_samples"], data["gaps"], data["bad_frames"]) == (4000, 0, 0, 0)
    with open_capture(raw.with_suffix(".h5")) as capture:
        assert capture.n_samples == 4000


@pytest.mark.parametrize(
    ("content", "options", "says"),
    [
        (b"", [], "empty"),
        (b"\x89PNG\r\n\x1a\n" + bytes(200), [], "not a raw recording"),
        (None, [], "no such file"),
        (b"x", ["--out", "drive.ttraw"], "overwrite"),
        (b"x", ["--out", "nowhere/drive.h5"], "nowhere"),
        (b"x", ["--out", "/"], "folder"),
    ],
)
def test_bad_input_is_one_line_and_exit_status_2(content, options, says, tmp_path, refused, monkeypatch):
    monkeypatch.chdir(tmp_path)
    if content is not None:
        (tmp_path / "drive.ttraw").write_bytes(content)
    err = refused("decode", "drive.ttraw", *options)
    assert says in err
    assert [path.name for path in tmp_path.iterdir()] == (["drive.ttraw"] if content is not None else [])


def test_a_capture_is_not_taken_for_a_raw_recording(raw, run, refused):
    run("decode", raw)
    err = refused("decode", raw.with_suffix(".h5"), "--out", raw.with_name("x.h5"))
    assert "already a capture" in err


def test_another_raw_recording_is_never_overwritten(raw, refused):
    other = raw.with_name("other.ttraw")
    other.write_bytes(raw.read_bytes())
    err = refused("decode", raw, "--out", other)
    assert "already exists and is not a capture" in err
    assert other.read_bytes() == raw.read_bytes()


def test_an_empty_capture_is_replaced_and_an_empty_recording_refused(raw, run, refused):
    capture = raw.with_suffix(".h5")
    capture.touch()
    assert "decode the raw recording again" in refused("check", capture)
    assert run("decode", raw)[0] == 0
    capture.write_text("my notes")
    assert "move it away" in refused("check", capture)
    assert "move it away" in refused("decode", raw)
    raw.write_bytes(b"")
    assert f"{raw}: empty" in refused("decode", raw)


def test_a_recording_that_was_broken_off_is_called_so(raw, run):
    assert "broken off" not in run("decode", raw)[1]
    raw.write_bytes(raw.read_bytes()[:-200])
    status, out, _ = run("decode", raw)
    assert (status, "\nbroken off: " in out) == (0, True)
