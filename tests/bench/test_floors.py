"""Noise floors of the metrics against theory, and the shares of noise that follow."""

import numpy as np
import pytest
from towertap.bench import floors
from towertap.bench.records import BoxSetup, Record
from towertap.bench.sharing import beyond_mounting, noise_share
from towertap.signals.channels import BandPass, Channel, Derivative, MetricSettings, Weighted
from towertap.signals.metrics import METRICS, Metric

from tests.signals import iso8041

RATE_HZ, DENSITY = 4000.0, 6.9e-4


@pytest.fixture(scope="module")
def recorded():
    """Floors of two minutes of white noise at the data sheet's density."""
    values = np.random.default_rng(8).normal([0, 0, 9.81], DENSITY * np.sqrt(RATE_HZ / 2), (480_000, 3))
    return floors.recorded(np.array_split(values, 10), MetricSettings(RATE_HZ))


@pytest.mark.parametrize("edge_hz", [50.0, 100.0, 200.0])
def test_jerk_floor_agrees_with_theory(edge_hz):
    """N·2π·√(fc³/3) of an ideal edge."""
    theory = DENSITY * 2 * np.pi * np.sqrt(edge_hz**3 / 3)
    assert DENSITY * floors.noise_gain(Derivative(), MetricSettings(RATE_HZ, edge_hz)) == pytest.approx(
        theory, rel=0.02
    )


def test_jerk_floor_of_a_recording_agrees_with_theory(recorded):
    """The same from two minutes of white noise on three axes: some 40 000 degrees of freedom, 0.4 % of r.m.s."""
    theory = DENSITY * 2 * np.pi * np.sqrt(100.0**3 / 3)
    assert np.sqrt(np.mean(recorded["jerk_z"] ** 2)) == pytest.approx(theory, rel=0.02)


def test_floors_of_a_white_recording_are_those_of_its_density(recorded):
    settings = MetricSettings(RATE_HZ)
    expected = {name: DENSITY * floors.noise_gain(design, settings) for name, design in floors.DESIGNS.items()}
    assert recorded.keys() == expected.keys()
    for name, value in recorded.items():
        # 0.5 to 4 Hz has 2·3.5·120 degrees of freedom: 2.4 % of r.m.s.; four times that
        assert value == pytest.approx([expected[name]] * 3, rel=0.10 if name == "primary_z" else 0.04), name


def test_noise_gain_is_the_root_of_the_integral_of_the_response():
    """Parseval: weighting Wk by its response in the standard, a band by its ideal width within 5 % (Butterworth)."""
    f = np.geomspace(0.01, 2000, 200_000)
    expected = np.sqrt(np.trapezoid(np.abs(iso8041.response("Wk", f)) ** 2, f))
    assert floors.noise_gain(Weighted("Wk"), MetricSettings(RATE_HZ)) == pytest.approx(expected, rel=0.005)
    gain = floors.noise_gain(BandPass(25.0, 100.0), MetricSettings(RATE_HZ))
    assert gain == pytest.approx(np.sqrt(75.0), rel=0.05)


def noise_record(recorded):
    settings = MetricSettings(RATE_HZ)
    result = {
        "at_rest": True,
        "density": {"value": [DENSITY] * 3},
        "floors": {
            name: {"band_hz": list(METRICS[name].band_hz(settings)), "rms": rms.tolist()}
            for name, rms in recorded.items()
        },
    }
    return Record("noise", BoxSetup("e6", "chip", 4000.0, 16.0, 997.0), "2026-03-01T12:00:00+00:00", None, "a", result)


def shares_of(values, record, rotation=None, jerk_edge_hz=100.0):
    """The shares of metrics whose filtered signals have these r.m.s. values, by name."""
    metrics = {name: METRICS[name] for name in values}
    power = {metric.channels[0].source: values[name] ** 2 for name, metric in metrics.items()}
    rotation = np.eye(3) if rotation is None else rotation
    return noise_share(metrics, power, record, rotation, MetricSettings(RATE_HZ, jerk_edge_hz))


def test_a_value_has_its_share_of_noise(recorded):
    record, floor = noise_record(recorded), recorded["jerk_z"][2]
    values = {"jerk_z": floor * 1.2, "weighted_z": 1.0, "vdv_z": 1.0, "harshness_z": recorded["harshness_z"][2] * 2}
    shares = shares_of(values, record)
    assert shares["jerk_z"].share == pytest.approx(1 / 1.44)
    assert shares["harshness_z"].share == pytest.approx(0.25)
    assert {name: share.judged for name, share in shares.items()} == {
        "jerk_z": "not judged",
        "weighted_z": "clean",
        "vdv_z": "clean",
        "harshness_z": "marked",
    }
    assert shares["jerk_z"].words == "jerk_z: 69 % of its power is the sensor's own noise; not judged"
    assert shares["weighted_z"].words == ""


