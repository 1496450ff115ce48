"""What the warehouse does after the paper is printed: what it can't find, puts back, sends all the same and gets back.

Through both stages, as in a shop. The rules (2.15 - 2.18, 2.24) and their examples 'Ex-n' are common practice of the
trade, no source.
"""

from datetime import timedelta

import pytest

from makeweight.domain.claims import Tick
from makeweight.domain.orders import HandledLine
from makeweight.domain.reasons import Reason
from tests.support.build import PLACED, line, order
from tests.support.shop import Shop, document, gives, handled_gift, handled_line

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
TIN = "week/tin"


def shop_of(*offers, stock=9, sites=("main",), **members):
    """A shop with stock of the tin at some sites."""
    asked = document(*(offers or (gives(),)), **members)
    return Shop([asked], {(TIN, "TIN", site): stock for site in sites} if stock else None)


def taken_off(ticket):
    """What a ticket asks to be taken off it: by line number or offer."""
    return {x.offer or x.line: x.units for x in ticket.take_off}


# ---------------------------------------------------------------- amended or cancelled on the floor


def test_ex24_an_item_removed_too_late_ships_with_its_gift():
    """Ex-24: released 09:00, removed 09:10, packed 09:40 without an intercept: it is told, and counted as over-gift."""
    shop = shop_of()
    shop.place(order(line(4000), line(2000)))
    shop.released("A/main/1")
    shop.amend("A", line(4000), at=PLACED + 10 * MINUTE)
    paper = shop.ticket("A")
    assert taken_off(paper) == {2: 1, TIN: 1}
    assert shop.amounts("A") == {"intercept/A/main/1": 2}
    assert shop.balance().released == 1  # it stays the order's until the warehouse says what became of it
    shop.packed("A/main/1", at=PLACED + 40 * MINUTE)
    assert taken_off(shop.ticket("A")) == {}
    assert shop.amounts("A") == {"over_gift/kept/week/tin": 1}
    assert "no longer earned" in shop.notice("A/over_gift/kept/week/tin").sentence
    assert (shop.balance().packed, shop.balance().free) == (1, 8)


def test_an_intercept_that_comes_in_time_brings_the_gift_back():
    """Rule 2.16: the gift is put back and free again, the rest of the ticket goes on."""
    shop = shop_of()
    shop.place(order(line(4000), line(2000)))
    shop.released("A/main/1")
    shop.amend("A", line(4000), at=PLACED + 10 * MINUTE)
    shop.put_back("A/main/1", at=PLACED + 20 * MINUTE, lines=[handled_gift(1), handled_line(1, 2)])
    assert (shop.balance().released, shop.balance().free) == (0, 9)
    assert taken_off(shop.ticket("A")) == {}
    assert shop.amounts("A") == {}
    shop.packed("A/main/1", at=PLACED + 40 * MINUTE)
    assert (shop.amounts("A"), shop.balance().packed) == ({}, 0)
    assert shop.ticket("A").state == "final"


