"""Turns key presses into marks while recording: any key marks at once, Enter adds a text to the last mark."""

from __future__ import annotations

import os
import queue
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
SPECIAL_KEYS = "\0\xe0"
"""By which Windows begins an arrow or function key, another character following."""
LONGEST_TEXT = 150
"""Characters of a typed text: with the mark's number before it, it fits the wire's 200 bytes in most languages."""


class TerminalKeys:
    """The keys of a POSIX terminal, at once and unseen; Ctrl-C still interrupts."""

    def __init__(self) -> None:
        """Take the terminal; `restore` gives it back."""
        self._saved = termios.tcgetattr(sys.stdin)
        tty.setcbreak(sys.stdin)

    def wait(self) -> str | None:
        """What was pressed within POLL_S; None when the terminal is gone."""
        descriptor = sys.stdin.fileno()
        if not select.select([descriptor], [], [], POLL_S)[0]:
            return ""
        with suppress(OSError):  # the terminal is gone
            return os.read(descriptor, 64).decode(errors="ignore") or None
        return None

    def restore(self) -> None:
        """Leave the terminal as it was."""
        with suppress(termios.error):  # it may be gone
            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, self._saved)


class WindowsKeys:
    """The keys of a Windows console, at once and unseen."""

    def wait(self) -> str:
        """What was pressed within POLL_S."""
        time.sleep(POLL_S)
        keys = ""
        while msvcrt.kbhit():
            key = msvcrt.getwch()
            keys += key + msvcrt.getwch() if key in SPECIAL_KEYS else key
        return keys

    def restore(self) -> None:
        """Nothing was changed."""


class Keyboard:
    """While entered, key presses on a terminal go to `marks` as texts; without a terminal it does nothing.

    A mark must carry the moment of the event, not of the end of typing, so the two are apart: `mark 3` goes out at the
    key press, and the text typed afterwards follows as `mark 3: …`.
    """

    def __init__(self, marks: queue.SimpleQueue[str]) -> None:
        self.active = sys.stdin.isatty()
        self.typing: str | None = None
        """The text being typed, for the screen; None when none is."""
        self._marks = marks
        self._count = 0
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
        while not self._done.is_set():
            keys = self._keys.wait()
            if keys is None:
                return
            if keys:
                self.press(keys)

    def press(self, keys: str) -> None:
        """Take what one press (or one burst of them) gave: a mark, or a piece of the text being typed."""
        if self.typing is not None:
            for key in keys:
                self._type(key)
        elif keys in ("\r", "\n") and self._count:
            self.typing = ""
        else:
            self._count += 1
            self._marks.put(f"mark {self._count}")

    def _type(self, key: str) -> None:
        text = self.typing or ""
        if key in "\r\n":
            if text.strip():
                self._marks.put(f"mark {self._count}: {text.strip()}")
            self.typing = None
        elif key in "\b\x7f":
            self.typing = text[:-1]
        elif key.isprintable() and len(text) < LONGEST_TEXT:
            self.typing = text + key
