"""What every tier shares: how Hypothesis searches, on a desk and in CI."""

import os

import pytest
import structlog
from hypothesis import HealthCheck, settings

# Asserts in the helpers explain themselves like those in the tests; must come before the first import of one.
pytest.register_assert_rewrite("tests.support")

# No deadlines: how long an example takes says more about the machine's other work than about ours.
settings.register_profile("dev", max_examples=50, deadline=None)

# The same examples in every run, so that a red CI is red again at the desk; more of them than at the desk.
settings.register_profile(
    "ci",
    max_examples=200,
    deadline=None,
    derandomize=True,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],  # a measure of the machine, as above
)

settings.load_profile("ci" if os.environ.get("CI") else "dev")


def pytest_runtest_teardown():
    """Logging goes back to its defaults: what a command in this process logged to, its test had caught, and closed."""
    structlog.reset_defaults()
