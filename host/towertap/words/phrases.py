"""Wording of changes, counts, p-values and lists, the same on every page and in the terminal."""

import re
from collections.abc import Iterable, Sequence
from difflib import get_close_matches

from towertap.words.numbers import LEAST_P, p_value

CUSTOMERS = {
    "jerk": "how suddenly the force comes",
    "weighted": "vibration, weighted as people feel it",
    "acceleration": "all vibration",
}
"""A customer's words for a kind of metric."""
TOGETHER = re.compile(
    r"(?<=\d) (?=%|×|m/s|Hz\b|km/h\b|kPa\b|°C)"
    r"|(?<=\bp) (?=(?:[<=]|&lt;) \d)|(?<=\bp [<=]) (?=\d)|(?<=\bp &lt;) (?=\d)"
)
"""Spaces where a line must not break, in text and in HTML."""


def change(ratio: float) -> str:
    """A ratio in words: '12 % higher', '3.1 % lower'."""
    percent = abs(ratio - 1) * 100
    return f"{percent:.{0 if percent >= 9.95 else 1}f} % {'higher' if ratio >= 1 else 'lower'}"


def p_equals(p: float | None, least: float = LEAST_P) -> str:
    """`p_value` for use in a sentence: "p = 0.012", "p < 0.001"."""
    return "no p" if p is None else f"p {'' if p <= least else '= '}{p_value(p, least)}"


def listed(names: Sequence[str]) -> str:
    """A list in a sentence: "a", "a and b", "a, b and c"."""
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def some(names: Sequence[str]) -> str:
    """The first three names, and how many more there are."""
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def customers(metric: str, label: str) -> str:
    """A metric's label, with a customer's words for it if there are any."""
    words = CUSTOMERS.get(metric.rsplit("_", 1)[0])
    return label + (f" ({words})" if words else "")


def counted(count: int, noun: str) -> str:
    """A count and its noun: "1 pass", "4 passes"."""
    plural = noun + ("es" if noun.endswith(("s", "x", "ch")) else "s")
    return f"{count} {noun if count == 1 else plural}"


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """The `known` name most like a misspelt one: "; did you mean 'bypass'?"; empty if none is close."""
    by_letters = {other.casefold(): other for other in known}
    near = get_close_matches(name.casefold(), by_letters, 1)
    return f"; did you mean '{by_letters[near[0]]}'?" if near else ""


def unbroken(words: str, space: str = "\u00a0") -> str:
    """The text with a non-breaking `space` between each number and its unit, and within "p < 0.01"."""
    return TOGETHER.sub(space, words)


def sentence_case(words: str) -> str:
    return words[:1].upper() + words[1:]


def quoted(names: Iterable[str]) -> str:
    """Names quoted and sorted: "'a', 'b'"."""
    return ", ".join(f"'{name}'" for name in sorted({*names} - {""})) or "not written down in any capture"
