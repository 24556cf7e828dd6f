"""Ways of saying a change, a count, a p-value or a list, the same on every page and in the terminal."""

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
"""Spaces at which a line is not broken, in a text and on a page."""


def change(ratio: float) -> str:
    """A ratio as people say it: '12 % higher', '3.1 % lower'."""
    percent = abs(ratio - 1) * 100
    return f"{percent:.{0 if percent >= 9.95 else 1}f} % {'higher' if ratio >= 1 else 'lower'}"


def p_equals(p: float | None, least: float = LEAST_P) -> str:
    """A p-value in a sentence, as `p_value` has it."""
    return "no p" if p is None else f"p {'' if p <= least else '= '}{p_value(p, least)}"


def listed(names: Sequence[str]) -> str:
    """Names as a sentence lists them: "a", "a and b", "a, b and c"."""
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def some(names: Sequence[str]) -> str:
    """Names of captures, the first three in full."""
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def customers(metric: str, label: str) -> str:
    """The label of a metric of that name, with a customer's words for it where there are some."""
    words = CUSTOMERS.get(metric.rsplit("_", 1)[0])
    return label + (f" ({words})" if words else "")


def counted(count: int, noun: str) -> str:
    """A count and its noun: "1 pass", "4 passes"."""
    plural = noun + ("es" if noun.endswith(("s", "x", "ch")) else "s")
    return f"{count} {noun if count == 1 else plural}"


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """A guess at which `known` name one that is not known was to be: "; did you mean 'bypass'?", empty without one."""
    by_letters = {other.casefold(): other for other in known}
    near = get_close_matches(name.casefold(), by_letters, 1)
    return f"; did you mean '{by_letters[near[0]]}'?" if near else ""


def unbroken(words: str, space: str = "\u00a0") -> str:
    """The words with a `space` that no line is broken at between every number and its unit, and within "p < 0.01"."""
    return TOGETHER.sub(space, words)


def sentence_case(words: str) -> str:
    return words[:1].upper() + words[1:]


def quoted(names: Iterable[str]) -> str:
    """Names as captures spell them, in the order of the alphabet: "'a', 'b'"."""
    return ", ".join(f"'{name}'" for name in sorted({*names} - {""})) or "not written down in any capture"
