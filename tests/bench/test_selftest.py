"""The chip's self-test from the simulated chip to the record, through firmware and pseudo-terminal."""

from __future__ import annotations

import json
import math
import subprocess

import numpy as np
import pytest
from towertap.bench import records, selftest
from towertap.box.port import open_box
from towertap.box.simulated import SimulatedBox
from towertap.errors import BoxError

from tests.conftest import TOWERTAP

SELFTEST = (*TOWERTAP, "bench", "selftest")
NAMES = dict(zip(("x", "y", "z", "gx", "gy", "gz"), selftest.AXES, strict=True))


def findings(signal=None, rate_hz=None, **settings) -> selftest.SelfTest:
    with SimulatedBox(signal, rate_hz, **settings) as simulated, open_box(simulated.port) as box:
        result = selftest.run(box)
        assert simulated.complaints() == ""  # the driver uses the chip as its data sheet requires
        assert box.hello()["running"] is False  # and leaves nothing that disturbs the next greeting
    return result


def test_a_good_chip_responds_as_in_the_factory():
    """A code c is 2620 · 1.01^(c − 1) counts at ±2 g (16384 counts per g) and ±250 °/s (the maker's public drivers)."""
    codes = [1, 33, 43, 148, 120, 110]
    result = findings(self_test_codes=codes)
    assert (result.ok, result.still, result.verdict) == (True, True, "the chip responds as when it was made")
    counts = [2620 * 1.01 ** (code - 1) for code in codes]
    expected = [c / 16384 for c in counts[:3]] + [c * 250 / 32768 for c in counts[3:]]
    assert [axis.factory for axis in result.axes] == pytest.approx(expected, rel=1e-6)
    assert [axis.response for axis in result.axes] == pytest.approx(expected, rel=0.01)
    assert [axis.ratio for axis in result.axes] == pytest.approx([1] * 6, abs=0.01)
    assert [axis.at_rest for axis in result.axes] == pytest.approx([0, 0, 1, 0, 0, 0], abs=0.02)


@pytest.mark.parametrize("axis", NAMES)
def test_an_axis_that_hardly_responds_is_named(axis):
    result = findings(faults=[{"fault": "self_test_weak", "axis": axis, "percent": 45}])
    assert not result.ok
    assert [a.axis for a in result.axes if not a.ok] == [NAMES[axis]]
    assert result.axes[list(NAMES).index(axis)].ratio == pytest.approx(0.45, abs=0.01)
    assert NAMES[axis] in result.verdict


@pytest.mark.parametrize(("percent", "ok"), [(48, False), (52, True), (148, True), (152, False)])
def test_the_limits_of_the_ratio_are_0_5_and_1_5(percent, ok):
    assert findings(faults=[{"fault": "self_test_weak", "axis": "x", "percent": percent}]).ok is ok


def test_a_stuck_axis_does_not_respond():
    result = findings(faults=[{"fault": "stuck_axis", "axis": "y"}])
    assert [axis.axis for axis in result.axes if not axis.ok] == ["acceleration_y"]


@pytest.mark.parametrize(("percent", "ok"), [(100, [True] * 6), (10, [True] * 3 + [False] + [True] * 2)])
def test_without_a_factory_code_the_response_has_its_own_limits(percent, ok):
    """0.05 to 1.2 g, 60 °/s or more (the maker's public drivers)."""
    faults = [{"fault": "self_test_weak", "axis": "gx", "percent": percent}]
    result = findings(self_test_codes=[0] * 6, faults=faults)
    assert [axis.ok for axis in result.axes] == ok
    assert {(axis.factory, axis.ratio) for axis in result.axes} == {(None, None)}


def test_a_box_turned_over_meanwhile_is_not_a_bad_chip():
    signal = np.zeros((3000, 3))
    signal[:1500, 2] = signal[1500:, 0] = 9.80665
    result = findings(signal, 1000.0)
    assert (result.ok, result.still) == (False, False)
    assert "moved" in result.verdict


@pytest.mark.parametrize(("faults", "status"), [([], 0), ([{"fault": "self_test_weak", "axis": "z"}], 1)])
def test_the_command_writes_a_record_and_exits_by_the_result(tmp_path, faults, status):
    with SimulatedBox(None, serial="00c0ffee", faults=faults) as simulated:
        done = subprocess.run(
            [*SELFTEST, "--port", simulated.port, "--json"],
            cwd=tmp_path,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=60,
        )
    answer = json.loads(done.stdout)
    assert (done.returncode, answer["ok"], answer["serial"]) == (status, not status, "00c0ffee")
    [path] = (tmp_path / "bench").glob("00c0ffee-selftest-*.json")
    record = records.read(path)
    assert record.result == {name: answer[name] for name in record.result}


class Answering:
    """A box with this self-test answer."""

    port = "here"

    def __init__(self, answer) -> None:
        self.self_test = lambda: answer


AXIS = {"unit": "g", "at_rest": 0, "response": 1, "factory": None, "ratio": None, "ok": True}
ANSWER = {
    "chip": "c", "odr_hz": 1000, "accel_range_g": 4, "gyro_range_dps": 250, "samples": 224, "temperature_c": 25,
    "still": True, "ok": True, "axes": [dict(AXIS, axis=name) for name in selftest.AXES],
}  # fmt: skip


def test_a_valid_answer_is_read():
    assert selftest.run(Answering(ANSWER)).samples == 224


@pytest.mark.parametrize(
    "change",
    [
        {"axes": []},
        {"axes": None},
        {"axes": [dict(AXIS, axis=name, unit="furlong") for name in selftest.AXES]},
        {"axes": [dict(AXIS, axis=name, response=math.inf) for name in selftest.AXES]},
        {"axes": [{"axis": name} for name in selftest.AXES]},
        {"temperature_c": math.nan},
        {"odr_hz": "fast"},
    ],
)
def test_an_answer_of_another_shape_is_refused_in_one_line(change):
    with pytest.raises(BoxError, match="no self-test"):
        selftest.run(Answering({**ANSWER, **change}))
