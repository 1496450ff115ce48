"""The benchmarks' clocks find what they wrap: they are not run by the tests, and code moves."""

import pytest

from tests.bench.phases import HOSTING, READING, REPLAYING, STAGES


@pytest.mark.parametrize("point", {*READING, *STAGES, *REPLAYING, *HOSTING}, ids=lambda p: f"{p[0].__name__}.{p[1]}")
def test_what_is_clocked_exists(point):
    """Each name is where the clock looks it up."""
    owner, name, _ = point
    assert callable(getattr(owner, name))
