"""What tests of several rooms share: captures, drives that were recorded or invented, the command line."""

import json
import os
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from tests.by_hand import STRAIGHT, HandMade

TOWERTAP = (sys.executable, "-c", "from towertap.cli import main; main()")
"""The command line in a process of its own."""


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Where several processes share the tests, those of one file stay together, as do all that look at the demo.

    What files share is so made once. (Marks of `--dist loadgroup` are lost between pytest 9.2 and xdist 3.8.)
    """
    from xdist.scheduler import LoadScopeScheduling

    if config.getoption("dist") != "load":  # what -n alone asks for
        return None

    class ByFile(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            path = Path(nodeid.split("::")[0])
            return str(path.parent if path.parent.name in ("benchmarks", "demo") else path)

    return ByFile(config, log)


@pytest.fixture(autouse=True)
def no_settings_of_this_computer(monkeypatch, tmp_path):
    """What its user has set is not what is tested."""
    for name in [name for name in os.environ if name.startswith("TOWERTAP_")]:
        if name.removeprefix("TOWERTAP_").lower() in ("units", "archive", "bench", "margin", "sounds"):
            monkeypatch.delenv(name)
    monkeypatch.setenv("TOWERTAP_SETTINGS", str(tmp_path / "no-settings.toml"))
    monkeypatch.delenv("COLUMNS", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture(scope="session")
def by_hand() -> HandMade:
    """The builder of frames and streams."""
    return HandMade()


@pytest.fixture
def make_capture(tmp_path: Path, by_hand: HandMade):
    """A function that writes frames to a raw file, decodes it and gives the capture's path."""
    return lambda frames=None, name="drive", conditions=None: by_hand.capture(tmp_path / name, frames, conditions)


@pytest.fixture(scope="session")
def drive_folder(tmp_path_factory, by_hand: HandMade) -> Path:
    """Captures of two parts over three roads, two passes each, 5 s at 1 kHz; `stiff` shakes half as much again."""
    folder = tmp_path_factory.mktemp("drives")
    rng = np.random.default_rng(12)
    for part, factor in {"soft": 1.0, "stiff": 1.5}.items():
        for road, spread in {"bypass": 20, "moor-road": 60, "quarry-lane": 200}.items():
            for number in (1, 2):
                level = spread * (1.0 if road == "bypass" else factor) * rng.normal(1, 0.01)
                by_hand.drive(folder / f"{road}-{part}-{number}", rng, level, by_hand.conditions(part, road, number))
    return folder


HOSTILE = """<script>alert("x")</script> & "bus" '$\\frac{'"""
"""A vehicle name that would break a page that does not escape, a figure that reads mathematics."""
LEVELS = {("bypass", 0): 30, ("bypass", 1): 30, ("quarry-lane", 0): 120, ("quarry-lane", 1): 260}
"""Road and side → standard deviation of the vertical acceleration in counts."""


@pytest.fixture(scope="session")
def recorded(tmp_path_factory, by_hand):
    """Three passes of each part over a smooth and a rough road as captures, read with all that the sections take.

    White noise on z that swells and fades, whose level varies by 3 % from pass to pass; after is 260 / 120 times as
    rough on the rough road.
    """
    from towertap.capture.conditions import Conditions
    from towertap.compare import load_drives

    folder = tmp_path_factory.mktemp("recorded")
    rng = np.random.default_rng(7)
    for (road, side), level in LEVELS.items():
        for number in (1, 2, 3):
            part = ("rubber", "polyurethane")[side]
            spread = np.tile([5.0, 5.0, level * np.exp(0.03 * rng.standard_normal()), 5.0, 5.0, 5.0], (10_000, 1))
            spread[:, 2] *= 1 + 0.3 * np.sin(np.arange(10_000) / 700)
            conditions = Conditions(HOSTILE, part, road, number, 40.0, "250, 250, 300, 300", 12.0, "left", STRAIGHT)
            by_hand.drive(folder / f"{road}-{part}-{number}", rng, spread, conditions, seconds=10)
    return load_drives(folder, "rubber", "polyurethane", "bypass")


@pytest.fixture(scope="session")
def compared(recorded):
    """What compare says of them."""
    from towertap.compare import compare

    return compare(recorded)


@pytest.fixture(scope="session")
def two_box_folder(tmp_path_factory, by_hand: HandMade) -> Path:
    """Captures of two bushes whose rough road two boxes recorded at once, see tests/compare/two_boxes.py."""
    from tests.compare import two_boxes

    return two_boxes.write_folder(tmp_path_factory.mktemp("two-boxes"), by_hand)


@pytest.fixture(scope="session")
def make() -> ModuleType:
    """The builders of invented drives, see tests/compare/invented.py."""
    from tests.compare import invented

    return invented


@pytest.fixture(scope="session")
def two_box_drives(two_box_folder):
    """Its passes by the box at the sill, each with the transfer from the box at the arm."""
    from towertap.compare.drives.folder import load_passes
    from towertap.compare.sections.transfer import TransferSection

    return load_passes(
        two_box_folder,
        "rubber",
        "polyurethane",
        "bypass",
        measures={"transfer": TransferSection().measure},
        position="sill",
        input_position="arm",
    )


@pytest.fixture
def styled():
    """The figures' own settings, as the report uses them."""
    from matplotlib import rc_context
    from towertap.drawing.style import RC

    with rc_context(RC):
        yield


@pytest.fixture
def run(monkeypatch, capsys):
    """The command line in this process: from the words after `towertap` to (exit status, output, error output)."""
    from towertap import cli

    def call(*words):
        monkeypatch.setattr(sys, "argv", ["towertap", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        return ended.value.code, *capsys.readouterr()

    return call


@pytest.fixture
def answer(run):
    """The command line's answer as JSON, from the words after `towertap`; nothing but that may be said."""

    def call(*words, status=0):
        ended, out, err = run(*words, "--json")
        assert (ended, err) == (status, "")
        return json.loads(out)

    return call


@pytest.fixture
def refused(run):
    """What the command line says to a call that it refuses: one line, nothing on standard output, status 2."""

    def call(*words):
        status, out, err = run(*words)
        assert (status, out, err.count("\n")) == (2, "", 1), err
        assert err.startswith("towertap: ")
        return err

    return call
