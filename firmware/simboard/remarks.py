"""Remarks of the chip model about how it is used, on standard error, each once."""

import sys

_said = set()


def remark(text):
    """Print that the real chip would not work as intended."""
    if text not in _said:
        _said.add(text)
        print("simulated ICM-42688-P:", text, file=sys.stderr)


def refuse(condition, what):
    """Stop the simulation if `condition`: no result is better than a wrong one."""
    if condition:
        raise NotImplementedError("simulated ICM-42688-P: " + what + " is not modelled")
