"""The report of a comparison: one self-contained HTML page, with its pictures and data as files beside it."""
