"""The demo, run once for all tests that need its result."""

import pytest
from towertap.demo.run import run_demo


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """The complete demo with its default settings; takes half a minute."""
    return run_demo(tmp_path_factory.mktemp("demo") / "out")
