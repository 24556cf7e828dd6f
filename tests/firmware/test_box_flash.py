"""`towertap flash`, through mpremote itself, onto a real MicroPython prompt and a stand-in that speaks the raw REPL."""

from __future__ import annotations

import builtins
import contextlib
import io
import json
import os
import select
import subprocess
import threading
import tty
import types
from errno import errorcode
from pathlib import Path

import pytest
import towertap.cli.flash as flash
from towertap.firmware import firmware_dir
from towertap.wire.frames import FrameType


@pytest.fixture
def board(tmp_path, micropython):
    """MicroPython at its prompt: yields the port, and the folder of its file system."""
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


HELLO = {
    "firmware": "0.1.0", "chip": "ICM-42688-P", "serial": "e6", "boot_id": "b", "odr_hz": 0, "running": False,
}  # fmt: skip


class File(io.FileIO):
    """A file on the stand-in's flash, whose room is limited."""

    def __init__(self, board: StandIn, name: str, mode: str) -> None:
        super().__init__(board.folder / name, mode)
        self.board = board

    def write(self, data: bytes) -> int:
        self.board.room -= len(data)
        return super().write(data) if self.board.room >= 0 else 0


class StandIn:
    """A board on a pseudo-terminal with the raw REPL of MicroPython's documentation.

    "The MicroPython interactive interpreter mode (REPL)": raw mode, and raw-paste mode, which it refuses. Its flash is
    `folder`. After machine.reset() it runs main.py, if present: it answers a greeting as a box does.
    """

    def __init__(self, folder: Path, frame, room: int = 10**6) -> None:
        self.folder, self.frame, self.room, self.resets = folder, frame, room, 0
        self._master, slave = os.openpty()
        self._ends = [self._master, slave]
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def close(self) -> None:
        self._closing.set()
        self._thread.join()
        for end in self._ends:
            os.close(end)

    def _read(self) -> bytes:
        while not self._closing.is_set():
            if select.select([self._master], [], [], 0.02)[0]:
                return os.read(self._master, 1)
        return b""

    def _say(self, data: bytes) -> None:
        os.write(self._master, data)

    def _serve(self) -> None:
        names, program, raw = self._names(), b"", False
        while byte := self._read():
            if byte in (b"\x01", b"\x02", b"\x03"):  # Ctrl-A: raw mode; Ctrl-B: out of it; Ctrl-C: interrupt
                raw, program = byte == b"\x01" or (raw and byte == b"\x03"), b""
                self._say(b"raw REPL; CTRL-B to exit\r\n>" if byte == b"\x01" else b"\r\n>>> ")
            elif raw and byte == b"\x05":  # Ctrl-E, "A", Ctrl-A ask for raw-paste mode
                assert self._read() + self._read() == b"A\x01"
                self._say(b"R\x00")  # understood, and not supported
            elif raw and byte == b"\x04":  # Ctrl-D
                self._say(b"OK")
                try:
                    self._say(self._execute(program.decode(), names) + b"\x04>")
                except ConnectionResetError:
                    self.resets += 1
                    names, raw = self._names(), False
                    if (self.folder / "main.py").is_file():
                        self._be_a_box()
                program = b""
            else:
                program += byte

    def _names(self) -> dict:
        """Names for a program on the board: its file system, and a way to reset it."""

        def reset():
            raise ConnectionResetError

        board_os = types.SimpleNamespace(
            mkdir=lambda name: os.mkdir(self.folder / name), stat=lambda name: tuple(os.stat(self.folder / name))
        )
        board_time = types.SimpleNamespace(sleep_ms=lambda ms: None)
        modules = {"os": board_os, "time": board_time, "machine": types.SimpleNamespace(reset=reset)}

        def load(name, *rest):
            return modules.get(name) or __import__(name, *rest)

        builtin = {**vars(builtins), "__import__": load, "open": lambda name, mode="r": File(self, name, mode)}
        return {"__builtins__": builtin}

    def _execute(self, program: str, names: dict) -> bytes:
        """Run a program; return its output, Ctrl-D and the error that ends it."""
        printed, failed = io.StringIO(), ""
        try:
            with contextlib.redirect_stdout(printed):
                exec(program, names)
        except ConnectionResetError:
            raise
        except OSError as error:
            failed = f"Traceback:\r\nOSError: [Errno {error.errno}] {errorcode[error.errno]}\r\n"
        return printed.getvalue().replace("\n", "\r\n").encode() + b"\x04" + failed.encode()

    def _be_a_box(self) -> None:
        line, sequence = b"", 0
        while byte := self._read():
            line += byte
            if byte != b"\n":
                continue
            answers = {"hello": (FrameType.HELLO, json.dumps(HELLO).encode())}
            with contextlib.suppress(ValueError):  # the last bytes from mpremote are not a command
                command = json.loads(line)
                answers["mark"] = FrameType.MARK, command.get("text", "").encode()
                self._say(self.frame(*answers[command["do"]], sequence=sequence))
                sequence += 1
            line = b""


