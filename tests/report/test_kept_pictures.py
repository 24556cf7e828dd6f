"""Kept pictures: drawn again only if their data has changed, and the same from kept captures."""

import pytest
from towertap.compare import compare, load_drives
from towertap.compare.drives import reading
from towertap.drawing import style
from towertap.drawing.picture import Picture
from towertap.kept import packed
from towertap.report.report import kept_or_drawn
from towertap.words.table import of_columns


@pytest.fixture
def pictures():
    """A function that makes one picture, and the list of how often it was called."""
    calls = []

    def make():
        calls.append(1)
        figure = style.new_figure(2)
        figure.subplots().plot([1, 2], [len(calls), 2])
        yield Picture("lines", "Two\nlines", "From 1 to 2.", (figure,), of_columns("lines", {"x": [1.0, 2.0]}))

    return make, calls


def test_a_picture_is_drawn_once_until_what_it_shows_changes(tmp_path, pictures):
    make, calls = pictures
    (capture := tmp_path / "pass.h5").write_bytes(b"a capture")
    first = kept_or_drawn(capture, False, "lines", {"level": 1.0}, make)
    assert kept_or_drawn(capture, False, "lines", {"level": 1.0}, make) == first
    assert len(calls) == 1
    assert first[0].panels[0].png.startswith(b"\x89PNG")
    assert first[0].panels[0].svg.startswith("<svg")
    kept_or_drawn(capture, False, "lines", {"level": 1.0 + 2**-52}, make)
    assert len(calls) == 2
    kept_or_drawn(capture, True, "lines", {"level": 1.0 + 2**-52}, make)
    assert len(calls) == 3


def test_kept_captures_give_the_same_evidence_bit_for_bit(recorded, compared, monkeypatch):
    monkeypatch.setattr(reading, "open_capture", None)  # none is read again
    kept = compare(load_drives(recorded.folder, recorded.before, recorded.after, recorded.smooth))
    assert list(kept.evidence) == list(compared.evidence)
    for name, evidence in compared.evidence.items():
        assert packed(kept.evidence[name]) == packed(evidence), name
