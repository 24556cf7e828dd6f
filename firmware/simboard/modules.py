"""Replaces MicroPython's modules by the simulated board's, for later imports."""

import sys

from . import gc, json, machine, select, time


def install(board):
    """Let the firmware's imports find this board."""
    for name, module in (("gc", gc), ("json", json), ("machine", machine), ("select", select), ("time", time)):
        module.board = board
        sys.modules[name] = module
