"""A stand-in for a box on USB: a pseudo-terminal that can be unplugged and plugged in again, and its thread."""

import json
import os
import pty
import select
import threading
import tty
from contextlib import suppress


class PseudoBox:
    """Runs the subclass's `_run` in a thread, which answers at `path` until `_closing` is set.

    Plugging in makes a new pseudo-terminal, which is what the host sees when a cable is unplugged and plugged in again.
    """

    def __init__(self, path):
        self.path = path
        self._closing = threading.Event()
        self._lock = threading.RLock()
        self.plug_in()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def close(self):
        self._closing.set()
        self._thread.join()
        self.pull_out()

    def plug_in(self):
        with self._lock:
            self._master, self._slave = pty.openpty()
            os.set_blocking(self._master, False)
            tty.setraw(self._slave)
            self.path.unlink(missing_ok=True)
            self.path.symlink_to(os.ttyname(self._slave))
            self._line = b""

    def pull_out(self):
        """Close both ends: a program that has the terminal open gets an error, as with a device that is gone."""
        with self._lock:
            if self._master is not None:
                self.path.unlink(missing_ok=True)
                os.close(self._master)
                os.close(self._slave)
                self._master = None

    def _commands(self, wait_s=0.0):
        """New commands from the host, after waiting up to `wait_s`."""
        if self._master is None or not select.select([self._master], [], [], wait_s)[0]:
            return []
        with suppress(OSError):
            *lines, self._line = (self._line + os.read(self._master, 4096)).split(b"\n")
            return [json.loads(line) for line in lines if line]
        return []

    def _write(self, data):
        """Write, waiting for a reader until `_closing` is set, because a killed host never reads."""
        while data and not self._closing.is_set():
            if select.select([], [self._master], [], 0.05)[1]:
                with suppress(BlockingIOError):
                    data = data[os.write(self._master, data) :]
