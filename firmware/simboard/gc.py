"""MicroPython's `gc`, as far as the firmware uses it, with its time on the simulated board."""

import gc

from . import costs

board = None  # set by modules.install


def collect():
    """Collect the garbage."""
    board.collect()
    gc.collect()


def threshold(garbage):
    """Collect automatically at this many bytes of garbage; only when the heap is full, if negative."""
    board.garbage_limit = garbage if garbage >= 0 else costs.HEAP


def mem_free():
    """Return how many bytes of the heap are free."""
    board.call(costs.MEM_FREE_NS)
    return gc.mem_free()
