"""MicroPython's `json`, as far as the firmware uses it, with its time on the simulated board."""

import json

from . import costs

board = None  # set by modules.install


def dumps(value):
    """Return a value as JSON."""
    text = json.dumps(value)
    board.call(len(text) * costs.JSON_OUT_BYTE_NS)
    board.litter(len(text) * costs.GARBAGE)
    return text


def loads(text):
    """Return the value of JSON text."""
    board.call(len(text) * costs.JSON_IN_BYTE_NS)
    board.litter(len(text) * costs.GARBAGE)
    return json.loads(text)
