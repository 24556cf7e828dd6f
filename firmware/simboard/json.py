"""MicroPython's `json`, as far as the firmware uses it, with its time on the simulated board."""

import json

from . import costs

_board = None


def install(board):
    """Make `board` the one whose time passes."""
    global _board
    _board = board


def dumps(value):
    """Return a value as JSON."""
    text = json.dumps(value)
    _board.call(len(text) * costs.JSON_OUT_BYTE_NS)
    _board.litter(len(text) * costs.GARBAGE)
    return text


def loads(text):
    """Return the value of JSON text."""
    _board.call(len(text) * costs.JSON_IN_BYTE_NS)
    _board.litter(len(text) * costs.GARBAGE)
    return json.loads(text)
