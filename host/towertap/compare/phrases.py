"""Ways of saying a figure that more than one page of words uses."""

from __future__ import annotations

from collections.abc import Sequence


def change(ratio: float) -> str:
    """A ratio as people say it: '12 % higher', '3.1 % lower'."""
    percent = abs(ratio - 1) * 100
    return f"{percent:.{0 if percent >= 9.95 else 1}f} % {'higher' if ratio >= 1 else 'lower'}"


def figure(value: float) -> str:
    """A figure to three significant digits, trailing noughts and all: '1.10', '118'."""
    return f"{value:#.3g}".rstrip(".")


def listed(names: Sequence[str]) -> str:
    """Names as a sentence lists them: "a", "a and b", "a, b and c"."""
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def some(names: Sequence[str]) -> str:
    """Names of captures, the first three in full."""
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
