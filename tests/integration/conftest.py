"""The broker that the tests of the distributed service share, and an installation of its own for each test."""

import pytest

from tests.support.broker import found_broker
from tests.support.fleet import Installation


@pytest.fixture(scope="session")
def broker():
    """A real broker for the whole run; the tests fail where none can be had."""
    found = found_broker()
    yield found
    found.close()


@pytest.fixture
def installation(broker, tmp_path):
    """Topics and workers of one test."""
    made = Installation(broker.address, tmp_path)
    yield made
    made.close()
