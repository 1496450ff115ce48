"""What offers ask of an order beside its value: class, destination, payment in time; and what counts for the value.

'Ex-n' is a worked example of the rules of the trade, 'rule n' one of its rules. They are common practice, no source,
unless one is named beside them.
"""

from datetime import UTC, datetime, timedelta

import pytest

from makeweight.domain.book import Book
from makeweight.domain.moments import days_after
from makeweight.domain.orders import Destination
from makeweight.domain.qualify import evaluate, judge_one
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced
from makeweight.planning.story import story
from tests.support.build import CURRENCY, MARKET, PLACED, WEEK, campaign, line, live, offer, order
from tests.support.shop import Shop, document, gives

SECOND, MINUTE, DAY = timedelta(seconds=1), timedelta(minutes=1), timedelta(days=1)
AMPLE = {("week/tin", "TIN", "main"): 1_000}


def says(shop: Shop, name: str = "A", offer: str = "week/tin") -> dict:
    """What the story of an order tells of an offer."""
    found = story(shop.state(name), [], shop.engine.book, shop.level)["offers"]
    return next(o for o in found if o["offer"] == offer)


# ---------------------------------------------------------------- classes of orders

CLASSES = ["retail", "staff", "wholesale", "marketplace", "subscription"]


@pytest.mark.parametrize("order_class", [*CLASSES, "replacement", "test"])
@pytest.mark.parametrize("named", [None, ["staff"], ["retail", "marketplace"], CLASSES])
def test_classes_that_a_campaign_names_take_part(order_class, named):
    """Rule 2.26: retail unless the campaign names others; replacements and tests never."""
    members = {} if named is None else {"classes": named}
    shop = Shop([document(gives(), **members)], AMPLE)
    shop.place(order(line(6000), order_class=order_class))
    takes_part = order_class in (named or ["retail"])
    assert bool(shop.ticket("A").gift_lines) is takes_part
    if not takes_part:
        told = says(shop)
        assert told["reason"] == Reason.ORDER_CLASS
        assert order_class in told["says"]


def test_each_class_has_its_own_campaigns():
    """Rule 2.26: one campaign for staff, one for customers, one for both, in one market and at one time."""
    book = Book(
        campaign(offer(), campaign=name, classes=classes)
        for name, classes in {"staff": ("staff",), "retail": ("retail",), "both": ("retail", "staff")}.items()
    )
    for _ in range(2):  # whichever is asked for first
        for order_class in ("retail", "staff"):
            on = book.live(PLACED, MARKET, CURRENCY, None, order_class)
            assert set(on.offers) == {f"{order_class}/tin", "both/tin"}
    pinned = book.live(PLACED, MARKET, CURRENCY, {"retail": 1, "both": 1}, "staff")
    assert set(pinned.offers) == {"staff/tin", "both/tin"}


@pytest.mark.parametrize("order_class", ["replacement", "test"])
def test_a_campaign_that_nobody_checked_lets_no_test_take_part(order_class):
    """Rule 2.26, where publishing was passed by."""
    book = Book([campaign(offer(), classes=("test", "replacement", "retail"))])
    assert book.live(PLACED, MARKET, CURRENCY, None, order_class).offers == {}


def test_an_order_that_changes_its_class_gives_back():
    """Rule 2.15: the whole order is judged again, here as one of staff, and once more as one of a customer."""
    shop = Shop([document(gives())], AMPLE)
    shop.place(order(line(6000)))
    shop.amend("A", order_class="staff")
    assert (shop.ticket("A").gift_lines, shop.balance().reserved) == ([], 0)
    shop.amend("A", order_class="retail")
    assert shop.balance().reserved == 1


@pytest.mark.parametrize("basis", ["charged", "before_discount"])
@pytest.mark.parametrize("by", ["total", "units", "line", "any"])
def test_an_order_that_is_charged_nothing_takes_part_in_nothing(by, basis):
    """Rule 2.26, zero-value: all of it is given away or discounted away. One cent makes it an order."""
    asked = offer(by=by, basis=basis, at_least=1)
    for discount, taking in ((6000, False), (5999, True)):
        bought = order(line(6000, total_list=7000), discount=discount)
        judged = judge_one(bought, asked)
        assert [j.offer for j in evaluate(bought, live(campaign(asked))).judgements] == ["week/tin"] * taking
        assert (judged.qualifies, judged.near_miss) == (taking, False)
        assert judged.reason == (None if taking else Reason.NO_PURCHASE)


