"""The long random run as a module, for its smaller run in the suite and its plain reading of the page."""

from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def long_random_run():
    """The script tests/wire/long_random_run.py."""
    spec = spec_from_file_location("long_random_run", Path(__file__).with_name("long_random_run.py"))
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
