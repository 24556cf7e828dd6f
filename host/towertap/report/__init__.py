"""The report of a comparison: one HTML page that stands by itself, and its figures beside it."""
