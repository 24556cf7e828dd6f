"""`towertap flash`: put the firmware on a board that runs MicroPython."""

import hashlib
import subprocess
import sys
import time
from contextlib import suppress
from itertools import chain
from typing import Any

import click
from serial.tools import list_ports

from towertap.box.port import SerialBox
from towertap.cli._outcome import Outcome, answers, console
from towertap.errors import BoxError
from towertap.firmware import board_files, firmware_dir

_RESTART_S = 3.0
"""A board's USB port is back after this time."""
_PROMPT_LIMIT_S = 10.0
_COPY_LIMIT_S = 120.0
_ANSWER_LIMIT_S = 15.0
"""After a reset it takes seconds until the port is back and the firmware runs."""
_HELLO_LIMIT_S = 2.0
_NO_ANSWER = "it does not answer yet: unplug it and plug it in again"
_RETRY = "does it run MicroPython? Unplug it, plug it in again, and retry"

_MAKE_FOLDERS = """
import os
for folder in {}:
    try:
        os.mkdir(folder)
    except OSError:
        pass
"""
"""Runs on the board before the copy; unlike mpremote's own mkdir, it accepts a folder that exists."""

_PRINT_HASHES = """
import hashlib
for name in {}:
    sha256 = hashlib.sha256()
    with open(name, "rb") as file:
        while block := file.read(512):
            sha256.update(block)
    print(name, "".join("%02x" % byte for byte in sha256.digest()))
"""
"""Runs on the board after the copy: prints name and hash of each file."""


@click.command(
    name="flash", help="Put the firmware on a board that runs MicroPython 1.22 or newer (see micropython.org)."
)
@click.option("--port", help="Serial port of the board. Default: the only board that is plugged in.")
@click.option("--list", "list_only", is_flag=True, help="Only list the files that would go on the board.")
@answers
def command(port: str | None, list_only: bool) -> Outcome:
    """Copy the firmware's files to the board, verify them, start it and greet it."""
    files = [path.as_posix() for path in board_files()]
    if list_only:
        return Outcome({"files": files}, "\n".join(files))
    port = port or _only_board()
    _restart(port)
    _mpremote("connect", port, "resume", "exec", "pass", limit_s=_PROMPT_LIMIT_S)  # a silent port fails early here
    with console.status(f"copying {len(files)} files to {port}"):
        _copy(port)
    with console.status("waiting for the box"):
        hello = _greet(port)
    answer = f"the box answers: firmware {hello['firmware']}, chip {hello['chip']}" if hello else _NO_ANSWER
    return Outcome(
        {"port": port, "files": files, "hello": hello}, f"{len(files)} files on the board at {port}; {answer}"
    )


def _only_board() -> str:
    ports = [port.device for port in list_ports.comports() if port.vid is not None]
    if not ports:
        raise BoxError("no board found; plug one in, or name its port with --port")
    if len(ports) > 1:
        raise BoxError(f"several boards found ({', '.join(sorted(ports))}); name one with --port")
    return ports[0]


def _restart(port: str) -> None:
    """Restart a box that may be running: after a recording its watchdog would reset the board during the copy."""
    try:
        with SerialBox(port) as box:
            box.status()  # ends a command that another program left half written
            box.send({"do": "restart"})
    except OSError as error:
        raise BoxError(f"{port}: connection to the box lost ({error}); check the cable") from error
    time.sleep(_RESTART_S)


def _copy(port: str) -> None:
    files = board_files()
    folders = sorted({path.parent.as_posix() for path in files} - {"."})
    copies = (["cp", str(firmware_dir() / path), f":{path.as_posix()}", "+"] for path in files)
    names = [path.as_posix() for path in files]
    steps = ("exec", _MAKE_FOLDERS.format(folders), "+", *chain(*copies), "exec", _PRINT_HASHES.format(names))
    hashes = _mpremote("connect", port, "resume", *steps).splitlines()
    for path in files:
        sha256 = hashlib.sha256((firmware_dir() / path).read_bytes()).hexdigest()
        if f"{path.as_posix()} {sha256}" not in hashes:
            raise BoxError(f"{path.as_posix()} differs on the board from what was sent; is its flash full? Try again")
    _mpremote("connect", port, "resume", "reset", limit_s=_PROMPT_LIMIT_S)


def _greet(port: str) -> dict[str, Any]:
    """The hello of the box after its start; empty if none comes within _ANSWER_LIMIT_S."""
    end_s = time.monotonic() + _ANSWER_LIMIT_S
    while time.monotonic() < end_s:
        with suppress(BoxError), SerialBox(port) as box:  # the port is not back yet
            with suppress(BoxError):  # raised if the box has no sensor, after its hello
                box.hello(_HELLO_LIMIT_S)
            if box.identity:
                return box.identity
        time.sleep(_HELLO_LIMIT_S / 10)
    return {}


def _mpremote(*arguments: str, limit_s: float = _COPY_LIMIT_S) -> str:
    """Run mpremote and return what it prints; BoxError if it fails or takes longer than `limit_s`."""
    try:
        done = subprocess.run(
            [sys.executable, "-m", "mpremote", *arguments],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=limit_s,
        )
    except subprocess.TimeoutExpired as error:
        raise BoxError(f"the board does not answer; {_RETRY}") from error
    if done.returncode:
        last = (done.stderr.strip() or done.stdout.strip() or "mpremote printed nothing").splitlines()[-1]
        raise BoxError(f"the board did not take the firmware ({last}); {_RETRY}")
    return done.stdout
