"""Adding one recording to an archive."""

from towertap.archive.adding import add_all


def add(archive, path):
    """Add one recording; returns the result."""
    (added,) = add_all(archive, [path])
    return added
