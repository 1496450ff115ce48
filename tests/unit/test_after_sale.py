"""What follows an order: it is not paid in time, its goods come late, and some of them come back.

Through both stages, as in a shop. The rules (2.12, 2.18, 2.21, 2.25) and their examples 'Ex-n' are common practice of
the trade, no source.
"""

from datetime import timedelta

import pytest

from makeweight.domain.orders import HandledLine
from makeweight.domain.reasons import Reason
from tests.support.build import PLACED, line, order
from tests.support.shop import ANSWERED, Shop, document, gives, handled_gift

MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
TIN = "week/tin"
EIGHT = [{"gift": "TIN", "title": "Tin", "stated_value": 800, "cautions": ANSWERED}]


def shop_of(*offers, stock=9, **members):
    """A shop with one campaign and as much stock of the tin."""
    return Shop([document(*(offers or (gives(),)), **members)], {(TIN, "TIN", "main"): stock})


# ---------------------------------------------------------------- payment


def test_ex17_a_transfer_on_day_9_of_7_comes_too_late():
    """Ex-17: placed 23:50 and unpaid; on day 7 the reservation is released, on day 9 the payment brings nothing."""
    shop = shop_of(gives(paid_within_days=7))
    placed = PLACED.replace(hour=23, minute=50)
    shop.place(order(line(6000), placed_at=placed))
    assert shop.got("A")[0] == "granted"
    shop.tick(placed + 7 * DAY - MINUTE)
    assert shop.balance().reserved == 1
    shop.tick(placed + 7 * DAY)
    assert (shop.balance().reserved, shop.balance().free) == (0, 9)
    assert (shop.told("A").outcome, shop.told("A").reason) == ("declined", Reason.UNPAID)
    assert (shop.ticket("A").state, shop.ticket("A").gift_lines) == ("final", [])
    shop.amend("A", paid_at=placed + 9 * DAY, at=placed + 9 * DAY)
    assert (shop.balance().reserved, shop.told("A").reason) == (0, Reason.UNPAID)


def test_a_payment_in_time_that_is_told_late_counts():
    """Rule 2.13: what the payment says counts, not when its event came: what lapsed is granted if there is stock."""
    shop = shop_of(gives(paid_within_days=7))
    shop.place(order(line(6000)))
    shop.tick(PLACED + 7 * DAY)
    shop.amend("A", paid_at=PLACED + 6 * DAY, at=PLACED + 8 * DAY)
    assert shop.got("A") == ("granted", 1, "TIN", None)
    shop.tick(PLACED + 20 * DAY)
    assert shop.got("A") == ("granted", 1, "TIN", None)


def test_a_lapse_on_the_floor_is_stopped():
    """Rules 2.12 and 2.16: the ticket was released on credit; its gift is to be taken off."""
    shop = shop_of(gives(paid_within_days=1))
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.tick(PLACED + DAY)
    assert [(x.offer, x.units) for x in shop.ticket("A").take_off] == [(TIN, 1)]
    assert shop.amounts("A") == {"intercept/A/main/1": 1}


def test_an_unpaid_benefit_lapses_too():
    """Free carriage that needs no ledger is given until it lapses; then carriage that was charged is no mismatch."""
    shop = shop_of(gives("ships", None, benefit="free_shipping", paid_within_days=1))
    shop.place(order(line(6000), shipping_charged=490))
    assert shop.ticket("A").benefits == ["free_shipping"]
    assert shop.amounts("A") == {"price_mismatch/shipping": 490}
    shop.tick(PLACED + DAY)
    assert (shop.ticket("A").benefits, shop.amounts("A")) == ([], {})


def test_a_lapse_is_told_once():
    """A tick that comes again, or another, finds nothing due."""
    shop = shop_of(gives(paid_within_days=1))
    shop.place(order(line(6000)))
    shop.tick(PLACED + DAY)
    before = len(shop.entries["desk"])
    shop.tick(PLACED + DAY)
    shop.tick(PLACED + 2 * DAY)
    assert len(shop.entries["desk"]) == before


# ---------------------------------------------------------------- back-orders


