"""Limits: each rule holds the capture to its own, and a file can tighten them and nothing else."""

from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from towertap.capture.integrity import check
from towertap.capture.limits import Limits, read_limits
from towertap.capture.reading import open_capture
from towertap.errors import FileError


@pytest.fixture
def refuses(tmp_path):
    """A function that holds that a file's text is refused in one line that matches."""

    def refuse(text, match):
        path = tmp_path / "limits.toml"
        path.write_text(text)
        with pytest.raises(FileError, match=match) as failure:
            read_limits(path)
        assert "\n" not in str(failure.value)

    return refuse


def test_a_file_tightens_what_it_names(tmp_path):
    path = tmp_path / "limits.toml"
    path.write_text("# for the smooth reference\nmissing_share = 0\nnoise_share = 0.5\nrate_interval_ppm = 20.5\n")
    assert read_limits(path) == replace(Limits(), missing_share=0, noise_share=0.5, rate_interval_ppm=20.5)


def test_a_file_never_loosens(refuses):
    for entry in fields(Limits):
        looser = entry.default - 1 if entry.metadata["lowest"] else entry.default + 1
        refuses(f"{entry.name} = {looser}", f"{entry.name} = .* is looser than")


def test_other_files_are_refused_in_one_line(refuses, tmp_path):
    refuses("missing = 0", "no limit is called 'missing'; there are rate_ppm")
    refuses("missing_share = '0'", "missing_share must be a number")
    refuses("missing_share = nan", "not finite")
    refuses("missing_share = true", "missing_share must be a number")
    refuses("[missing_share]\nvalue = 0", "missing_share must be a number")
    refuses("missing_share", "not TOML")
    with pytest.raises(FileError, match="no such file"):
        read_limits(tmp_path / "nothing.toml")
    with pytest.raises(FileError, match="a folder"):
        read_limits(tmp_path)


TIGHT = {
    "rate_ppm": (50.0, "rate"),
    "rate_interval_ppm": (1e-3, "rate_interval"),
    "rate_drift_ppm": (-1e6, "rate_drift"),
    "jitter_periods": (0.01, "jitter"),
    "missing_share": (1e-4, "missing"),
    "noise_share": (3.0, "dead_axis"),
    "gravity_tolerance_ms2": (1e-4, "gravity"),
    "temperature_span_c": (-1.0, "temperature"),
    "coldest_c": (25.5, "temperature"),
    "hottest_c": (24.5, "temperature"),
}
"""Limits, tight enough for the recording below to fail the rule."""


@pytest.mark.parametrize("name", TIGHT)
def test_each_limit_is_the_one_that_its_rule_holds_to(name, by_hand, make_capture):
    frames = by_hand.recording(20, rate_hz=4001.0)
    del frames[100]
    value, rule = TIGHT[name]
    with open_capture(make_capture(frames)) as capture:
        assert check(capture).sound
        integrity = check(capture, replace(Limits(), **{name: value}))
    assert [broken.name for broken in integrity.rules if broken.ok is False] == [rule]
    assert all(f"{limit:g}" in broken.text for broken in integrity.rules if broken.ok is False for limit in [value])


@pytest.mark.parametrize(("name", "rule"), [("clipped_samples", "clipping"), ("invalid_samples", "invalid")])
def test_a_limit_of_nothing_is_one_too(name, rule, by_hand, make_capture):
    counts = np.rint(np.random.default_rng(7).normal([0, 0, 2048, 0, 0, 0], 5, (12000, 6))).astype(int)
    counts[77, 0] = 32767 if rule == "clipping" else -32768
    with open_capture(make_capture(by_hand.recording(3, counts=counts))) as capture:
        assert [broken.name for broken in check(capture).rules if broken.ok is False] == [rule]
        assert check(capture, replace(Limits(), **{name: 1})).sound


def test_the_page_tells_the_limits_of_the_code():
    page = Path(__file__).parents[2] / "hardware_notes" / "integrity.md"
    items = [" ".join(item.split()) for item in page.read_text("utf-8").split("\n- ")]
    for row in Limits.table():
        said = f"`{row['name']}`: {row['bound']} {row['value']:g} {row['unit']}. {row['why']}"
        assert any(item.startswith(said) for item in items), said
    assert sum(item.startswith("`") for item in items) == len(Limits.table())
