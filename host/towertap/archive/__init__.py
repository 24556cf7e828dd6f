"""Keeps recordings for years: raw stream, capture and conditions of each in a folder of its own that proves itself."""
