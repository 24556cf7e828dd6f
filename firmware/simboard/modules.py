"""Puts the simulated board's modules in the place of MicroPython's own, for whatever is imported from then on."""

import sys

from . import gc, json, machine, select, time


def install(board):
    """Let the firmware's imports find this board."""
    for name, module in (("gc", gc), ("json", json), ("machine", machine), ("select", select), ("time", time)):
        module.install(board)
        sys.modules[name] = module