def test_ex25_a_gift_on_the_floor_is_no_stock_until_it_is_put_back():
    """Ex-25: reserved, released, cancelled: what is free doesn't rise; after 24 h a discrepancy is told."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.cancel("A", at=PLACED + MINUTE)
    assert (shop.balance().free, shop.balance().released) == (8, 1)
    assert taken_off(shop.ticket("A")) == {1: 1, TIN: 1}
    shop.tick(PLACED + 23 * HOUR)
    assert shop.amounts("A") == {"intercept/A/main/1": 2}
    shop.tick(PLACED + MINUTE + 24 * HOUR)
    assert shop.amounts("A") == {"intercept/A/main/1": 2, "put_back_overdue/A/main/1": 2}
    shop.put_back("A/main/1", at=PLACED + 30 * HOUR)
    assert (shop.balance().free, shop.balance().released) == (9, 0)
    assert shop.amounts("A") == {}
    assert (shop.ticket("A").state, shop.ticket("A").lines, shop.ticket("A").gift_lines) == ("void", [], [])


def test_the_allowance_of_a_cancelled_order_is_back_only_when_its_gift_is():
    """Rules 2.5 and 2.17: one to a customer; the order that was on the floor holds it until the put-back."""
    shop = shop_of(gives(caps={"per_customer": 1}))
    shop.place(order(line(6000), customer="c"))
    shop.released("A/main/1")
    shop.cancel("A", at=PLACED + MINUTE)
    shop.place(order(line(6000), order="B", customer="c", placed_at=PLACED + 2 * MINUTE))
    assert shop.got("B")[::3] == ("declined", Reason.CUSTOMER_CAP)
    shop.put_back("A/main/1", at=PLACED + 3 * MINUTE)
    shop.place(order(line(6000), order="C", customer="c", placed_at=PLACED + 4 * MINUTE))
    assert shop.got("C")[0] == "granted"


def test_an_order_that_wants_its_gift_again_takes_nothing_off():
    """The removed item comes back before the warehouse acted: nothing is to be stopped any more."""
    shop = shop_of()
    shop.place(order(line(4000), line(2000)))
    shop.released("A/main/1")
    shop.amend("A", line(4000), at=PLACED + MINUTE)
    shop.amend("A", line(4000), line(2000), at=PLACED + 2 * MINUTE)
    assert (taken_off(shop.ticket("A")), shop.amounts("A")) == ({}, {})
    assert (shop.balance().released, shop.balance().free) == (1, 8)


def test_what_is_put_back_though_it_is_wanted_is_on_a_new_ticket():
    """A whole ticket is undone: its lines and its gift are to be picked again, once."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.put_back("A/main/1", at=PLACED + MINUTE)
    assert shop.ticket("A").state == "void"
    again = shop.ticket("A", number=2)
    assert ([x.number for x in again.lines], [(g.gift, g.units) for g in again.gift_lines]) == ([1], [("TIN", 1)])
    assert again.state == "final"
    assert (shop.balance().reserved, shop.balance().released, shop.balance().free) == (1, 0, 8)


def test_additions_after_the_release_bring_the_gift_once():
    """Rule 2.16: a second ticket carries the gift only if none was granted before."""
    shop = shop_of()
    shop.place(order(line(4000)))
    shop.released("A/main/1")
    shop.amend("A", line(4000), line(2000), at=PLACED + MINUTE)
    assert [g.units for g in shop.ticket("A", number=2).gift_lines] == [1]
    shop.released("A/main/2")
    shop.amend("A", line(4000), line(2000), line(9000), at=PLACED + 2 * MINUTE)
    assert shop.ticket("A", number=3).gift_lines == []
    assert shop.balance().released == 1


def test_a_payment_that_fails_after_the_release_is_a_cancellation():
    """Rule 2.17: payment failure and fraud-reject come as cancelled snapshots, and stop the ticket."""
    shop = shop_of()
    shop.place(order(line(6000), hold="payment"))
    assert shop.ticket("A").state == "held"
    shop.amend("A", line(6000), hold=None, at=PLACED + MINUTE)
    shop.released("A/main/1")
    shop.cancel("A", at=PLACED + 2 * MINUTE)
    assert sum(x.units for x in shop.ticket("A").take_off) == 2


# ---------------------------------------------------------------- short picks


def test_a_short_picked_gift_comes_from_another_site():
    """Rule 2.24: the bin was empty; the unit and the rest of that bin wait for a count, another site gives it."""
    shop = shop_of(sites=("main", "S"))
    shop.place(order(line(6000), line(100, site="S")))
    shop.released("A/main/1")
    shop.short_picked("A/main/1", lines=[handled_gift(1)], reason="bin empty")
    assert shop.got("A") == ("granted", 1, "TIN", None)
    assert (shop.balance().quarantine, shop.balance().free, shop.balance().released) == (9, 0, 0)
    assert shop.balance(site="S").reserved == 1
    assert [(g.gift, g.units) for g in shop.ticket("A", "S").gift_lines] == [("TIN", 1)]
    shop.packed("A/main/1")
    assert shop.balance().packed == 0
    shop.packed("A/S/1")
    assert shop.balance(site="S").packed == 1


