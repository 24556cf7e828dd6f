"""Controls are judged by equivalence, and give the variance that the statement about the part takes."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.compare.stats.controls import no_change, positive
from towertap.compare.stats.spreads import pooled

ALIKE = np.log([1.0, 1.02, 0.98, 1.01])


def test_a_large_p_is_not_taken_for_sameness():
    noisy = np.log([0.7, 1.3, 1.0])
    control = no_change(noisy, noisy * 1.1, 0.10)
    assert control.contrast.p_difference() > 0.5
    assert control.verdict == "undecided"


def test_controls_are_equivalent_or_different():
    assert no_change(ALIKE, ALIKE[::-1] + 0.01, 0.10).verdict == "equivalent"
    assert no_change(ALIKE, ALIKE + 0.2, 0.10).verdict == "different"


def test_controls_tell_the_spread_of_installations_without_bias():
    """400 refit controls of four and four passes, 3 % between installations: the pooled variance is 3 % squared, within
    four standard errors of a variance with 400 degrees of freedom."""
    draw = np.random.default_rng(5)
    controls = [
        no_change(*(0.03 * draw.standard_normal() + 0.04 * draw.standard_normal(4) for _ in range(2)), 0.10)
        for _ in range(400)
    ]
    together = pooled(control.variance for control in controls)
    assert together.df == 400
    assert together.variance == pytest.approx(0.03**2, abs=4 * (0.03**2 + 0.04**2 / 4) * np.sqrt(2 / 400))


@pytest.mark.parametrize(("shift", "shown"), [(0.2, True), (-0.2, False), (0.001, False)])
def test_a_positive_control_shows_in_its_own_direction(shift, shown):
    assert positive(ALIKE, ALIKE[::-1] + shift, harsher=True).shown is shown


def test_one_pass_judges_nothing():
    control = no_change([0.1], [0.2], 0.10)
    assert control.verdict == "undecided"
    assert control.variance.df == 1
