"""Some minutes of the long run: every counter wraps, nothing is lost, and the rate is exact."""

import subprocess
import sys
from pathlib import Path


def test_three_minutes_of_virtual_time_across_every_wrap():
    script = Path(__file__).with_name("long_run.py")
    run = subprocess.run([sys.executable, script, "--hours", "0.05"], capture_output=True, text=True, timeout=200)
    assert run.returncode == 0, run.stdout + run.stderr
    assert "sequence number wrapped 1 times, ticks 1 times" in run.stdout
    assert "gaps 0, bad frames 0, out of step: counters 0, time stamps 0" in run.stdout