def test_a_short_picked_gift_is_replaced_by_its_substitute():
    """Rule 2.24: other site first, then the substitute; the decision says that it is one."""
    shop = Shop(
        [document(gives(otherwise=["MUG"], when_out="substitute"))],
        {(TIN, "TIN", "main"): 3, (TIN, "MUG", "main"): 3},
    )
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.short_picked("A/main/1", lines=[handled_gift(1)])
    assert (shop.got("A")[:3], shop.outcome("A").substitute) == (("granted", 1, "MUG"), True)
    assert [g.gift for g in shop.ticket("A", number=2).gift_lines] == ["MUG"]


@pytest.mark.parametrize("when_out", ["next", "owed"])
def test_a_short_picked_gift_that_nobody_has_is_owed(when_out):
    """Rule 2.24: it was promised, so it is owed whatever the offer does for orders that come too late."""
    shop = shop_of(gives(when_out=when_out), stock=1)
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.short_picked("A/main/1", lines=[handled_gift(1)])
    answer = shop.outcome("A")
    assert (answer.outcome, answer.units, answer.owed) == ("owed", 0, 1)
    assert shop.amounts("A") == {"owed_gift/week/tin": 1}
    shop.receive(TIN, "TIN", 2)
    assert shop.got("A") == ("granted", 1, "TIN", None)
    assert [(g.gift, g.units) for g in shop.ticket("A", number=2).gift_lines] == [("TIN", 1)]
    shop.packed("A/main/1")
    shop.packed("A/main/2")
    assert (shop.balance().packed, shop.balance().quarantine) == (1, 1)
    assert shop.amounts("A") == {}


def test_a_short_pick_of_goods_leaves_the_gift_alone():
    """What becomes of goods is the shop's to say, by the order's next revision."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.short_picked("A/main/1", lines=[handled_line(1)])
    assert (shop.balance().released, shop.got("A")[1]) == (1, 1)
    assert taken_off(shop.ticket("A")) == {}


def test_no_ticket_carries_a_gift_that_was_not_found_while_the_ledger_is_away():
    """The ledger still counts it as held: until it has answered, the desk must not send anyone for it again."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.sleep()
    shop.short_picked("A/main/1", lines=[handled_gift(1)])
    assert list(shop.tickets("A")) == ["A/main/1"]
    shop.wake(PLACED + MINUTE)
    assert shop.got("A")[::3] == ("owed", Reason.NO_STOCK)


def test_a_short_pick_of_a_ticket_that_nobody_released():
    """The warehouse can only speak of a paper: the ticket is frozen as it was printed, then the gift is missing."""
    shop = shop_of(stock=1)
    shop.place(order(line(6000)))
    shop.short_picked("A/main/1", lines=[handled_gift(1)])
    assert shop.got("A")[0] == "owed"
    assert (shop.balance().released, shop.balance().reserved, shop.balance().quarantine) == (0, 0, 1)


# ---------------------------------------------------------------- dispatched, and what comes back


