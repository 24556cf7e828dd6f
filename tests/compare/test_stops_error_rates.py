"""A short run of stops_error_rates.py."""

import pytest

from tests.compare import stops_error_rates


def test_stops_on_one_side_hardly_affect_a_comparison_but_would_if_not_cut_out(make):
    verdicts, ratios, _ = zip(*(stops_error_rates.outcome(make, seed, whole=False) for seed in range(8)), strict=True)
    assert sum(verdict in ("harsher", "gentler") for verdict in verdicts) <= 1
    assert sum(ratios) / len(ratios) == pytest.approx(1, abs=0.02)
    not_cut = [stops_error_rates.outcome(make, seed, whole=True) for seed in range(2)]
    assert all(ratio < 0.9 for _, ratio, _ in not_cut)