def test_ex30_the_gift_waits_for_the_goods_that_earned_it():
    """Ex-30: all qualifying lines are back-ordered, another ships now: the gift waits, and comes with them."""
    shop = shop_of(gives(brands=["Alder"]))
    late = line(6000, brand="Alder", back_ordered=True)
    shop.place(order(late, line(100)))
    assert shop.balance().reserved == 1
    ticket = shop.ticket("A")
    assert (ticket.state, [x.number for x in ticket.lines], ticket.gift_lines) == ("final", [2], [])
    shop.packed("A/main/1")
    shop.amend("A", line(6000, brand="Alder"), line(100), at=PLACED + 42 * DAY)
    second = shop.ticket("A", number=2)
    assert ([x.number for x in second.lines], [g.gift for g in second.gift_lines]) == ([1], ["TIN"])


def test_ex30_the_gift_travels_now_where_the_offer_says_so():
    """Ex-30, the variant: with the first shipment, whatever is in it."""
    shop = shop_of(gives(brands=["Alder"], back_orders="travel"))
    shop.place(order(line(6000, brand="Alder", back_ordered=True, site="S"), line(100)))
    assert [g.gift for g in shop.ticket("A").gift_lines] == ["TIN"]
    assert list(shop.tickets("A")) == ["A/main/1"]


def test_an_order_of_back_ordered_goods_alone_has_no_ticket_yet():
    """Nothing is to be picked, and the gift is reserved all the same."""
    shop = shop_of()
    shop.place(order(line(6000, back_ordered=True)))
    assert (shop.tickets("A"), shop.balance().reserved) == ({}, 1)


# ---------------------------------------------------------------- what comes back


def returned(policy, *, faulty=0, packed=True, gift_back=False):
    """Ex-26's order: 60.00, a gift of 8.00, 15.00 comes back, so 45.00 is kept where 50.00 was asked."""
    shop = shop_of(gives(clawback=policy), gifts=EIGHT)
    shop.place(order(line(4500), line(1500)))
    if packed:
        shop.packed("A/main/1")
    else:
        shop.packed("A/main/1", lines=[HandledLine(1, line=1), HandledLine(1, line=2)])
    if gift_back:
        back = HandledLine(1, offer=TIN, gift="TIN", condition="saleable")
        shop.gift_returned("A/main/1", lines=[back])
    back = line(1500, returned_units=1, faulty_units=faulty)
    shop.amend("A", line(4500), back, at=PLACED + 5 * DAY)
    return shop


@pytest.mark.parametrize(
    ("policy", "members", "advice"),
    [
        pytest.param("none", {}, None, id="none: the refund is 15.00"),
        pytest.param("deduct", {}, 800, id="deduct: 7.00 if the gift is kept"),
        pytest.param("deduct", {"gift_back": True}, None, id="deduct: 15.00 if the gift is returned"),
        pytest.param("deduct", {"faulty": 1}, None, id="faulty: 15.00, and the gift is kept"),
        pytest.param("gift_back", {}, 1500, id="gift back: the refund waits for the gift"),
        pytest.param("gift_back", {"gift_back": True}, None, id="gift back: it is there"),
        pytest.param("deduct", {"packed": False}, None, id="Ex-27: the gift was never sent"),
    ],
)
def test_ex26_what_a_return_means_for_the_gift(policy, members, advice):
    """Ex-26 and Ex-27: advice by policy, never for faulty goods or for a gift that was not sent."""
    shop = returned(policy, **members)
    assert shop.amounts("A").get("clawback_advice/week/tin") == advice
    assert shop.got("A")[0] == "granted" or members.get("gift_back")
    if advice:
        told = shop.notice("A/clawback_advice/week/tin").sentence
        assert "consumer law decides" in told
        assert "15.00 EUR" in told


def test_a_deduction_is_never_beyond_the_refund():
    """Rule 2.18: never make a refund negative."""
    shop = shop_of(gives(clawback="deduct"), gifts=EIGHT)
    shop.place(order(line(4900), line(300)))
    shop.packed("A/main/1")
    shop.amend("A", line(4900), line(300, returned_units=1), at=PLACED + DAY)
    assert shop.amounts("A") == {"clawback_advice/week/tin": 300}


def test_advice_closes_when_the_gift_comes_back():
    """A level: the gift is there after all."""
    shop = returned("deduct")
    shop.gift_returned("A/main/1", lines=[HandledLine(1, offer=TIN, gift="TIN", condition="scrap")])
    assert shop.amounts("A") == {}


