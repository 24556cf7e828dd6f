"""Turns key presses into marks while recording: Enter stops, s marks start and stop, t adds a text, others mark."""

import codecs
import os
import queue
import re
import select
import sys
import threading
import time
from contextlib import suppress
from importlib import import_module
from types import TracebackType
from typing import Any, Self

try:
    import termios
    import tty
except ImportError:  # Windows
    msvcrt: Any = import_module("msvcrt")

POLL_S = 0.1
ESCAPE = b"\x1b"
SEQUENCE = re.compile(rb"\x1b(\[[0-?]*[ -/]*[@-~]|O.|[^\[O])", re.DOTALL)
"""What an arrow or function key sends: a control sequence of ECMA-48, 5.4, or a single shift."""
SPECIAL_KEYS = "\0\xe0"
"""First of the two characters of an arrow or function key on Windows."""
LONGEST_TEXT = 150
"""Characters of typed text: with the mark's number it fits the wire format's 200 bytes in most languages."""
KEYS = "Enter stops, s marks start and stop, t adds a text to the last mark, any other key marks"


class Request:
    """A flag set by a key or a signal, never cleared.

    Like threading.Event but without its lock: a signal handler interrupted by another signal would deadlock on it.
    """

    def __init__(self) -> None:
        self._is_set = False

    def set(self) -> None:
        """Set the flag."""
        self._is_set = True

    def is_set(self) -> bool:
        """Whether the flag is set."""
        return self._is_set


class TerminalKeys:
    """The keys of a POSIX terminal, unbuffered and without echo; Ctrl-C still interrupts."""

    def __init__(self) -> None:
        """Change the terminal's mode; `restore` undoes that."""
        self._letters = codecs.getincrementaldecoder("utf-8")("ignore")
        self._saved = termios.tcgetattr(sys.stdin)
        tty.setcbreak(sys.stdin)

    def wait(self) -> str | None:
        """The key pressed within POLL_S, "" if none; None if the terminal is gone."""
        descriptor = sys.stdin.fileno()
        if not select.select([descriptor], [], [], POLL_S)[0]:
            return ""
        with suppress(OSError):  # the terminal is gone
            data = os.read(descriptor, 1)
            while data[:1] == ESCAPE and not SEQUENCE.match(data) and select.select([descriptor], [], [], 0)[0]:
                data += os.read(descriptor, 1)  # byte by byte, so as not to read into the next key
            return self._letters.decode(data) if data else None
        return None

    def restore(self) -> None:
        """Restore the terminal's mode."""
        with suppress(termios.error):  # it may be gone
            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, self._saved)


class WindowsKeys:
    """The keys of a Windows console, unbuffered and without echo."""

    def wait(self) -> str:
        """The key pressed within POLL_S, "" if none."""
        if not msvcrt.kbhit():
            time.sleep(POLL_S)
            return ""
        key: str = msvcrt.getwch()
        return key + msvcrt.getwch() if key in SPECIAL_KEYS else key

    def restore(self) -> None:
        """Nothing to restore."""


class Keyboard:
    """Context manager that sends key presses on a terminal to `marks` as texts; Enter sets `stop`.

    A mark must have the time of the event, not of the end of typing. So `mark 3` is sent at the key press, and text
    typed afterwards follows as `mark 3: …`.
    """

    def __init__(self, marks: queue.SimpleQueue[str], stop: Request) -> None:
        self.active = sys.stdin.isatty()
        self.typing: str | None = None
        """Text being typed, for the screen; None if none is."""
        self._marks, self._stop = marks, stop
        self._count = 0
        self._started = False
        self._last = ""
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._listen, name="towertap-keyboard", daemon=True)

    def __enter__(self) -> Self:
        if self.active:
            self._keys = WindowsKeys() if os.name == "nt" else TerminalKeys()
            self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.active:
            self._done.set()
            self._thread.join()
            self._keys.restore()

    def _listen(self) -> None:
        while not (self._done.is_set() or self._stop.is_set()):  # keys after the end belong to the next prompt
            key = self._keys.wait()
            if key is None:
                return
            if key:
                self.press(key)

    def press(self, keys: str) -> None:
        """Handle one key press, or a burst of them: a mark, part of the text being typed, or the end."""
        if self.typing is not None:
            for key in keys:
                self._type(key)
        elif keys[:1] in ("\r", "\n"):
            self._stop.set()
        elif keys == "s":
            self._put("stop" if self._started else "start")
            self._started = True
        elif keys == "t" and self._last:
            self.typing = ""
        else:
            self._count += 1
            self._put(f"mark {self._count}")

    def _put(self, mark: str) -> None:
        self._last = mark
        self._marks.put(mark)

    def _type(self, key: str) -> None:
        text = self.typing or ""
        if key in "\r\n":
            if text.strip():
                self._marks.put(f"{self._last}: {text.strip()}")
            self.typing = None
        elif key in "\b\x7f":
            self.typing = text[:-1]
        elif key.isprintable() and len(text) < LONGEST_TEXT:
            self.typing = text + key
