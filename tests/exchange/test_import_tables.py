"""Every row of a CSV table is read, whatever is above it and however it is formatted."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.errors import FileError

from tests.exchange.rides import G, acceleration, decisions, shaken, text_of


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_lines_before_the_table_and_a_line_of_units(bring_in, separator):
    header = "recorder 7\nfirmware;3\n\n" + separator.join(["time", "ax", "ay", "az"])
    header += "\n" + separator.join(["ms", "g", "g", "g"])
    capture = bring_in(text_of(np.column_stack([np.arange(1000) * 5, shaken() / G]), header, separator))
    assert acceleration(capture) == pytest.approx(shaken(), abs=1e-6)
    assert capture.rate_hz == pytest.approx(200, rel=1e-6)
    assert decisions(capture, "assumed") == []


def test_a_decimal_comma(bring_in):
    content = text_of(np.column_stack([np.arange(1000) / 200, shaken()]), "t;ax;ay;az", ";").replace(".", ",")
    assert acceleration(bring_in(content)) == pytest.approx(shaken(), abs=1e-6)


@pytest.mark.parametrize(
    "above",
    [
        "logger\x0cpage 2\n",
        "a\x0bb\x1cc\x1dd\x1ee\n",
        "made\x85by\u2028no\u2029one\n",
        '"Note: new bush\nfitted today\ndry road"\n',
        'driver,"A\nB",x\n',
        '"logger\n',
        'a 3.5" disk, "half open\n',
        "one\rtwo\r\nthree\n\n",
        "\ufeff",
    ],
)
def test_every_row_is_read_whatever_is_above(bring_in, above):
    """RFC 4180: lines end with CR LF, and a quoted cell may span lines. No other character ends a line."""
    table = np.column_stack([np.arange(300) / 200, shaken(300)])
    for end in ("\n", "\r\n", "\r", "\r\r\n", "\n\n"):
        capture = bring_in(above + text_of(table).replace("\n", end), unit="m/s2")
        assert capture.n_samples == 300
        assert acceleration(capture) == pytest.approx(shaken(300), abs=1e-6)
    capture = bring_in("\ufeff" + text_of(shaken(300), "").lstrip(), rate_hz=200.0)  # numbers from the first byte
    assert capture.n_samples == 300


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        ("0,1,2,3,", "line 55 has 5 cells, not 4"),
        ("oops,1", "line 55 is not a row of numbers: 'oops'"),
        ("# a comment\n\n0.26,1,oops,3", "line 57 is not a row of numbers: 'oops'"),
        ('0,1,2,"3', "a quotation mark is never closed"),
        ('0,1,2,"3\n0,1,2,3"', "a cell of 'az' spans several lines; remove its quotation marks"),
    ],
)
def test_malformed_rows_are_refused_and_never_dropped(bring_in, spoil, says):
    rows = text_of(np.column_stack([np.arange(300) / 200, shaken(300)])).splitlines()
    rows[52] = spoil
    with pytest.raises(FileError) as refused:
        bring_in("logger\n\n" + "\n".join(rows) + "\n")
    assert says in str(refused.value)


def test_leading_rows_without_values_are_rows(bring_in):
    rows = text_of(np.column_stack([np.arange(1000) / 200, shaken()])).splitlines()
    rows[1:201] = [f"{n / 200},,," for n in range(200)]
    capture = bring_in("\n".join(rows) + "\n")
    assert acceleration(capture) == pytest.approx(shaken()[200:], abs=1e-6)


def test_quoted_names_keep_their_commas(bring_in):
    names = [f"acc,{axis}" for axis in "xyz"]
    content = text_of(np.column_stack([np.arange(1000) / 200, shaken()]), '"t", "acc,x","acc,y","acc,z"')
    assert f"acceleration is in the columns {', '.join(names)}" in decisions(
        bring_in(content, acceleration=tuple(names)), "told"
    )
