"""Numbers as people read them."""

import math

import pytest
from towertap.words import numbers


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (1.43567, "1.44"),
        (0.90909, "0.909"),
        (-0.04, "−0.0400"),
        (852.6, "853"),
        (4052.0, "4052"),
        (1.1, "1.10"),
        (9.996, "10.0"),
        (3.2e-7, "3.20e−07"),
        (0.0, "0.00"),
        (math.inf, "∞"),
        (math.nan, "–"),
        (None, "–"),
    ],
)
def test_numbers_keep_three_digits(value, shown):
    assert numbers.number(value) == shown


@pytest.mark.parametrize(
    ("value", "shown"), [(2.24, "+2.2"), (-0.3, "−0.3"), (-0.02, "0.0"), (0.02, "0.0"), (math.inf, "+∞")]
)
def test_a_signed_zero_has_no_sign(value, shown):
    assert numbers.signed(value) == shown


def test_a_missing_interval_is_a_dash():
    assert numbers.interval(None) == "–"
    assert numbers.interval((0.9, 1.25)) == "0.900 to 1.25"
    assert numbers.fixed((12998.23, 13001.7)) == "12998.2 to 13001.7"
    assert numbers.fixed(-3.456, 2) == "−3.46"
    assert numbers.fixed(None) == "–"


@pytest.mark.parametrize(
    ("limits", "shown"),
    [
        ((1.0031, 1.1024), "1.003 to 1.102"),
        ((0.7312, 0.9996), "0.7312 to 0.9996"),
        ((1.0, 1.25), "1.00 to 1.25"),
        ((1.0000000001, 2.0), "1.00000 to 2.00000"),
    ],
)
def test_an_end_close_to_1_differs_from_1_in_print(limits, shown):
    assert numbers.interval(limits) == shown


def test_p_values_have_two_digits_and_are_never_printed_as_zero():
    shown = [numbers.p_value(p) for p in (1e-9, 0.0123, 0.269, 0.9999, None, math.nan)]
    assert shown == ["< 0.001", "0.012", "0.27", "1.0", "–", "–"]


def test_a_p_just_below_5_percent_is_not_rounded_up_to_it():
    assert [numbers.p_value(p) for p in (0.0499, 0.049996, 0.05, 0.0501)] == ["0.0499", "0.049996", "0.050", "0.050"]


def test_a_large_growth_is_a_multiple():
    assert [numbers.growth(ratio) for ratio in (1.3, 4.6)] == ["+30 %", "4.6 times as much"]
    ranges = [numbers.growth_range(*ends) for ends in ((1.033, 2.61), (1.5, 4.6), (4.3, 4.8))]
    assert ranges == ["+3 to +161 %", "+50 % to 4.6 times as much", "4.3 to 4.8 times as much"]


def test_shares_in_percent():
    assert [numbers.percent(share) for share in (0.0, 0.25, 1.0, None)] == ["0 %", "25 %", "100 %", "–"]


def test_names_in_pictures_are_one_short_line_of_printable_characters():
    shown = numbers.brief("a\nvery\tlong \x1b[31mname " * 20)
    assert len(shown) == 34
    assert shown.isprintable()
    assert shown.endswith("…")


@pytest.mark.parametrize(
    ("ratio", "interval", "change", "ends"),
    [
        (1.2906, (1.191, 1.399), "+29 %", "+19 to +40 %"),
        (0.71, (0.65, 0.77), "−29 %", "−35 to −23 %"),
        (1.03, (0.997, 1.064), "+3 %", "−0.3 to +6 %"),
        (1.0331, (1.031, 1.035), "+3.3 %", "+3.1 to +3.5 %"),
        (1.3, (1.2996, 1.3004), "+30.00 %", "+29.96 to +30.04 %"),
        (1.0, (1.0, 1.2), "0 %", "0 to +20 %"),
        (0.5, (1e-9, math.inf), "−50 %", "−100 to +∞ %"),
    ],
)
def test_the_digits_of_a_change_follow_its_interval(ratio, interval, change, ends):
    assert numbers.change_percent(ratio, interval) == change
    assert numbers.range_percent(interval) == ends


def test_a_change_without_an_interval_has_about_two_digits():
    assert [numbers.change_percent(ratio) for ratio in (1.0331, 1.2, 0.0, 1.0)] == ["+3.3 %", "+20 %", "−100 %", "0 %"]
    assert numbers.range_percent(None) == "–"
