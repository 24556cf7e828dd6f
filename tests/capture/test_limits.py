"""Limits: each rule applies its own, and the page lists them."""

from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from towertap.capture.integrity import check
from towertap.capture.limits import Limits
from towertap.capture.reading import open_capture

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
def test_each_rule_applies_its_own_limit(name, by_hand, make_capture):
    frames = by_hand.recording(20, rate_hz=4001.0)
    del frames[100]
    value, rule = TIGHT[name]
    with open_capture(make_capture(frames)) as capture:
        assert check(capture).sound
        integrity = check(capture, replace(Limits(), **{name: value}))
    assert [broken.name for broken in integrity.rules if broken.ok is False] == [rule]
    assert all(f"{limit:g}" in broken.text for broken in integrity.rules if broken.ok is False for limit in [value])


@pytest.mark.parametrize(("name", "rule"), [("clipped_samples", "clipping"), ("invalid_samples", "invalid")])
def test_a_limit_of_zero_is_applied(name, rule, by_hand, make_capture):
    counts = np.rint(np.random.default_rng(7).normal([0, 0, 2048, 0, 0, 0], 5, (12000, 6))).astype(int)
    counts[77, 0] = 32767 if rule == "clipping" else -32768
    with open_capture(make_capture(by_hand.recording(3, counts=counts))) as capture:
        assert [broken.name for broken in check(capture).rules if broken.ok is False] == [rule]
        assert check(capture, replace(Limits(), **{name: 1})).sound


def test_the_page_lists_the_limits_of_the_code():
    page = Path(__file__).parents[2] / "hardware_notes" / "integrity.md"
    items = [" ".join(item.split()) for item in page.read_text("utf-8").split("\n- ")]
    for limit in fields(Limits):
        about, bound = limit.metadata, "at least" if limit.metadata["lowest"] else "at most"
        said = f"`{limit.name}`: {bound} {limit.default:g} {about['unit']}. {about['why']}"
        assert any(item.startswith(said) for item in items), said
    assert sum(item.startswith("`") for item in items) == len(fields(Limits))
