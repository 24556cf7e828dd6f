"""The analysis of the example captures, held to written-down results: a rebuilding must not change them unseen.

`example_analysis.json` is this program's own answer and proves nothing else; what is true is tested elsewhere. Where a
result changes on purpose, `python -m tests.test_example_analysis` writes it anew, and the commit says by how much.
"""

import json
from dataclasses import asdict
from pathlib import Path

import pytest
from towertap.analysis import analyse_capture
from towertap.bench.carried import records_for
from towertap.capture.reading import open_capture
from towertap.signals.metrics import METRICS, THIRDS

from tests.alike import assert_alike

EXAMPLES = Path(__file__).parent.parent / "example_captures"
EXPECTED = Path(__file__).with_name("example_analysis.json")
QUICK = [name for name in METRICS if not name.startswith(("primary", "secondary", "acceleration", "jerk"))]
"""What settles within the short stretches of the damaged capture."""
RUNS = {
    "quarry-lane_rubber-bush_pass01": {"metrics": [*METRICS, *THIRDS]},
    "quarry-lane_polyurethane-bush_pass01": {"metrics": [*METRICS, *THIRDS], "window_s": 0.5, "jerk_edge_hz": 60.0},
    "bypass_rubber-bush_pass01": {"metrics": [*METRICS, *THIRDS], "window_s": 0.1},
    "quarry-lane_rubber-bush_pass02": {"metrics": QUICK, "window_s": 0.1},
}
KEPT_WINDOWS = 3


def results(name):
    """What one capture comes to, as JSON holds it: all metrics as a whole, the first windows, noise, knocks."""
    with open_capture(EXAMPLES / f"{name}.h5") as capture:
        analysis = analyse_capture(capture, bench=records_for(capture), knocks=True, whole=True, **RUNS[name])
    return {
        "windows": len(analysis.windows),
        "settling_s": analysis.settling_s,
        "whole": analysis.whole,
        "first_windows": analysis.windows.head(KEPT_WINDOWS).to_dict("list"),
        "noise": {metric: [share.floor, share.share] for metric, share in analysis.noise.items()},
        "uncertainty": analysis.uncertainty,
        "knocks": [asdict(knock) for knock in analysis.knocks],
    }


@pytest.mark.parametrize("name", RUNS)
def test_results_are_those_written_down(name):
    expected = json.loads(EXPECTED.read_text())[name]
    assert_alike(json.loads(json.dumps(results(name))), expected, 1e-6, name)  # to what single precision leaves


if __name__ == "__main__":
    EXPECTED.write_text(json.dumps({name: results(name) for name in RUNS}, indent=1) + "\n")
