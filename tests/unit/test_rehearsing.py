"""What a change would come to, case by case; that it is what two replays differ in is a property, tested there."""

from datetime import timedelta

from makeweight.adapters.local.rehearsing import Rehearsal
from makeweight.contracts.campaigns import read_campaign
from makeweight.domain.book import Book
from makeweight.domain.claims import Receipt, Transfer
from tests.support.build import PLACED, line, order
from tests.support.shop import amended, document, gives

MUG, TIN = "week/mug", "week/tin"


def page(**mug):
    """A tin from 90.00 on, else a mug from 40.00 on."""
    return document(
        gives("tin", at_least=90_00, group="g", rank=1), gives("mug", "MUG", at_least=40_00, group="g", rank=2, **mug)
    )


def rehearsed(*orders):
    """A day of these orders, with stock for all."""
    made = Rehearsal(Book([read_campaign(page())]))
    for offer, gift in ((TIN, "TIN"), (MUG, "MUG")):
        made.take_stock(Receipt(gift, offer, gift, "main", 5), PLACED)
    for one in orders:
        made.take_order(one, max(one.placed_at, one.revised_at))
    return made


def stood(difference):
    """By order and offer, the units without the change and with it."""
    return {
        (one.order, one.offer): (one.before.units if one.before else None, one.after.units if one.after else None)
        for one in difference.orders
    }


def changed(**mug):
    """The page with another mug."""
    return read_campaign(page(**mug) | {"revision": 2})


def test_an_order_that_would_have_held_nothing_chooses_anew():
    """It kept its place in the group with the mug that it held; with no mug to be had it would have had the tin."""
    first = order(line(45_00))
    day = rehearsed(first, amended(first, line(95_00), at=PLACED + timedelta(hours=1)))
    assert stood(day.difference(changed(caps={"total": 0}), PLACED)) == {("A", MUG): (1, None), ("A", TIN): (None, 1)}


def test_only_what_is_touched_is_run_again():
    """Orders before the instant stand as they did; where none is known after it, nothing is run and nothing differs."""
    orders = [order(line(45_00), order=f"O{n}", placed_at=PLACED + timedelta(hours=n)) for n in range(4)]
    day = rehearsed(*orders)
    assert stood(day.difference(changed(paused=True), PLACED + timedelta(hours=2))) == {
        ("O2", MUG): (1, None), ("O3", MUG): (1, None)
    }  # fmt: skip
    nothing = day.difference(changed(paused=True), PLACED + timedelta(hours=4))
    assert (nothing.orders, nothing.rerun) == ([], 0)
    assert [one.offer for one in nothing.offers] == [MUG, TIN]


def test_stock_that_came_from_an_offer_that_is_not_touched():
    """Its units are there with the change as without it."""
    apart = document(gives("tin", at_least=90_00), gives("mug", "MUG", at_least=40_00))
    paused = document(gives("tin", at_least=90_00), gives("mug", "MUG", at_least=40_00, paused=True)) | {"revision": 2}
    day = Rehearsal(Book([read_campaign(apart)]))
    day.take_stock(Receipt("r", TIN, "TIN", "main", 5), PLACED)
    day.take_order(order(line(45_00)), PLACED)
    day.take_stock(Transfer("van", TIN, "TIN", "main", 2, MUG, "main", PLACED), PLACED)
    (mug,) = day.difference(read_campaign(paused), PLACED).offers
    assert (mug.offer, mug.before.free_units, mug.after.free_units) == (MUG, {"TIN/main": 2}, {"TIN/main": 2})
