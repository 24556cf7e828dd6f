"""The report's figures, one module each: plain data in, a matplotlib Figure out."""
