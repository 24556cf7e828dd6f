"""What the chip model has to say about how it is used: on standard error, each thing once."""

import sys

_said = set()


def remark(text):
    """Say that the chip, used like this, would not do what was meant."""
    if text not in _said:
        _said.add(text)
        print("simulated ICM-42688-P:", text, file=sys.stderr)


def refuse(condition, what):
    """Stop the simulation if `condition`: better no answer than a wrong one."""
    if condition:
        raise NotImplementedError("simulated ICM-42688-P: " + what + " is not modelled")
