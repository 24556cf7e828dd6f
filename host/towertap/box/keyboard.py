"""Turns key presses into marks while recording: any key marks at once, Enter adds a text to the last mark."""

from __future__ import annotations

import os
import queue
import select
import sys
import threading
from contextlib import suppress
from types import TracebackType
from typing import Self

try:
    import termios
    import tty
except ImportError:  # no POSIX terminal, so no marks from the keyboard
    POSIX_TERMINAL = False
else:
    POSIX_TERMINAL = True

POLL_S = 0.1
LONGEST_TEXT = 150
"""Characters of a typed text: with the mark's number before it, it fits the wire's 200 bytes in most languages."""


class Keyboard:
    """While entered, key presses on a terminal go to `marks` as texts; without a terminal it does nothing.

    A mark must carry the moment of the event, not of the end of typing, so the two are apart: `mark 3` goes out at the
    key press, and the text typed afterwards follows as `mark 3: …`.
    """

    def __init__(self, marks: queue.SimpleQueue[str]) -> None:
        self.active = POSIX_TERMINAL and sys.stdin.isatty()
        self.typing: str | None = None
        """The text being typed, for the screen; None when none is."""
        self._marks = marks
        self._count = 0
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._listen, name="towertap-keyboard", daemon=True)

    def __enter__(self) -> Self:
        if self.active:
            self._saved = termios.tcgetattr(sys.stdin)
            tty.setcbreak(sys.stdin)  # keys come at once and unseen; Ctrl-C still interrupts
            self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.active:
            self._done.set()
            self._thread.join()
            with suppress(termios.error):  # the terminal may be gone
                termios.tcsetattr(sys.stdin, termios.TCSADRAIN, self._saved)

    def _listen(self) -> None:
        descriptor = sys.stdin.fileno()
        while not self._done.is_set():
            if select.select([descriptor], [], [], POLL_S)[0]:
                try:
                    data = os.read(descriptor, 64)
                except OSError:  # the terminal is gone
                    data = b""
                if not data:
                    return
                self.press(data.decode(errors="ignore"))

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