def test_a_dispatched_ticket_is_packed():
    """Whoever says only that the parcel has left has packed it; said after 'packed' it changes nothing."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.dispatched("A/main/1")
    assert shop.balance().packed == 1
    shop.place(order(line(6000), order="B"))
    shop.packed("B/main/1")
    shop.dispatched("B/main/1", lines=[handled_line(1), handled_gift(1)])
    assert (shop.balance().packed, shop.amounts("B")) == (2, {})


@pytest.mark.parametrize(("condition", "free", "damaged"), [("saleable", 9, 0), ("scrap", 8, 1), (None, 8, 1)], ids=str)
def test_a_returned_gift_is_stock_only_if_it_is_saleable(condition, free, damaged):
    """Rule 2.18: inspected, and only saleable goes back to the ledger; what nobody says is scrap."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.packed("A/main/1")
    shop.gift_returned("A/main/1", lines=[HandledLine(1, offer=TIN, gift="TIN", condition=condition)])
    assert (shop.balance().free, shop.balance().damaged) == (free, damaged)
    assert shop.outcome("A").units == 0
    assert list(shop.tickets("A")) == ["A/main/1"]  # it is not given again


@pytest.mark.parametrize(("returned", "granted"), [(False, False), (True, True)])
def test_ex9_the_allowance_comes_back_with_the_gift_alone(returned, granted):
    """Ex-9: shipped and returned with the gift kept: the customer's next order is refused; with the gift it is not."""
    shop = shop_of(gives(caps={"per_customer": 1}))
    shop.place(order(line(6000), customer="c"))
    shop.packed("A/main/1")
    shop.amend("A", line(6000, returned_units=1), at=PLACED + HOUR)
    if returned:
        shop.gift_returned("A/main/1", lines=[HandledLine(1, offer=TIN, gift="TIN", condition="saleable")])
    shop.place(order(line(6000), order="B", customer="c", placed_at=PLACED + 2 * HOUR))
    assert (shop.got("B")[0] == "granted") is granted


def test_a_returned_gift_is_never_granted_again_to_its_order():
    """A later revision of the order still wants one, and has had it."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.packed("A/main/1")
    shop.gift_returned("A/main/1", lines=[HandledLine(1, offer=TIN, gift="TIN", condition="saleable")])
    shop.amend("A", line(6000), line(100), at=PLACED + HOUR)
    assert (shop.outcome("A").units, shop.balance().free) == (0, 9)


def test_repeats_of_every_fact_change_nothing():
    """Each fact said once more, after everything: no entry, the same balances, the same notices."""
    shop = shop_of(stock=1, sites=("main", "S"))
    shop.place(order(line(6000), line(100, site="S")))
    facts = [
        lambda: shop.released("A/main/1"),
        lambda: shop.short_picked("A/main/1", lines=[handled_gift(1)]),
        lambda: shop.packed("A/S/1"),
        lambda: shop.gift_returned("A/S/1", lines=[HandledLine(1, offer=TIN, gift="TIN", condition="saleable")]),
        lambda: shop.put_back("A/main/1"),
    ]
    for fact in facts:
        assert fact().result == "applied"
    before = (len(shop.entries["desk"]), len(shop.entries["ledger"]), shop.balance(), shop.balance(site="S"))
    amounts, tickets = shop.amounts("A"), shop.tickets("A")
    for fact in facts:
        assert fact().result == "repeat"
    after = (len(shop.entries["desk"]), len(shop.entries["ledger"]), shop.balance(), shop.balance(site="S"))
    assert (after, shop.amounts("A"), shop.tickets("A")) == (before, amounts, tickets)


def test_a_tick_that_finds_nothing_due_leaves_no_entry():
    """Rule of the log: every outcome is recorded, an idle tick excepted."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    before = len(shop.entries["desk"])
    shop.take("desk", Tick("t", PLACED + 48 * HOUR), PLACED + 48 * HOUR)
    assert len(shop.entries["desk"]) == before


def test_a_gift_that_the_order_still_holds_is_back_on_a_ticket_once_the_ledger_has_answered():
    """The warehouse names more than was on the paper: until the ledger has said what is left, nobody is sent for it."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.gift_returned("A/main/1", edition=1, lines=[handled_line(1), handled_gift(2)])
    assert shop.outcome("A").units == 1
    assert [(g.gift, g.units) for g in shop.ticket("A", number=2).gift_lines] == [("TIN", 1)]
