"""Ways of saying a figure that more than one page of words uses."""

from __future__ import annotations


def change(ratio: float) -> str:
    """A ratio as people say it: '12 % higher', '3.1 % lower'."""
    percent = abs(ratio - 1) * 100
    return f"{percent:.{0 if percent >= 9.95 else 1}f} % {'higher' if ratio >= 1 else 'lower'}"
