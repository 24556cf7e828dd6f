"""The version, and how files say what wrote them."""

VERSION = "0.1.0"
WRITTEN_BY = f"towertap {VERSION}"
