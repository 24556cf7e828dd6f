"""Adding one recording to an archive."""

from towertap.archive.adding import add_all


def add(archive, path):
    """What became of it."""
    (added,) = add_all(archive, [path])
    return added
