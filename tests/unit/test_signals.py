"""Signals of abuse: a person hears of them, and nobody is refused for one.

Rule 2.25 with Ex-33 and Ex-34; the figures are common practice, no source.
"""

from datetime import timedelta

import pytest

from makeweight.domain.orders import Destination
from makeweight.domain.values import replaced
from makeweight.stages.ledger.signals import MAX_RECENT
from makeweight.stages.ledger.state import CUSTOMERS, key
from tests.support.build import PLACED, line, order
from tests.support.shop import Shop, document, gives, handled_gift

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
TIN = "week/tin"
SPLIT, KEPT = f"order_splitting/{TIN}", f"unearned_gifts/{TIN}"


def shop_of(*offers, **members):
    """A shop with more tins than anyone asks for."""
    return Shop([document(*(offers or (gives(),)), **members)], {(TIN, "TIN", "main"): 99})


def placed(shop, charged, *, minutes=3, customer="c", **members):
    """Orders of one customer, so many minutes apart: their names."""
    names = [f"O{n}" for n in range(len(charged))]
    for n, (name, worth) in enumerate(zip(names, charged, strict=True)):
        at = PLACED + n * minutes * MINUTE
        shop.place(order(line(worth), order=name, customer=customer, placed_at=at, **members))
    return names


def signals(shop, names, what):
    """The amount of a notice on each order, None where it is not open."""
    return [shop.amounts(name).get(what) for name in names]


# ---------------------------------------------------------------- orders that are split


@pytest.mark.parametrize("caps", [{}, {"per_customer": 1}, {"total": 50}])
def test_ex33_six_orders_just_over_the_threshold(caps):
    """Ex-33: six of 50 to 52 in 20 minutes; what is granted follows from the caps alone."""
    shop = shop_of(gives(caps=caps))
    names = placed(shop, [5000, 5050, 5100, 5150, 5199, 5200], customer_by="payment")
    assert signals(shop, names, SPLIT) == [None, None, 3, 4, 5, 6]
    granted = 1 if "per_customer" in caps else 6
    assert [shop.got(name)[0] for name in names] == ["granted"] * granted + ["declined"] * (6 - granted)
    said = shop.notice(f"O2/{SPLIT}").sentence
    assert "this one, O0, O1" in said
    assert said.endswith("A person looks at it; nothing is refused for it.")


def test_no_notice_holds_the_customers_key():
    """Rule 2.39: orders are named, customers are not."""
    shop = shop_of()
    placed(shop, [5000] * 4, customer="secret-key")
    assert not [o for o in shop.said if o.channel == "notices" and "secret-key" in repr(o.body)]


def test_ex34_four_flats_of_one_building():
    """Ex-34: the same address, other cards."""
    shop = shop_of()
    names = [f"O{n}" for n in range(4)]
    for n, name in enumerate(names):
        shop.place(order(line(5100), order=name, customer=f"card-{n}", destination=Destination("IE", "D")))
    assert signals(shop, names, SPLIT) == [None] * 4


@pytest.mark.parametrize(
    ("charged", "members", "offer"),
    [
        ([5000, 5000], {}, {}),
        ([5501] * 4, {}, {}),
        ([5000] * 4, {"minutes": 61}, {}),
        ([4999] * 4, {}, {}),
        ([5000] * 4, {"customer": None}, {}),
        ([5000] * 4, {}, {"for_each": True}),
        ([5000] * 4, {}, {"by": "line"}),
        ([3000, 2100, 3000, 2100], {}, {}),
    ],
    ids=["two", "well over it", "an hour apart", "below it", "nobody knows who", "for each", "one line",
         "a day's total reaches it, no order does"],
)  # fmt: skip
def test_what_is_no_sign_of_splitting(charged, members, offer):
    """Several orders of a day are no evidence by themselves, and nobody splits what gains nothing by it."""
    at_least = {"at_least": 5000} if "by" in offer else {}
    shop = shop_of(gives(**offer, **at_least))
    assert set(signals(shop, placed(shop, charged, **members), SPLIT)) == {None}


def test_units_are_split_too():
    """Three of at least three units each."""
    shop = shop_of(gives(by="units", at_least=3))
    for n in range(3):
        shop.place(order(line(900, units=3), order=f"O{n}", customer="c"))
    assert signals(shop, ["O0", "O1", "O2"], SPLIT) == [None, None, 3]


def test_orders_are_compared_by_when_they_were_placed():
    """Events that come late, in another order, tell the same of the orders together."""
    shop = shop_of()
    for n in (2, 0, 1):
        at = PLACED + n * 3 * MINUTE
        shop.place(order(line(5000), order=f"O{n}", customer="c", placed_at=at), at=PLACED + HOUR)
    assert signals(shop, ["O0", "O1", "O2"], SPLIT) == [None, 3, None]


