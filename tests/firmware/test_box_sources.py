"""The firmware's source files compile for the boards, and use MicroPython's modules correctly."""

from __future__ import annotations

import importlib.metadata
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import towertap
from towertap.firmware import board_files, firmware_dir

# The RP2040's instruction set and the RP2350's two.
ARCHITECTURES = ["armv6m", "armv7emsp", "rv32imc"]

# The stubs contradict themselves in places; only the firmware is checked against them.
MYPY = """
[mypy]
check_untyped_defs = True
strict_optional = False
warn_unreachable = True
[mypy-_mpy_shed.*,machine,vfs]
ignore_errors = True
"""


@pytest.mark.parametrize("architecture", ARCHITECTURES)
def test_every_file_compiles(tmp_path, architecture):
    # mpy-cross is MicroPython's own compiler; it refuses what the native emitters cannot do.
    for path in board_files():
        subprocess.run(
            [sys.executable, "-m", "mpy_cross", f"-march={architecture}", "-o", tmp_path / "out.mpy", path],
            cwd=firmware_dir(),
            check=True,
        )


def test_box_and_host_have_one_version(on_micropython):
    script = "import json, sys; sys.path.insert(0, '.'); import towertap_box; print(json.dumps(towertap_box.VERSION))"
    assert on_micropython(script) == towertap.__version__


@pytest.fixture(scope="session")
def typings(tmp_path_factory) -> Path:
    """MicroPython's stubs in their own folder, as mypy needs them."""
    folder = tmp_path_factory.mktemp("typings")
    for distribution in ("micropython-rp2-stubs", "micropython-stdlib-stubs"):
        for file in importlib.metadata.files(distribution):
            if file.suffix == ".pyi" or file.name == "VERSIONS":
                target = folder / file
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(file.locate(), target)
    return folder


def check_types(folder: Path, typings: Path, scratch: Path) -> str:
    config = scratch / "mypy.ini"
    config.write_text(MYPY)
    options = ["--config-file", config, "--custom-typeshed-dir", typings, "--cache-dir", scratch / "cache"]
    return subprocess.run(
        [sys.executable, "-m", "mypy", "--no-site-packages", *options, "main.py", "towertap_box"],
        cwd=folder,
        env={**os.environ, "MYPYPATH": str(typings)},
        capture_output=True,
        text=True,
    ).stdout


@pytest.fixture
def firmware(tmp_path) -> Path:
    """A copy of the board's files: next to an installed package, mypy would take its neighbours for the library."""
    folder = tmp_path / "firmware"
    for path in board_files():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(firmware_dir() / path, folder / path)
    return folder


def test_types_agree_with_the_stubs_of_the_rp2_port(firmware, typings, tmp_path):
    assert check_types(firmware, typings, tmp_path).startswith("Success")


def test_the_type_check_finds_a_wrong_call(firmware, typings, tmp_path):
    board = firmware / "towertap_box" / "board.py"
    board.write_text(board.read_text().replace("baudrate=_BUS_HZ", "baudrate='fast'"))
    assert "towertap_box/board.py:" in check_types(firmware, typings, tmp_path)
