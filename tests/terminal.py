"""The command line at a terminal: what it shows, and the keys pressed there."""

import fcntl
import os
import pty
import re
import resource
import select
import struct
import subprocess
import termios
import time
from pathlib import Path

from tests.conftest import TOWERTAP


class Terminal:
    """A pseudo-terminal of 80 × 24 with a program on it: what is shown, and the keys pressed."""

    def __init__(self, *words):
        self._master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        environment = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
        self._program = subprocess.Popen(
            [*TOWERTAP, *map(str, words)],
            stdin=slave,
            stderr=slave,
            stdout=subprocess.PIPE,
            env=environment | {"TERM": "xterm"},
        )
        os.close(slave)
        self.shown, self._at, self.keys, self.bells = "", 0, 0, 0

    def wait_for(self, pattern):
        """The match of what comes next, and what was shown before it."""
        limit = time.monotonic() + 60
        while not (match := re.compile(pattern).search(self.shown, self._at)):
            assert time.monotonic() < limit, self.shown[-3000:]
            if select.select([self._master], [], [], 0.2)[0]:
                try:
                    data = os.read(self._master, 65536)
                except OSError:
                    raise AssertionError(f"it ended: {self.shown[-3000:]}") from None
                self.bells += data.count(b"\a")
                self.shown += re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]|\r|\a", "", data.decode(errors="replace"))
        before, self._at = self.shown[self._at : match.end()], match.end()
        return match, before

    def press(self, keys):
        self.keys += len(keys)
        os.write(self._master, keys.encode())

    def processor_s(self):
        """Processor time that the program has used, its own and the system's: proc(5)."""
        fields = Path(f"/proc/{self._program.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def end(self):
        """Exit status and what was said on standard output."""
        out, status = b"", None
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        while status is None:
            if select.select([self._master], [], [], 0.05)[0]:
                try:
                    os.read(self._master, 65536)
                except OSError:
                    break
            status = self._program.poll()
        out = self._program.communicate(timeout=60)[0]
        os.close(self._master)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        self.used_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        return self._program.returncode, out.decode()
