"""What went out on a ticket, from the order's entries: whole, in parts, and short (rules of the trade 2.24)."""

from datetime import timedelta

import pytest

from makeweight.domain.orders import Fulfilment
from makeweight.planning.parcel import NotPacked, parcel
from tests.support.build import PLACED, line, order
from tests.support.shop import Shop, document, gives, handled_gift, handled_line

PACKED = PLACED + timedelta(hours=2)
TICKET = "A/main/1"


@pytest.fixture
def shop():
    """A shop with an order of two lines and a tin, on the floor."""
    shop = Shop([document(gives())], {("week/tin", "TIN", "main"): 9})
    shop.place(order(line(30_00, 2), line(40_00)))
    shop.released(TICKET)
    return shop


def sent(shop, ticket=TICKET):
    """The parcel, by what stands in the desk's log."""
    return parcel(shop.state("A"), shop.entries["desk"], ticket)


def report(shop, happened, *lines, **members):
    """A fact of the warehouse on the ticket."""
    shop.told_facts = getattr(shop, "told_facts", 0) + 1
    fact = Fulfilment(f"f{shop.told_facts}", "A", TICKET, happened, PACKED, lines=list(lines), **members)
    assert shop.take("desk", fact, PACKED, fact.event).result == "applied"


def test_a_whole_ticket(shop):
    """A report without lines is about all that the paper has."""
    report(shop, "packed")
    found = sent(shop)
    assert found.delivered == {1: 2, 2: 1, "week/tin": 1}
    assert (found.reasons, found.packed_at, found.ticket.ticket) == ({}, PACKED, TICKET)


def test_reports_on_parts_add_up(shop):
    """Lines that no report names did not go out; a gift that is on no paper is no part of the ticket."""
    report(shop, "packed", handled_line(1, 1), handled_gift(1, "week/tin"))
    report(shop, "packed", handled_line(1, 1), handled_gift(1, "week/case"))
    assert sent(shop).delivered == {1: 2, 2: 0, "week/tin": 1}
    report(shop, "packed")
    assert sent(shop).delivered == {1: 2, 2: 1, "week/tin": 1}, "the rest of the paper"


@pytest.mark.parametrize(("reason", "told"), [("bin empty", "bin empty"), (None, "not found in its place")])
def test_a_short_pick_is_missing_from_the_whole(reason, told, shop):
    """A shipped order without its gift must never look complete; the reason is the warehouse's."""
    report(shop, "short_picked", handled_gift(1, "week/tin"), reason=reason)
    report(shop, "packed")
    found = sent(shop)
    assert found.delivered == {1: 2, 2: 1, "week/tin": 0}
    assert found.reasons == {"week/tin": told}


def test_what_was_put_back_did_not_go_out(shop):
    """Before it is packed, and from the box."""
    report(shop, "put_back", handled_line(1, 1))
    report(shop, "packed")
    assert sent(shop).delivered == {1: 1, 2: 1, "week/tin": 1}
    report(shop, "put_back", handled_gift(1, "week/tin"), reason="customer called")
    assert sent(shop).delivered == {1: 1, 2: 1, "week/tin": 0}
    assert sent(shop).reasons == {1: "put back", "week/tin": "customer called"}
    report(shop, "put_back")
    with pytest.raises(NotPacked, match="A/main/1 was put back"):
        sent(shop)


def test_dispatched_is_packed(shop):
    """A warehouse that reports only the carrier's pick-up packed before it; what it packed is not sent twice."""
    report(shop, "packed", handled_line(1, 1))
    report(shop, "dispatched", handled_line(2, 1), handled_gift(1, "week/tin"))
    assert sent(shop).delivered == {1: 2, 2: 0, "week/tin": 1}
    report(shop, "dispatched")
    assert sent(shop).delivered == {1: 2, 2: 1, "week/tin": 1}


def test_what_comes_back_was_delivered(shop):
    """A returned gift went out with the parcel."""
    report(shop, "dispatched")
    report(shop, "gift_returned", handled_gift(1, "week/tin"))
    assert sent(shop).delivered == {1: 2, 2: 1, "week/tin": 1}


def test_a_fact_that_stands_twice_counts_once(shop):
    """Another writer may have logged it too: the first with an id counts."""
    report(shop, "packed", handled_line(1, 1))
    entries = [*shop.entries["desk"], shop.entries["desk"][-1]]
    assert parcel(shop.state("A"), entries, TICKET).delivered[1] == 1


def test_what_did_not_go_out(shop):
    """A ticket that is open or on the floor has nothing to advise; a name that is no ticket's is told with some."""
    with pytest.raises(NotPacked, match="A/main/1 is not packed yet"):
        sent(shop)
    shop.amend("A", line(30_00, 2), line(40_00), line(5_00))
    with pytest.raises(NotPacked, match="A/main/2 is not packed yet"):
        sent(shop, "A/main/2")
    with pytest.raises(NotPacked, match="order A has no ticket 'A/main/7'; it has A/main/1, A/main/2"):
        sent(shop, "A/main/7")
