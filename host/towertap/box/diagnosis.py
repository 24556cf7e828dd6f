"""Says in one line, for each way a port or a box can fail, what is wrong and what to do."""

import errno
import os
import sys
from collections.abc import Sequence

from towertap.wire.frames import SYNC, VERSION


def why_not_open(port: str, error: OSError, present: Sequence[str]) -> str:
    """Name the cause of a failed open: not there, no rights, in use, no serial port; `present` are those there are."""
    there = f"ports here: {', '.join(present)}" if present else "no serial port is here at all"
    other = f"plug the box in or give another --port ({there})"
    if error.errno in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return f"{port}: no such port; {other}"
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"{port}: no right to open it; {_how_to_get_rights(port)}"
    if error.errno in (errno.EBUSY, errno.EAGAIN):
        return f"{port}: in use by another program, perhaps a second recorder; close that one first"
    if getattr(error.__context__, "args", ())[:1] == (errno.ENOTTY,):  # pyserial keeps the cause there alone
        return f"{port}: no serial port; {other}"
    return f"{port}: not a serial port that can be opened ({error})"


def _how_to_get_rights(port: str) -> str:
    """Name the group that owns the port: `dialout` on Debian and Ubuntu, `uucp` on Arch, as the system itself says."""
    if sys.platform == "win32":
        return "close the program that holds it"
    import grp  # there is no such module on Windows

    try:
        status = os.stat(port)
        group = grp.getgrgid(status.st_gid).gr_name
    except (OSError, KeyError):
        return "ask the system's administrator for it"
    if group == "root" or status.st_mode & 0o060 != 0o060:
        return f"its group '{group}' has none either: ask the system's administrator for a udev rule"
    return f"join its group with 'sudo usermod -aG {group} $USER', then log out and in again"


def why_no_answer(heard: bytes) -> str:
    """Name what is on a port that did not answer as a box does, from the bytes it sent."""
    if not heard.strip():
        return "silent: nothing answers there; is this the box's port, and is the firmware on it ('towertap flash')?"
    version = _other_version(heard)
    if version is not None:
        return f"the box speaks wire version {version}, this towertap {VERSION}; update it and run 'towertap flash'"
    if b">>>" in heard:
        return "a MicroPython board without towertap's firmware: put it on with 'towertap flash'"
    if SYNC in heard:
        return "a box sends, but did not answer: unplug it, plug it in and try again"
    return f"a device that is not a towertap box (it sent {heard[:24]!r}): give another --port"


def _other_version(heard: bytes) -> int | None:
    versions = {heard[i + len(SYNC)] for i in range(len(heard) - len(SYNC)) if heard.startswith(SYNC, i)}
    return None if not versions or VERSION in versions else min(versions)
