"""Wording of changes, counts, p-values and lists."""

import pytest
from towertap.words import phrases


@pytest.mark.parametrize(
    ("ratio", "words"), [(1.123, "12 % higher"), (0.969, "3.1 % lower"), (1.0, "0.0 % higher"), (1.0996, "10 % higher")]
)
def test_a_ratio_in_words(ratio, words):
    assert phrases.change(ratio) == words


def test_counts_agree_with_their_noun():
    assert [phrases.counted(n, "pass") for n in (0, 1, 4)] == ["0 passes", "1 pass", "4 passes"]
    assert phrases.counted(2, "metric") == "2 metrics"


def test_a_misspelt_name_gets_the_nearest_known_one_and_a_strange_name_none():
    roads = ["quarry-lane", "bypass"]
    assert phrases.did_you_mean("Quary lane", roads) == "; did you mean 'quarry-lane'?"
    assert phrases.did_you_mean("motorway", roads) == phrases.did_you_mean("x", []) == ""


def test_a_p_value_in_a_sentence_is_never_zero():
    assert [phrases.p_equals(p) for p in (1e-9, 0.0123, 0.5, None)] == ["p < 0.001", "p = 0.012", "p = 0.50", "no p"]
    assert phrases.p_equals(0.0499) == "p = 0.0499"


def test_names_are_listed_as_in_a_sentence():
    assert [phrases.listed(["a", "b", "c"][:n]) for n in (1, 2, 3)] == ["a", "a and b", "a, b and c"]


def test_the_first_three_of_many_captures_are_named():
    assert phrases.some(["a", "b", "c"]) == "a, b, c"
    assert phrases.some(["a", "b", "c", "d", "e"]) == "a, b, c and 2 more"


@pytest.mark.parametrize(
    ("words", "unbroken"),
    [
        ("from +21 to +39 %, at 40 Hz", "from +21 to +39_%, at 40_Hz"),
        ("52.3 to 67.9 m/s³, 50 km/h, 2 × (p < 0.01)", "52.3 to 67.9_m/s³, 50_km/h, 2_× (p_<_0.01)"),
        ("on a page p &lt; 0.01 or p = 0.27", "on a page p_&lt;_0.01 or p_=_0.27"),
        ("3 passes at 2 speeds", "3 passes at 2 speeds"),
    ],
)
def test_no_line_breaks_between_a_number_and_its_unit(words, unbroken):
    assert phrases.unbroken(words, "_") == unbroken


def test_only_the_first_letter_becomes_a_capital():
    assert phrases.sentence_case("wk-weighted vertical ISO") == "Wk-weighted vertical ISO"
