"""`towertap flash` against a real MicroPython prompt on a pseudo-terminal, spoken to by mpremote itself."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import threading
import tty
from pathlib import Path

import pytest
import towertap.cli.flash as flash
from towertap.cli import main
from towertap.firmware import firmware_dir


@pytest.fixture
def board(tmp_path, micropython):
    """A MicroPython at its prompt: yields the port and the folder that is its file system."""
    box_master, box_slave = os.openpty()
    host_master, host_slave = os.openpty()
    for slave in (box_slave, host_slave):
        tty.setraw(slave)
    prompt = subprocess.Popen([micropython, "-i"], stdin=box_slave, stdout=box_slave, stderr=box_slave, cwd=tmp_path)
    done = threading.Event()

    def wire():
        while not done.is_set():
            for end in select.select([box_master, host_master], [], [], 0.05)[0]:
                os.write(host_master if end == box_master else box_master, os.read(end, 4096))

    wiring = threading.Thread(target=wire)
    wiring.start()
    yield os.ttyname(host_slave), tmp_path
    done.set()
    wiring.join()
    prompt.kill()
    prompt.wait()
    for end in (box_master, box_slave, host_master, host_slave):
        os.close(end)


def towertap(monkeypatch, capsys, *arguments: str) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["towertap", *arguments])
    with pytest.raises(SystemExit) as end:
        main()
    out, err = capsys.readouterr()
    return end.value.code, out, err


def test_the_board_then_holds_the_firmware_and_no_simulated_board(board, monkeypatch, capsys):
    port, files = board
    monkeypatch.setattr(flash, "_RESTART_S", 0.0)
    for _ in range(2):  # a second time onto a board that has it already
        status, out, _ = towertap(monkeypatch, capsys, "flash", "--port", port, "--json")
        assert status == 0
    on_board = {path.relative_to(files).as_posix() for path in files.rglob("*") if path.is_file()}
    assert on_board == set(json.loads(out)["files"])
    assert "main.py" in on_board
    assert not any("simboard" in name for name in on_board)
    for name in on_board:
        assert (files / name).read_bytes() == (firmware_dir() / name).read_bytes()


def test_list_names_the_files_and_needs_no_board(monkeypatch, capsys):
    status, out, _ = towertap(monkeypatch, capsys, "flash", "--list")
    assert status == 0
    assert set(out.split()) == {"main.py"} | {
        path.relative_to(firmware_dir()).as_posix() for path in Path(firmware_dir(), "towertap_box").rglob("*.py")
    }


@pytest.mark.parametrize(
    ("ports", "words"), [([], "no board found"), (["/dev/ttyACM0", "/dev/ttyACM1"], "several boards")]
)
def test_no_board_or_several_is_one_line(monkeypatch, capsys, ports, words):
    class Port:
        def __init__(self, device):
            self.device, self.vid = device, 0x2E8A

    monkeypatch.setattr(flash.list_ports, "comports", lambda: [Port(device) for device in ports])
    status, _, err = towertap(monkeypatch, capsys, "flash")
    assert status == 2
    assert words in err
    assert err.count("\n") == 1


def test_a_silent_port_is_told_long_before_the_copying_would_be_given_up(monkeypatch, capsys):
    monkeypatch.setattr(flash, "_RESTART_S", 0.0)
    monkeypatch.setattr(flash, "_PROMPT_LIMIT_S", 2.0)
    allowed_s, run = [], subprocess.run

    def noted(command, *, timeout, **options):
        allowed_s.append(timeout)
        return run(command, timeout=timeout, **options)

    monkeypatch.setattr(flash.subprocess, "run", noted)
    master, slave = os.openpty()
    try:
        tty.setraw(slave)
        status, _, err = towertap(monkeypatch, capsys, "flash", "--port", os.ttyname(slave))
    finally:
        os.close(master)
        os.close(slave)
    assert status == 2
    assert "the board does not answer; does it run MicroPython?" in err
    assert err.count("\n") == 1
    assert allowed_s == [2.0]


def test_a_port_that_is_not_there_is_one_line(monkeypatch, capsys, tmp_path):
    status, _, err = towertap(monkeypatch, capsys, "flash", "--port", str(tmp_path / "ttyACM9"))
    assert status == 2
    assert "cannot open" in err
    assert err.count("\n") == 1