@pytest.mark.parametrize(
    "change",
    [
        lambda shop: shop.amend("O0", line(9000)),
        lambda shop: shop.cancel("O0"),
        lambda shop: shop.amend("O0", customer="d"),
    ],
    ids=["worth more", "cancelled", "another customer's"],
)
def test_an_order_counts_once_and_as_it_is_now(change):
    """Amended within the band it is one order; beyond it none; and back again it counts."""
    shop = shop_of()
    placed(shop, [5000, 5000])
    shop.amend("O1", line(5100), at=PLACED + 5 * MINUTE)
    assert signals(shop, ["O0", "O1"], SPLIT) == [None, None]
    change(shop)
    shop.place(order(line(5000), order="LAST", customer="c"))
    assert shop.amounts("LAST") == {}
    shop.amend("O0", line(5000), customer="c")
    shop.amend("LAST", note="once more")
    assert shop.amounts("LAST") == {SPLIT: 3}
    shop.cancel("LAST")
    assert shop.amounts("LAST") == {}


def test_memory_is_bounded():
    """S12: the latest orders of a customer are remembered, however many there are."""
    shop = shop_of()
    placed(shop, [5000] * 20, minutes=1)
    kept = shop.books.get(CUSTOMERS, key(TIN, "c"))
    assert [one.order for one in kept.recent] == [f"O{n}" for n in range(20 - MAX_RECENT, 20)]


# ---------------------------------------------------------------- gifts that are kept


def cancelled(shop, name):
    """Cancelled after its gift was packed."""
    shop.packed(f"{name}/main/1")
    shop.cancel(name, at=PLACED + HOUR)


def sent_back(shop, name):
    """Its goods came back, and not its gift."""
    shop.packed(f"{name}/main/1")
    shop.amend(name, replaced(line(6000), returned_units=1), line(1), at=PLACED + HOUR)


@pytest.mark.parametrize("lost", [cancelled, sent_back])
def test_gifts_that_are_kept_three_times(lost):
    """Cancel-and-keep, return-and-keep: the third order tells; what is granted next is what it would have been."""
    shop = shop_of()
    names = placed(shop, [6000] * 4)
    for name in names:
        lost(shop, name)
    assert signals(shop, names, KEPT) == [None, None, 3, 4]
    assert "sent back after this offer's gift was packed" in shop.notice(f"O2/{KEPT}").sentence
    shop.place(order(line(6000), order="NEXT", customer="c"))
    assert (shop.got("NEXT")[0], shop.amounts("NEXT")) == ("granted", {})


def test_a_gift_that_comes_back_was_not_kept():
    """Its order counts no more, and its notice closes."""
    shop = shop_of()
    names = placed(shop, [6000] * 4)
    for name in names[:3]:
        cancelled(shop, name)
    assert signals(shop, names[:3], KEPT) == [None, None, 3]
    back = [replaced(handled_gift(1), condition="scrap")]
    shop.gift_returned("O2/main/1", lines=back, at=PLACED + 2 * HOUR)
    assert signals(shop, names[:3], KEPT) == [None] * 3
    cancelled(shop, "O3")
    assert signals(shop, names, KEPT) == [None, None, None, 3]


def test_what_the_house_packed_too_late_is_not_the_customers_doing():
    """Cancelled while it was on the floor, and packed all the same."""
    shop = shop_of()
    for name in placed(shop, [6000] * 4):
        shop.released(f"{name}/main/1")
        shop.cancel(name, at=PLACED + HOUR)
        shop.packed(f"{name}/main/1", at=PLACED + HOUR)
        shop.cancel(name, at=PLACED + 2 * HOUR)
    assert shop.books.get(CUSTOMERS, key(TIN, "c")).unearned == 0


@pytest.mark.parametrize(
    ("back", "rest"),
    [({"returned_units": 1, "faulty_units": 1}, 1), ({"returned_units": 1}, 6000)],
    ids=["faulty", "enough"],
)
def test_a_return_that_leaves_enough_keeps_nothing_unearned(back, rest):
    """Faulty goods count as kept, and what stays may earn the gift by itself."""
    shop = shop_of()
    for name in placed(shop, [6000] * 4):
        shop.packed(f"{name}/main/1")
        shop.amend(name, replaced(line(6000), **back), line(rest), at=PLACED + HOUR)
    assert shop.books.get(CUSTOMERS, key(TIN, "c")).unearned == 0


def test_an_order_that_earns_its_gift_again_counts_no_more():
    """And with another customer's key it is the other's."""
    shop = shop_of()
    placed(shop, [6000])
    cancelled(shop, "O0")
    assert shop.books.get(CUSTOMERS, key(TIN, "c")).unearned == 1
    shop.amend("O0", customer="d", status="cancelled")
    assert [shop.books.get(CUSTOMERS, key(TIN, name)).unearned for name in "cd"] == [0, 1]
    shop.amend("O0")
    assert shop.books.get(CUSTOMERS, key(TIN, "d")).unearned == 0