def test_prices_of_an_order_that_is_charged_nothing_are_checked():
    """Rule 2.27: a lamp at 0.00 that is advertised at 27.00 is charged too little."""
    price = offer("lamp", kind="price", skus=["LAMP"], prices={"LAMP": 2700})
    (check,) = evaluate(order(line(0, sku="LAMP")), live(campaign(price))).prices
    assert check.due == -2700


# ---------------------------------------------------------------- destinations and services


@pytest.mark.parametrize(
    ("members", "country", "service", "fits"),
    [
        ({}, "", "", True),
        ({"only_to": ["IE", "GB"]}, "IE", "", True),
        ({"only_to": ["IE", "GB"]}, "US", "", False),
        ({"only_to": ["IE", "GB"]}, "", "", False),  # where it goes is not known
        ({"services": ["standard"]}, "", "standard", True),
        ({"services": ["standard"]}, "", "express", False),
        ({"services": ["standard"]}, "", "", False),
        ({"only_to": ["IE"], "services": ["standard"]}, "IE", "express", False),
    ],
)
@pytest.mark.parametrize("given", [{}, {"benefit": "free_shipping"}])
def test_offers_for_some_destinations_and_services(members, country, service, fits, given):
    """Rule 2.31: listed destinations and the standard service, for gifts as for benefits."""
    shop = Shop([document(gives(**given, **members))], AMPLE)
    shop.place(order(line(6000), destination=Destination(country), service=service))
    ticket, told = shop.ticket("A"), shop.told("A")
    assert bool(ticket.gift_lines or ticket.benefits) is fits
    assert (told.outcome, told.reason) == (("granted", None) if fits else ("declined", Reason.DESTINATION))


def test_an_order_that_meets_nothing_is_told_what_it_lacks():
    """The reason 'destination' is for an order that otherwise meets the offer."""
    shop = Shop([document(gives(only_to=["GB"]))], AMPLE)
    shop.place(order(line(1000), destination=Destination("IE")))
    assert says(shop)["reason"] == Reason.BELOW_THRESHOLD


def test_an_offer_for_elsewhere_gives_way_in_its_group():
    """Rule 2.5: eligibility comes before exclusivity, so the next of the group is claimed."""
    shop = Shop([document(gives("abroad", "CARD", group="g", rank=1, only_to=["GB"]), gives(group="g", rank=2))], AMPLE)
    shop.place(order(line(6000), destination=Destination("IE")))
    assert shop.told("A", "week/abroad").reason == Reason.DESTINATION
    assert shop.got("A")[0] == "granted"


def test_ex41_one_rule_with_two_benefits():
    """Ex-41: 'over 80 ships free + tin'. 80.00 has neither; at 80.01 the tin is out and free shipping stays.

    A return leaves 60.00: the benefit stays as it was, since only gifts are judged by what is kept.
    """
    shop = Shop([document(gives("ships", benefit="free_shipping", over=8000), gives(over=8000, clawback="deduct"))])
    shop.place(order(line(8000)), order(line(6001), line(2000), order="B"))
    assert [shop.ticket(n).benefits for n in "AB"] == [[], ["free_shipping"]]
    assert shop.got("B") == ("declined", 0, None, Reason.NO_STOCK)
    shop.amend("B", line(6001), line(2000, returned_units=1))
    assert shop.ticket("B").benefits == ["free_shipping"]
    kept = {j.offer: j.kept for j in shop.state("B").evaluation.judgements}
    assert kept["week/ships"] is None
    assert kept["week/tin"].units == 0


# ---------------------------------------------------------------- paid in time


