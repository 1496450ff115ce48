"""Which offset a partition may be committed to: what was delivered counts, in its order."""

from hypothesis import given
from hypothesis import strategies as st

from makeweight.adapters.kafka.lean import Delivered


def test_nothing_is_passed_that_was_delivered_and_not_acknowledged():
    """Acknowledged out of order: the offset waits for the first that is missing."""
    delivered = Delivered()
    for offset in (5, 6, 7):
        delivered.add(offset)
    delivered.acknowledge(6)
    assert delivered.advance() is None
    delivered.acknowledge(5)
    assert delivered.advance() == 7
    assert delivered.advance() is None
    delivered.acknowledge(7)
    assert delivered.advance() == 8


def test_offsets_that_never_come_are_passed():
    """A transaction's markers take offsets that no consumer sees."""
    delivered = Delivered()
    for offset in (0, 1, 9):
        delivered.add(offset)
        delivered.acknowledge(offset)
    assert delivered.advance() == 10


def test_what_was_not_delivered_here_is_no_matter():
    """A late acknowledgement of a time before the last seek changes nothing."""
    delivered = Delivered()
    delivered.acknowledge(3)
    assert delivered.advance() is None


@given(st.lists(st.integers(0, 30), unique=True), st.lists(st.integers(0, 30)))
def test_against_its_definition(offsets, acknowledged):
    """The offset after the longest run of delivered messages, from the first on, that are all acknowledged."""
    delivered = Delivered()
    for offset in sorted(offsets):
        delivered.add(offset)
    reached = None
    for one in acknowledged:
        delivered.acknowledge(one)
        reached = delivered.advance() or reached
    run = []
    for offset in sorted(offsets):
        if offset not in acknowledged:
            break
        run.append(offset)
    assert reached == (run[-1] + 1 if run else None)
