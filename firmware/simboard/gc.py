"""MicroPython's `gc`, as far as the firmware uses it, with its time on the simulated board."""

import gc

from . import costs

_board = None


def install(board):
    """Make `board` the one whose time passes."""
    global _board
    _board = board


def collect():
    """Collect the garbage."""
    _board.collect()
    gc.collect()


def threshold(garbage):
    """Collect automatically at this many bytes of garbage; only when the heap is full, if negative."""
    _board.garbage_limit = garbage if garbage >= 0 else costs.HEAP


def mem_free():
    """Return how many bytes of the heap are free."""
    _board.call(costs.MEM_FREE_NS)
    return gc.mem_free()