def test_each_gift_of_several_counts():
    """'For each' 20.00: three were given, the goods kept earn two, so the value of one is at stake."""
    shop = shop_of(gives(at_least=2000, for_each=True, clawback="deduct"), gifts=EIGHT)
    shop.place(order(line(4500), line(1500)))
    shop.packed("A/main/1")
    shop.amend("A", line(4500), line(1500, returned_units=1), at=PLACED + DAY)
    assert shop.amounts("A") == {"clawback_advice/week/tin": 800}


def test_all_offers_together_deduct_no_more_than_the_refund():
    """Rule 2.18, 'never make a refund negative': 9.00 come back, and two gifts of 8.00 are no longer earned."""
    shop = shop_of(gives(clawback="deduct"), gives("two", clawback="deduct"), gifts=EIGHT)
    shop.receive("week/two", "TIN", 9)
    shop.place(order(line(4900), line(900)))
    shop.packed("A/main/1")
    shop.amend("A", line(4900), line(900, returned_units=1), at=PLACED + DAY)
    assert shop.amounts("A") == {"clawback_advice/week/tin": 800, "clawback_advice/week/two": 100}


@pytest.mark.parametrize(("condition", "advice"), [("saleable", {}), ("scrap", {"clawback_advice/week/tin": 1500})])
def test_a_gift_back_must_be_saleable(condition, advice):
    """Rule 2.18, gift back: the full refund only if the gift is returned in saleable state."""
    shop = returned("gift_back")
    shop.gift_returned("A/main/1", lines=[HandledLine(1, offer=TIN, gift="TIN", condition=condition)])
    assert shop.amounts("A") == advice


def test_a_gift_that_came_back_was_given_and_keeps_its_group():
    """Rule 2.7: inside one group only one is granted, so who sent one back is not given the next."""
    shop = shop_of(gives(group="g", rank=2), gives("one", "TIN", group="g", rank=1))
    shop.place(order(line(6000)))
    assert (shop.got("A")[0], shop.got("A", "week/one")[0]) == ("granted", "declined")
    shop.gift_returned("A/main/1", lines=[HandledLine(1, offer=TIN, gift="TIN", condition="saleable")])
    shop.receive("week/one", "TIN", 1)
    shop.amend("A", at=PLACED + DAY)
    assert shop.claim("A", "week/one").live == 0


def test_of_two_gifts_on_a_paper_one_comes_back_and_one_may_still_be_missed():
    """Rule 2.24 after 2.18: the one that came back had gone out, the other is still on the paper, and on the floor."""
    shop = shop_of(gives(units=2))
    shop.place(order(line(6000)))
    shop.gift_returned("A/main/1", lines=[HandledLine(1, offer=TIN, gift="TIN", condition="saleable")])
    balance = shop.balance()
    assert (balance.free, balance.reserved, balance.released, balance.packed) == (8, 0, 1, 1)
    shop.packed("A/main/1")
    assert (shop.balance().released, shop.balance().packed) == (0, 2)


def test_of_two_gifts_on_a_paper_the_packed_one_comes_back():
    """Rule 2.18: what comes back had gone out, and that is the one that was packed."""
    shop = shop_of(gives(units=2))
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.packed("A/main/1", lines=[handled_gift(1)])
    shop.gift_returned("A/main/1", lines=[HandledLine(1, offer=TIN, gift="TIN", condition="saleable")])
    balance = shop.balance()
    assert (balance.free, balance.released, balance.packed, balance.restocked) == (8, 1, 1, 1)


def test_what_is_packed_of_a_second_ticket_leaves_the_first_on_the_floor():
    """Rule 2.16: a frozen paper keeps its unit, which nobody may free while another ticket of the order is packed."""
    shop = shop_of(gives(units=2))
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.put_back("A/main/1", lines=[handled_gift(1)])
    shop.packed("A/main/2")
    balance = shop.balance()
    assert (balance.reserved, balance.released, balance.packed) == (0, 1, 1)


def test_a_lapse_passes_value_and_group_on():
    """Rules 2.7 and 2.12: what a lapsed offer used is there for the next, and so is the turn of its group."""
    once = {"value_used": "once"}
    for first, second in (({"group": "g"}, {"group": "g"}), (once, once)):
        shop = shop_of(gives(rank=1, paid_within_days=1, **first), gives("two", "TIN", rank=2, **second))
        shop.receive("week/two", "TIN", 1)
        shop.place(order(line(6000)))
        assert [g.offer for g in shop.ticket("A").gift_lines] == [TIN]
        shop.tick(PLACED + DAY)
        assert [g.offer for g in shop.ticket("A").gift_lines] == ["week/two"]
        assert shop.told("A").reason is Reason.UNPAID


