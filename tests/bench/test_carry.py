"""From the bench to a drive: the record is found, and the values of an analysis have their share of noise."""

import numpy as np
import pytest
from towertap.analysis import analyse_capture
from towertap.bench import noise, records
from towertap.bench.carried import records_for
from towertap.capture.conditions import Conditions
from towertap.capture.reading import open_capture
from towertap.cli._outcome import plain
from towertap.signals.metrics import METRICS


@pytest.fixture
def capture_of(by_hand, make_capture):
    """A function from the chip axes' standard deviations in counts to a capture of white acceleration at 1 kHz."""

    def make(spread, seed, mounting):
        counts = by_hand.noise(np.random.default_rng(seed), [*spread, 5, 5, 5], 20_000)
        frames = by_hand.recording(rate_hz=1000.0, counts=counts, seed=seed)
        return make_capture(frames, name=f"capture{seed}", conditions=Conditions(mounting=mounting))

    return make


@pytest.mark.parametrize(
    ("spread", "mounting", "shares"),
    [
        ((3, 4, 5), "x=+X,y=+Y,z=+Z", {"x": 1.0, "y": 1.0, "z": 1.0}),
        ((3, 4, 15), "x=+X,y=+Y,z=+Z", {"x": 1.0, "y": 1.0, "z": 25 / 225}),
        ((30, 4, 5), "x=+Y,y=-X,z=+Z", {"x": 1.0, "y": 9 / 900, "z": 1.0}),
    ],
)
def test_white_acceleration_over_a_noise_of_3_4_and_5_counts(capture_of, tmp_path, spread, mounting, shares):
    """The share is the ratio of variances. An r.m.s. of 20 s from 0.5 Hz up scatters by some 10 %, its square by 20."""
    folder = tmp_path / "bench"
    with open_capture(capture_of((3, 4, 5), 1, "")) as rest:
        records.write(records.record_of("noise", rest, plain(noise.measure(rest).data())), folder)
    with open_capture(capture_of(spread, 2, mounting)) as drive:
        analysis = analyse_capture(drive, bench=records_for(drive), whole=True)
    assert analysis.noise.keys() == analysis.whole.keys()
    for name, share in analysis.noise.items():
        expected = shares[METRICS[name].axes[0]]
        assert share.share == pytest.approx(expected, rel=0.5 if name == "primary_z" else 0.25), name
        assert share.judged == ("not judged" if expected == 1 else "clean" if expected < 0.1 else "marked"), name