def test_an_engine_that_is_off_is_not_detected_at_a_stop(recorded):
    """With the engine off, only sensor noise remains. An engine of ten times that r.m.s. is found, at its level."""
    channel, floor = METRICS["jerk_z"].channels[0].source, recorded["jerk_z"][2]
    for times, of in ((1.05, "sensor"), (10.0, "stand")):
        share = noise_share(
            {"jerk_z": METRICS["jerk_z"]},
            {channel: (100 * floor) ** 2},
            noise_record(recorded),
            np.eye(3),
            MetricSettings(RATE_HZ),
            stand={channel: (times * floor) ** 2},
        )["jerk_z"]
        assert (share.of, share.floor) == (of, pytest.approx(floor * (times if of == "stand" else 1.0)))


def test_an_engine_detected_in_one_metric_at_a_stop_counts_in_all(recorded):
    """It is running, so its level in the other metrics is what was measured at the stop, however small."""
    names, times = ("jerk_z", "weighted_z"), (10.0, 1.5)
    floors = [recorded[name][2] for name in names]
    channels = [METRICS[name].channels[0].source for name in names]
    shares = noise_share(
        {name: METRICS[name] for name in names},
        dict.fromkeys(channels, 1.0),
        noise_record(recorded),
        np.eye(3),
        MetricSettings(RATE_HZ),
        stand={channel: (factor * floor) ** 2 for channel, factor, floor in zip(channels, times, floors, strict=True)},
    )
    assert {share.of for share in shares.values()} == {"stand"}
    assert shares["weighted_z"].floor == pytest.approx(1.5 * recorded["weighted_z"][2])


def test_a_share_over_part_of_a_pass_follows_the_power_of_an_rms(recorded):
    """Twice the r.m.s. has a quarter of the share; a dose value is not an r.m.s. and keeps the share of the pass."""
    shares = shares_of({"jerk_z": 4.0, "vdv_z": 1.0}, noise_record(recorded))
    assert shares["jerk_z"].over(8.0).share == pytest.approx(shares["jerk_z"].share / 4)
    assert shares["vdv_z"].over(8.0) == shares["vdv_z"]


def test_the_mounting_mixes_the_chips_axes(recorded):
    """Vehicle z lies midway between chip x and y: powers of independent noise add with the squared cosines."""
    unequal = recorded | dict.fromkeys(("jerk_x", "jerk_y", "jerk_z"), np.array([3.0, 1.0, 0.0]))
    rotation = np.array([[0.0, 0.0, 1.0], [-(0.5**0.5), 0.5**0.5, 0.0], [0.5**0.5, 0.5**0.5, 0.0]])
    shares = shares_of({"jerk_z": 10.0}, noise_record(unequal), rotation)
    assert shares["jerk_z"].floor == pytest.approx(np.sqrt((9 + 1) / 2))


def test_another_jerk_edge_takes_the_floor_from_the_density(recorded):
    shares = shares_of({"jerk_z": 100.0}, noise_record(recorded), jerk_edge_hz=200.0)
    assert shares["jerk_z"].floor == pytest.approx(DENSITY * 2 * np.pi * np.sqrt(200.0**3 / 3), rel=0.02)


def test_noise_of_several_axes_adds_and_rotation_has_none(recorded):
    """Noise powers of the axes add, as those of the signals do; no record has the gyroscope's noise."""
    three = tuple(Channel(axis, Weighted("Wk")) for axis in "xyz")
    metrics = {"total": Metric("total", "", "m/s²", three)}
    metrics["pitching"] = Metric("pitching", "", "rad/s", (Channel("pitch", BandPass(0.5, 4.0)),))
    power = dict(zip(three, (0.01, 0.02, 0.03), strict=True))
    shares = noise_share(metrics, power, noise_record(recorded), np.eye(3), MetricSettings(RATE_HZ))
    assert shares.keys() == {"total"}
    assert shares["total"].share == pytest.approx((recorded["weighted_z"] ** 2).sum() / 0.06)
    assert shares["total"].floor == pytest.approx(np.sqrt((recorded["weighted_z"] ** 2).sum()))


def test_metrics_beyond_the_mounting_are_named():
    """ISO 5348 practice: up to a third of the mounted resonance."""
    subject = BoxSetup("e6", "chip", 8000.0, 16.0, None)
    tap = Record("tap", subject, "", None, "a", {"usable_hz": {"one_third": 113.3, "one_fifth": 68.0}})
    beyond = beyond_mounting({"jerk_z": (0.0, 100.0), "structure_borne_z": (100.0, 500.0)}, tap)
    assert list(beyond) == ["structure_borne_z"]
    assert "good to 113 Hz" in beyond["structure_borne_z"]