def test_what_has_lapsed_is_claimed_again_only_if_it_was_paid_in_time():
    """Rule 2.12: it lapses; another change of an order that is still not paid takes nothing from anybody."""
    shop = shop_of(gives(paid_within_days=1))
    shop.place(order(line(6000)))
    shop.tick(PLACED + DAY)
    shop.amend("A", line(100), at=PLACED + 2 * DAY)
    shop.amend("A", line(7000), at=PLACED + 3 * DAY)
    assert (shop.balance().reserved, shop.told("A").reason) == (0, Reason.UNPAID)
    shop.amend("A", paid_at=PLACED + DAY, at=PLACED + 4 * DAY)
    assert shop.got("A")[0] == "granted"


def test_put_back_and_taken_again_lacks_what_it_lacked():
    """Rule 2.36: two are wanted and one was there; once it is put back and taken again, one still lacks."""
    shop = shop_of(gives(units=2), stock=1)
    shop.place(order(line(6000)))
    assert shop.got("A") == ("granted", 1, "TIN", Reason.NO_STOCK)
    shop.put_back("A/main/1")
    assert shop.got("A") == ("granted", 1, "TIN", Reason.NO_STOCK)


def test_what_is_owed_waits_for_stock_at_every_revision():
    """Rule 2.36: the cap cuts the second of two, the first is owed; an amendment tells no other reason."""
    shop = Shop([document(gives(units=2, caps={"per_customer": 1}, when_out="owed"))])
    shop.place(order(line(6000), customer="c"))
    for _ in range(2):
        assert (shop.got("A")[0], shop.outcome("A").owed, shop.got("A")[3]) == ("owed", 1, Reason.NO_STOCK)
        shop.amend("A")
    shop.receive(TIN, "TIN", 5)
    assert shop.got("A") == ("granted", 1, "TIN", Reason.CUSTOMER_CAP)


def test_a_line_of_no_units_is_nothing_to_wait_for():
    """Rule 2.21: a gift waits for goods on back order; of a line of 0 units nothing is to come."""
    shop = shop_of()
    shop.place(order(line(5000, 0, back_ordered=True), line(900, brand="Birch")))
    assert [g.units for g in shop.ticket("A").gift_lines] == [1]


# ---------------------------------------------------------------- abuse


def test_ex33_the_same_means_of_payment_is_one_customer():
    """Ex-33: six orders with one card, one to a customer: one is granted; from the third refusal on a person hears."""
    shop = shop_of(gives(caps={"per_customer": 1}))
    for n in range(6):
        one = order(line(5100), order=f"O{n}", customer="card-7", customer_by="payment")
        shop.place(one, at=PLACED + n * 3 * MINUTE)
    assert [shop.got(f"O{n}")[0] for n in range(6)] == ["granted"] + ["declined"] * 5
    assert "means of payment" in shop.told("O1").sentence
    told = [shop.amounts(f"O{n}").get("repeated_refusal/week/tin") for n in range(6)]
    assert told == [None, None, None, 3, 4, 5]
    assert "A person" in shop.notice("O5/repeated_refusal/week/tin").sentence


def test_ex34_four_flats_of_one_building_are_four_customers():
    """Ex-34: same address, different cards: nothing is refused on an address."""
    shop = shop_of(gives(caps={"per_customer": 1}))
    for n in range(4):
        shop.place(order(line(5100), order=f"O{n}", customer=f"card-{n}", customer_by="payment"))
    assert all(shop.got(f"O{n}")[0] == "granted" for n in range(4))


def test_a_gift_that_goes_short_after_an_amendment_is_asked_off_and_told_once():
    """Intercept, short pick and over-gift beside each other: every unit is told by one notice."""
    shop = shop_of(gives(at_least=2000, for_each=True))
    shop.place(order(line(4000)))
    shop.released("A/main/1")
    shop.amend("A", line(2000), at=PLACED + MINUTE)
    assert [(x.offer, x.units) for x in shop.ticket("A").take_off] == [(TIN, 1)]
    shop.short_picked("A/main/1", lines=[handled_gift(1)])
    assert shop.amounts("A") == {}
    assert shop.outcome("A").units == 1
    shop.packed("A/main/1")
    assert (shop.balance().packed, shop.amounts("A")) == (1, {})
