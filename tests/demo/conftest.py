"""The demo as it is run by anyone, once for all that look at its answer."""

import pytest
from towertap.demo.run import run_demo


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """The whole demo with its own numbers: half a minute of a processor."""
    return run_demo(tmp_path_factory.mktemp("demo") / "out")
