"""Results held to those that were written down, wherever there are numbers in them."""

import pytest


def assert_alike(value, expected, rel, place):
    """Equal, but that numbers may differ by `rel` of themselves; `place` says of what this is told."""
    if isinstance(expected, dict):
        assert value.keys() == expected.keys(), place
        for key in expected:
            assert_alike(value[key], expected[key], rel, f"{place}, {key}")
    elif isinstance(expected, list):
        assert len(value) == len(expected), place
        for number, item in enumerate(expected):
            assert_alike(value[number], item, rel, f"{place}, {number}")
    elif isinstance(expected, float):
        assert value == pytest.approx(expected, rel=rel, abs=1e-12, nan_ok=True), place
    else:
        assert value == expected, place
