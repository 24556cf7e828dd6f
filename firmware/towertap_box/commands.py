"""The host's commands: a table from names to functions of the box and the request."""

import json
from time import sleep_ms

import machine
from micropython import const

from .fault import Fault
from .frame import MARK

_MAX_MARK = const(200)  # bytes of a mark's text
_MAX_SECONDS = const(1_000_000)
_LEAVE_MS = const(100)  # time for even a slow host to fetch the last frames


def hello(box, request):
    """Identify the box, and report once if the watchdog has reset it: nobody was listening then."""
    box.greet()
    if box.restarted:
        box.restarted = False
        box.complain(
            Fault("restarted_by_watchdog", "the watchdog reset the box; an RP2 board says so after a restart, too")
        )


def start(box, request):
    """Start sampling, beginning with a hello that gives the settings."""
    if box.running:
        raise Fault("bad_command", "start: already running; stop first")
    seconds = request.get("seconds", 0)
    if not isinstance(seconds, (int, float)) or not 0 <= seconds <= _MAX_SECONDS:
        raise Fault("bad_command", "start: seconds must be a number from 0 to %d" % _MAX_SECONDS)
    box.start(request.get("odr_hz", 4000), request.get("accel_range_g"), request.get("gyro_range_dps"), seconds)


def mark(box, request):
    """Put the host's text into the stream, with the present counter and clock."""
    text = request.get("text")
    payload = text.encode() if isinstance(text, str) else None
    if payload is None or len(payload) > _MAX_MARK:
        raise Fault("bad_command", "mark: text must be a string of at most %d bytes" % _MAX_MARK)
    box.frames.send(MARK, payload)


def status(box, request):
    """Send a status."""
    box.send_status()


def stop(box, request):
    """Stop sampling and say goodbye."""
    box.finish("stop")


def self_test(box, request):
    """Let the chip test itself; takes about two seconds, in which the box must lie still."""
    if box.running:
        raise Fault("bad_command", "self_test: not while sampling; stop first")
    box.self_test()


def restart(box, request):
    """Reset the processor, after a goodbye if there is a recording to end."""
    if box.running:
        box.finish("restart")
    sleep_ms(_LEAVE_MS)
    machine.reset()


COMMANDS = {
    "hello": hello,
    "start": start,
    "mark": mark,
    "status": status,
    "stop": stop,
    "self_test": self_test,
    "restart": restart,
}


def obey(box, line):
    """Obey one line from the host; raises Fault if it is not a known command."""
    try:
        request = json.loads(line)
    except ValueError:
        raise Fault("bad_command", "not a JSON object")
    name = request.get("do") if isinstance(request, dict) else None
    if not isinstance(name, str) or name not in COMMANDS:
        raise Fault("bad_command", "no such command; there are " + ", ".join(COMMANDS))
    COMMANDS[name](box, request)
