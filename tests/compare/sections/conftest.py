"""What tests ask of every picture."""

import pytest
from matplotlib.axes import Axes


@pytest.fixture(scope="session")
def labels():
    """A function from a figure to its axis labels."""
    return lambda figure: [
        label for axes in figure.findobj(Axes) for label in (axes.get_xlabel(), axes.get_ylabel()) if label
    ]


@pytest.fixture(scope="session")
def texts():
    """A function from a figure to all of its text."""
    return lambda figure: "\n".join(
        text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text"))
    )
