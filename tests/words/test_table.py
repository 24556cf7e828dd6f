"""Tables of plain texts: columns by key, and which of them hold numbers."""

from towertap.words.table import tabulate


def test_columns_are_the_keys_and_numbers_stand_flush_right():
    rows = [
        {"road": "1 lane", "ratio": "1.23", "interval": "1.01 to 1.40", "p": "< 0.001", "basis": "rough places"},
        {"road": "moor", "ratio": "–", "interval": "–", "p": "0.12", "basis": "whole passes"},
    ]
    table = tabulate("Findings", rows)
    assert table.columns == ("road", "ratio", "interval", "p", "basis")
    assert table.rows[1] == ("moor", "–", "–", "0.12", "whole passes")
    assert table.right == {"ratio", "interval", "p"}


def test_a_table_without_rows_has_no_columns():
    assert (tabulate("None", []).columns, tabulate("None", []).rows) == ((), ())
