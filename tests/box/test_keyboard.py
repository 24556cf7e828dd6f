"""A key press is a mark at its own moment; a text typed afterwards refers to it by number."""

import os
import pty
import queue
import sys
import termios
import threading
import time
from types import SimpleNamespace

import pytest
import towertap.box.keyboard as keyboard_module
from towertap.box.keyboard import LONGEST_TEXT, Keyboard, WindowsKeys


@pytest.fixture
def keyboard():
    return Keyboard(queue.SimpleQueue(), threading.Event())


def _texts(keyboard):
    texts = []
    while not keyboard._marks.empty():
        texts.append(keyboard._marks.get())
    return texts


def test_any_key_marks_at_once(keyboard):
    for key in (" ", "b", "\x1b[A"):
        keyboard.press(key)
    assert _texts(keyboard) == ["mark 1", "mark 2", "mark 3"]


def test_t_adds_a_text_to_the_last_mark(keyboard):
    keyboard.press(" ")
    for key in ("t", "g", "a", "x", "\x7f", "t", "e", "\r"):
        keyboard.press(key)
    assert _texts(keyboard) == ["mark 1", "mark 1: gate"]
    assert keyboard.typing is None


def test_t_adds_a_text_to_a_start_too(keyboard):
    for key in ("s", "t", "a", "s", "\r"):
        keyboard.press(key)
    assert _texts(keyboard) == ["start", "start: as"]


def test_enter_stops_and_s_marks_start_and_stop(keyboard):
    for key in ("s", " ", "s", "\r"):
        keyboard.press(key)
    assert _texts(keyboard) == ["start", "mark 1", "stop"]
    assert keyboard._stop.is_set()


def test_an_empty_text_sends_nothing_and_a_long_one_is_cut(keyboard):
    keyboard.press(" ")
    keyboard.press("t")
    keyboard.press("\n")
    keyboard.press("t")
    keyboard.press("x" * 500 + "\n")
    assert _texts(keyboard) == ["mark 1", "mark 1: " + "x" * LONGEST_TEXT]


def test_keys_of_a_terminal_are_not_echoed_and_its_mode_is_restored(monkeypatch):
    # termios(3): canonical mode hands out whole lines and echoes; both must be off while recording, and back afterwards
    master, slave = pty.openpty()
    with os.fdopen(slave) as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        before = termios.tcgetattr(terminal)
        marks = queue.SimpleQueue()
        stop = threading.Event()
        with Keyboard(marks, stop) as keyboard:
            assert keyboard.active
            assert not termios.tcgetattr(terminal)[3] & (termios.ICANON | termios.ECHO)
            os.write(master, b"k")
            assert marks.get(timeout=60) == "mark 1"
            os.write(master, b"\x1b[A\xc3\xbc\r")  # an arrow, a letter of two bytes, Enter
            assert (marks.get(timeout=60), marks.get(timeout=60)) == ("mark 2", "mark 3")
            assert stop.wait(60)
        assert termios.tcgetattr(terminal) == before
    os.close(master)


def test_keys_of_a_windows_console_come_from_msvcrt(monkeypatch):
    """From Python's documentation of msvcrt: kbhit, getwch, and two characters for an arrow key."""
    waiting = list(" \xe0H\rok\r")
    console = SimpleNamespace(kbhit=lambda: bool(waiting), getwch=lambda: waiting.pop(0))
    monkeypatch.setattr(keyboard_module, "msvcrt", console, raising=False)
    keys = WindowsKeys()
    assert [keys.wait() for _ in range(7)] == [" ", "\xe0H", "\r", "o", "k", "\r", ""]
    waiting += " "
    monkeypatch.setattr(keyboard_module, "TerminalKeys", WindowsKeys)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True))
    marks = queue.SimpleQueue()
    with Keyboard(marks, threading.Event()) as keyboard:
        assert keyboard.active
        assert marks.get(timeout=60) == "mark 1"
        waiting += "t"
        while keyboard.typing is None:
            time.sleep(0.01)
        waiting += "gate\r"
        assert marks.get(timeout=60) == "mark 1: gate"


def test_without_a_terminal_there_are_no_keys(monkeypatch):
    with open(os.devnull) as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        with Keyboard(queue.SimpleQueue(), threading.Event()) as keyboard:
            assert not keyboard.active