@pytest.fixture
def stand_in(tmp_path, by_hand):
    boards = []

    def make(**options) -> StandIn:
        boards.append(StandIn(tmp_path, by_hand.frame, **options))
        return boards[-1]

    yield make
    for board in boards:
        board.close()


def test_the_board_gets_the_firmware_without_the_simulated_board(board, monkeypatch, answer):
    port, files = board
    monkeypatch.setattr(flash, "_RESTART_S", 0.0)
    monkeypatch.setattr(flash, "_ANSWER_LIMIT_S", 0.0)  # a prompt never answers like a box
    for _ in range(2):  # the second time, the board already has it
        data = answer("flash", "--port", port)
        assert data["hello"] == {}
    on_board = {path.relative_to(files).as_posix() for path in files.rglob("*") if path.is_file()}
    assert on_board == set(data["files"])
    assert "main.py" in on_board
    assert not any("simboard" in name for name in on_board)
    for name in on_board:
        assert (files / name).read_bytes() == (firmware_dir() / name).read_bytes()


def test_afterwards_the_box_runs_and_answers(stand_in, monkeypatch, answer):
    monkeypatch.setattr(flash, "_RESTART_S", 0.0)
    board = stand_in()
    data = answer("flash", "--port", board.port)
    assert board.resets == 1
    assert (data["hello"]["firmware"], data["hello"]["chip"]) == ("0.1.0", "ICM-42688-P")
    for name in data["files"]:
        assert (board.folder / name).read_bytes() == (firmware_dir() / name).read_bytes()


def test_incomplete_files_are_reported_and_the_board_is_not_started(stand_in, monkeypatch, refused):
    monkeypatch.setattr(flash, "_RESTART_S", 0.0)
    board = stand_in(room=20_000)  # the rest is discarded
    err = refused("flash", "--port", board.port)
    assert "differs on the board from what was sent" in err
    assert board.resets == 0


def test_list_names_the_files_and_needs_no_board(run):
    status, out, _ = run("flash", "--list")
    assert status == 0
    assert set(out.split()) == {"main.py"} | {
        path.relative_to(firmware_dir()).as_posix() for path in Path(firmware_dir(), "towertap_box").rglob("*.py")
    }


@pytest.mark.parametrize(
    ("ports", "words"), [([], "no board found"), (["/dev/ttyACM0", "/dev/ttyACM1"], "several boards")]
)
def test_no_board_or_several_is_one_line(monkeypatch, refused, ports, words):
    class Port:
        def __init__(self, device):
            self.device, self.vid = device, 0x2E8A

    monkeypatch.setattr(flash.list_ports, "comports", lambda: [Port(device) for device in ports])
    err = refused("flash")
    assert words in err


def test_a_silent_port_is_reported_long_before_the_copy_times_out(run, monkeypatch):
    monkeypatch.setattr(flash, "_RESTART_S", 0.0)
    monkeypatch.setattr(flash, "_PROMPT_LIMIT_S", 2.0)
    limits_s, original_run = [], subprocess.run

    def recorded_run(command, *, timeout, **options):
        limits_s.append(timeout)
        return original_run(command, timeout=timeout, **options)

    monkeypatch.setattr(flash.subprocess, "run", recorded_run)
    master, slave = os.openpty()
    try:
        tty.setraw(slave)
        status, _, err = run("flash", "--port", os.ttyname(slave))
    finally:
        os.close(master)
        os.close(slave)
    assert status == 2
    assert "the board does not answer; does it run MicroPython?" in err
    assert err.count("\n") == 1
    assert limits_s == [2.0]


def test_a_port_that_is_not_there_is_one_line(refused, tmp_path):
    err = refused("flash", "--port", str(tmp_path / "ttyACM9"))
    assert "no such port" in err