@pytest.mark.parametrize(
    ("placed", "zone", "days", "expected"),
    [
        ("2026-11-24T23:50:00+00:00", "Europe/Dublin", 7, "2026-12-01T23:50:00+00:00"),
        # Seven days of New York's calendar over the end of summer time are 169 hours, over its start 167.
        ("2026-10-27T16:00:00+00:00", "America/New_York", 7, "2026-11-03T17:00:00+00:00"),
        ("2026-03-05T17:00:00+00:00", "America/New_York", 7, "2026-03-12T16:00:00+00:00"),
        # 01:30 on 1 November 2026 comes twice there, 02:30 on 8 March 2026 never (IANA tzdata): the later reading.
        ("2026-10-25T05:30:00+00:00", "America/New_York", 7, "2026-11-01T06:30:00+00:00"),
        ("2026-03-01T07:30:00+00:00", "America/New_York", 7, "2026-03-08T07:30:00+00:00"),
        ("9999-12-30T00:00:00+00:00", "Europe/Dublin", 7, "9999-12-31T23:59:59.999999+00:00"),
    ],
)
def test_days_of_the_zones_calendar(placed, zone, days, expected):
    """Rule 2.11: the same time on the wall, never so many times 24 hours, and the later where there is a choice."""
    assert days_after(datetime.fromisoformat(placed), zone, days) == datetime.fromisoformat(expected)


LATE = datetime(2026, 11, 24, 23, 50, tzinfo=UTC)
BY = LATE + 7 * DAY


@pytest.mark.parametrize(
    ("paid_at", "pay_by", "reason"),
    [
        (None, BY, None),
        (LATE, None, None),
        (BY, None, None),
        (BY + SECOND, BY, Reason.UNPAID),
        (LATE + 9 * DAY, BY, Reason.UNPAID),
    ],
)
def test_ex17_paid_within_seven_days(paid_at, pay_by, reason):
    """Ex-17: placed 23:50, a bank transfer that comes on day 9 where the limit is 7. Not paid yet, it is claimed."""
    shop = Shop([document(gives(paid_within_days=7))], AMPLE)
    shop.place(order(line(6000), placed_at=LATE, paid_at=paid_at))
    (judged,) = shop.state("A").evaluation.judgements
    assert (judged.pay_by, judged.reason) == (pay_by, reason)
    assert shop.balance().reserved == (reason is None)
    if reason:
        assert shop.told("A").sentence == "It was to be paid by 1 Dec 23:50 UTC, and was not."


def test_ex17_placed_before_the_end_and_authorised_after_it():
    """Ex-17: placed 23:59:58, authorised 00:00:07 the next day: in."""
    shop = Shop([document(gives())], AMPLE)
    shop.place(order(line(6000), placed_at=WEEK.end - 2 * SECOND, paid_at=WEEK.end + 7 * SECOND))
    assert shop.got("A")[0] == "granted"


def test_a_payment_that_comes_too_late_takes_the_gift():
    """Rule 2.12: a later snapshot says when it was paid; the reservation goes back."""
    shop = Shop([document(gives(paid_within_days=7))], AMPLE)
    shop.place(order(line(6000), placed_at=LATE))
    assert shop.balance().reserved == 1
    shop.amend("A", at=LATE + 9 * DAY, paid_at=LATE + 9 * DAY)
    assert shop.balance().reserved == 0
    assert shop.told("A").reason == Reason.UNPAID


# ---------------------------------------------------------------- topping up

AFTER = WEEK.end + DAY


@pytest.mark.parametrize(
    ("top_up", "added_at", "released_at", "qualified"),
    [
        (False, WEEK.end - MINUTE, None, True),
        (False, AFTER, None, False),
        (True, AFTER, None, True),
        (True, AFTER, AFTER + MINUTE, True),  # released later: what was added before is in
        (True, AFTER, AFTER, False),
        (True, AFTER, WEEK.start, False),
        (True, WEEK.end - MINUTE, WEEK.start, True),  # what is added inside the window counts in any case
    ],
)
def test_ex22_topping_up_while_unreleased(top_up, added_at, released_at, qualified):
    """Ex-22 and the variant of rule 2.15: 48.00 in the window, 5.00 the day after its end."""
    bought, asked = order(line(4800), line(500, added_at=added_at)), offer(top_up=top_up)
    (judged,) = evaluate(bought, live(campaign(asked)), released_at).judgements
    assert judged == judge_one(bought, asked, released_at)
    assert judged.qualifies is qualified


