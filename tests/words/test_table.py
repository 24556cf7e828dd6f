"""Tables of plain text: columns by key, alignment of numbers, and CSV files that pandas reads back."""

import numpy as np
import pandas as pd
from towertap.words.table import joined, of_columns, tabulate, write_csv


def test_columns_are_the_keys_and_numbers_are_right_aligned():
    rows = [
        {"road": "1 lane", "ratio": "1.23", "interval": "1.01 to 1.40", "p": "< 0.001", "basis": "rough places"},
        {"road": "moor", "ratio": "–", "interval": "–", "p": "0.12", "basis": "whole passes"},
    ]
    table = tabulate("Findings", rows)
    assert table.columns == ("road", "ratio", "interval", "p", "basis")
    assert table.rows[1] == ("moor", "–", "–", "0.12", "whole passes")
    assert table.right == ("ratio", "interval", "p")


def test_a_table_without_rows_has_no_columns():
    assert (tabulate("None", []).columns, tabulate("None", []).rows) == ((), ())


def test_rows_with_the_same_first_cell_are_grouped_under_it():
    rows = [{"road": road, "pass": number} for road, number in (("lane", "1"), ("lane", "2"), ("moor", "1"))]
    assert tabulate("", rows, grouped=True).groups() == [("lane", [("1",), ("2",)]), ("moor", [("1",)])]
    assert tabulate("", rows).groups() == [("", [("lane", "1"), ("lane", "2"), ("moor", "1")])]


def test_a_file_of_a_table_is_read_back_by_pandas(tmp_path):
    """RFC 4180 by pandas' reader: a comma and a quote in a name, a minus, a missing value, and no formula."""
    first = of_columns("", {"road": ['a, "b"', "=1+1"], "level": np.array([-1.5, np.nan])})
    second = tabulate("", [{"road": "c", "level": "−2.25"}])
    write_csv(joined("", [first, second]), tmp_path / "table.csv")
    read = pd.read_csv(tmp_path / "table.csv")
    assert read["road"].tolist() == ['a, "b"', "'=1+1", "c"]
    assert read["level"].tolist()[::2] == [-1.5, -2.25]
    assert np.isnan(read["level"][1])
