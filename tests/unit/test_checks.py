"""What looks for mistakes at the end of a run finds them: a checker that never complains would show nothing."""

import pytest

from makeweight.domain.values import replaced
from makeweight.planning.ending import Ending
from makeweight.stages.desk.state import ORDERS
from makeweight.stages.ledger.state import BALANCES, CLAIMS
from tests.support.build import PLACED, line, order
from tests.support.fleet import check_books, check_tickets
from tests.support.shop import Shop, document, gives, handled_gift


@pytest.fixture
def ending():
    """An order with a gift on an open ticket at S, after a short pick at the main site; another with one on a paper."""
    shop = Shop([document(gives())], {("week/tin", "TIN", site): 5 for site in ("main", "S")})
    shop.place(order(line(6000), line(100, site="S")), order(line(6000, site="S"), order="B"))
    shop.released("A/main/1")
    shop.short_picked("A/main/1", lines=[handled_gift(1)])
    shop.released("B/S/1", at=PLACED)
    orders = shop.desk.values(ORDERS)
    tickets = {id_: ticket for name in orders for id_, ticket in shop.tickets(name).items()}
    kept = [list(shop.books.values(space).values()) for space in (CLAIMS, BALANCES)]
    return Ending(orders, *kept, tickets)


def test_nothing_is_wrong(ending):
    """As it is."""
    check_books(ending)
    check_tickets(ending)
    assert [g.units for g in ending.tickets["A/S/1"].gift_lines] == [1]


@pytest.mark.parametrize(
    ("place", "members", "code"),
    [
        ("S", {"free": 4, "reserved": 0}, "S4"),  # a reservation that no account has
        ("S", {"released": 0, "free": 4}, "S4"),
        ("main", {"quarantine": 4}, "units came in"),
        ("main", {"transferred_out": 2, "quarantine": 3}, "sent elsewhere"),
    ],
)
def test_accounts_that_are_not_what_the_claims_hold(ending, place, members, code):
    """Each is told."""
    books = [replaced(b, **members) if b.site == place else b for b in ending.balances]
    with pytest.raises(Exception, match=code):
        check_books(replaced(ending, balances=books))


def test_a_gift_that_is_on_no_ticket_and_one_that_is_on_two(ending):
    """S8, S7: the open ticket is void, or there are two of a site, or the paper's gift is sent again."""
    ticket = ending.tickets["A/S/1"]
    for tickets, code in (
        ({"A/S/1": replaced(ticket, state="void")}, "S8"),
        ({"A/S/2": replaced(ticket, ticket="A/S/2")}, "S7"),
        ({"B/S/2": replaced(ticket, ticket="B/S/2", order="B")}, "S8"),
    ):
        with pytest.raises(AssertionError, match=code):
            check_tickets(replaced(ending, tickets={**ending.tickets, **tickets}))