def test_ex22_both_sorts_of_offer_side_by_side():
    """Ex-22: the offer that lets the order be topped up has it, the other has not."""
    shop = Shop([document(gives(top_up=True), gives("card", "CARD"))], AMPLE | {("week/card", "CARD", "main"): 5})
    shop.place(order(line(4800)))
    shop.amend("A", line(4800), line(500, added_at=AFTER), at=AFTER)
    assert [g.gift for g in shop.ticket("A").gift_lines] == ["TIN"]


# ---------------------------------------------------------------- what counts


@pytest.mark.parametrize(
    ("bought", "worth"),
    [
        ([line(6000, total_list=6000)], 6000),
        ([line(6000)], 6000),  # no list price is no reduction
        ([line(6000, total_list=6001)], 0),
        ([line(6000, total_list=8000), line(1000)], 1000),
        ([line(6000, total_list=5000)], 6000),
    ],
)
@pytest.mark.parametrize("brands", [[], ["Alder"]])
def test_reduced_goods_do_not_count(bought, worth, brands):
    """Rule 2.1, variant (c). A code on the whole order reduces no item."""
    placed = order(*[replaced(one, brand="Alder") for one in bought])
    asked = offer(at_least=1, brands=brands, not_reduced=True)
    assert judge_one(placed, asked).worth == worth
    found = evaluate(placed, live(campaign(asked, offer("all", at_least=1)))).judgements
    assert {j.offer: j.worth for j in found if j.offer == "week/tin"} == ({"week/tin": worth} if worth else {})
    assert judge_one(replaced(placed, discount=1), asked).lines == judge_one(placed, asked).lines


@pytest.mark.parametrize(
    ("members", "lamps", "cancelled", "gifts"),
    [
        ({"at_least": 1, "for_each": True}, 3, 0, 3),  # with each lamp
        ({"at_least": 1, "for_each": True}, 3, 1, 2),  # one is cancelled before the release
        ({"at_least": 2, "for_each": True}, 3, 0, 1),  # with each pair
        ({"at_least": 2, "for_each": True}, 4, 0, 2),
        ({"at_least": 2, "for_each": True}, 4, 1, 1),
        ({"at_least": 1}, 3, 0, 1),  # once per order
        ({"at_least": 1}, 3, 2, 1),
        ({"at_least": 1}, 3, 3, 0),
    ],
)
def test_ex7_a_gift_with_each_lamp_and_its_variants(members, lamps, cancelled, gifts):
    """Ex-7 and the variants of rule 2.4: with each unit, each pair, or once per order."""
    shop = Shop([document(gives(by="units", brands=["Dogwood"], **members))], AMPLE)
    shop.place(order(line(9000, lamps, brand="Dogwood"), line(100, 7, brand="Elm")))
    shop.amend("A", line(9000, lamps, brand="Dogwood", cancelled_units=cancelled), line(100, 7, brand="Elm"))
    assert sum(g.units for g in shop.ticket("A").gift_lines) == gifts
    assert shop.balance().reserved == gifts


@pytest.mark.parametrize(
    ("charged", "members", "given"),
    [
        (10_000, {"group": "tiers", "rank": 1}, ["B"]),  # highest tier only
        (10_000, {}, ["A", "B"]),  # 'and also': cumulative
        (9_999, {"group": "tiers", "rank": 1}, ["A"]),
        (9_999, {}, ["A"]),
        (4_999, {}, []),
    ],
)
def test_ex11_the_highest_tier_or_all_of_them(charged, members, given):
    """Ex-11: 'spend 50 get A, spend 100 get B'. One group at one rank is the highest tier, no group is cumulative."""
    offers = [gives("a", "A", at_least=5000, **members), gives("b", "B", at_least=10_000, **members)]
    shop = Shop([document(*offers)], {("week/a", "A", "main"): 5, ("week/b", "B", "main"): 5})
    shop.place(order(line(charged)))
    assert [g.gift for g in shop.ticket("A").gift_lines] == given
