"""One-line diagnoses of ports and boxes that fail: what is wrong and what to do."""

import errno
import os
import sys
from collections.abc import Sequence

from towertap.wire.frames import SYNC, VERSION


def why_not_open(port: str, error: OSError, present: Sequence[str]) -> str:
    """Why opening failed: no such port, no permission, in use, or not serial; `present` are the existing ports."""
    ports = f"ports: {', '.join(present)}" if present else "there are no serial ports"
    other = f"plug the box in or give another --port ({ports})"
    if error.errno in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return f"{port}: no such port; {other}"
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"{port}: no permission to open it; {_how_to_get_permission(port)}"
    if error.errno in (errno.EBUSY, errno.EAGAIN):
        return f"{port}: in use by another program, perhaps a second recorder; close that first"
    if getattr(error.__context__, "args", ())[:1] == (errno.ENOTTY,):  # pyserial keeps the cause only there
        return f"{port}: not a serial port; {other}"
    return f"{port}: not a serial port that can be opened ({error})"


def _how_to_get_permission(port: str) -> str:
    """Advice that names the port's group: `dialout` on Debian and Ubuntu, `uucp` on Arch."""
    if sys.platform == "win32":
        return "close the program that holds it"
    import grp  # not available on Windows

    try:
        status = os.stat(port)
        group = grp.getgrgid(status.st_gid).gr_name
    except (OSError, KeyError):
        return "ask the system's administrator for it"
    if group == "root" or status.st_mode & 0o060 != 0o060:
        return f"its group '{group}' has none either: ask the system's administrator for a udev rule"
    return f"join its group with 'sudo usermod -aG {group} $USER', then log out and in again"


def why_no_answer(heard: bytes) -> str:
    """What is on a port that did not answer like a box, judging by the bytes it sent."""
    if not heard.strip():
        return "nothing answers; is this the box's port, and is the firmware on it ('towertap flash')?"
    version = _other_version(heard)
    if version is not None:
        return f"the box uses wire version {version}, this towertap {VERSION}; update it and run 'towertap flash'"
    if b">>>" in heard:
        return "a MicroPython board without towertap's firmware: install it with 'towertap flash'"
    if SYNC in heard:
        return "a box is sending but did not answer: unplug it, plug it in and try again"
    return f"a device that is not a towertap box (it sent {heard[:24]!r}): give another --port"


def _other_version(heard: bytes) -> int | None:
    versions = {heard[i + len(SYNC)] for i in range(len(heard) - len(SYNC)) if heard.startswith(SYNC, i)}
    return None if not versions or VERSION in versions else min(versions)
