"""What a person who watches sees of a shop: numbers, clocks and signals, each after the events that make it."""

from datetime import timedelta

import pytest

from makeweight.insight.profile import Profile
from makeweight.planning.picture import Limits
from tests.support.build import PLACED, WEEK, ZONE, line, order
from tests.support.shop import Shop, document, gives, handled_gift
from tests.support.watching import of, picture, watched

HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
STOCK = {("week/tin", "TIN", "main"): 100}


def shop_of(*offers, stock=None, **members):
    """A shop of one campaign with a hundred tins."""
    return Shop([document(*(offers or [gives()]), **members)], STOCK if stock is None else stock)


def placed(shop, count, *, charged=60_00, every=MINUTE, start=PLACED, name="A", **members):
    """So many orders at even intervals; each by a customer of its own."""
    for n in range(count):
        at = start + n * every
        shop.place(order(line(charged), order=f"{name}{n}", placed_at=at, customer=f"c-{name}{n}", **members))
    return start + count * every


def signals(drawn):
    """The kinds of signals that are shown, with what they are about."""
    return {(s.kind, s.offer) for s in drawn.signals}


# ---------------------------------------------------------------- numbers


def test_rates_are_of_the_sets_that_the_trade_names():
    """Q of N, E of Q, packed of E, and near misses of those below: each with Wilson's interval around it."""
    shop = shop_of(stock={("week/tin", "TIN", "main"): 6})
    end = placed(shop, 10)
    placed(shop, 4, charged=47_00, name="near")
    placed(shop, 6, charged=10_00, name="far")
    for n in range(3):
        shop.packed(f"A{n}/main/1", end)
    rates = of(picture(shop, end + HOUR)).rates
    assert {name: (one.hits, one.tries) for name, one in rates.items()} == {
        "qualification": (10, 20),
        "entitlement": (6, 10),
        "near_miss": (4, 10),
        "take_up": (3, 6),
        "fill": (3, 6),
        "over_gift": (0, 3),
    }
    assert all(one.low < one.share < one.high or one.share == one.low == 0 for one in rates.values())


def test_nothing_tried_has_no_rate():
    """Of no orders no rate is known: neither 0 nor 100 %."""
    rates = of(picture(shop_of(), PLACED)).rates
    assert {(one.share, one.low, one.high) for one in rates.values()} == {(None, None, None)}


def test_money_of_an_offer():
    """The cost is of what was packed; the revenue of qualified orders, after discounts, without what came back."""
    gift = {"gift": "TIN", "title": "Tin", "stated_value": 600, "unit_cost": 210}
    cautions = {"dangerous_goods": "none", "age": "none", "food": "none"}
    shop = shop_of(gifts=[{**gift, "cautions": cautions}])
    shop.place(order(line(60_00), line(20_00), order="A0", discount=10_00))
    shop.place(order(line(30_00), order="small"))
    shop.packed("A0/main/1", PLACED)
    shown = of(picture(shop, PLACED + HOUR))
    assert (shown.revenue, shown.gift_cost) == (70_00, 210)
    shop.amend("A0", line(60_00), line(20_00, returned_units=1), at=PLACED + MINUTE)
    assert of(picture(shop, PLACED + HOUR)).revenue == 52_50
    shop.cancel("A0", at=PLACED + 2 * MINUTE)
    assert of(picture(shop, PLACED + HOUR)).revenue == 0


def test_the_share_of_the_largest_customers():
    """Twelve customers, one of whom took nine of twenty units: the ten largest hold all but two."""
    shop = shop_of()
    placed(shop, 11)
    for n in range(9):
        shop.place(order(line(60_00), order=f"B{n}", customer="c-one"))
    shown = of(picture(shop, PLACED + HOUR))
    assert (shown.customers, shown.top_share) == (12, pytest.approx(18 / 20))


def test_demand_is_counted_where_it_was_asked_for():
    """Units by the hour of placing; what an order gives back was not asked for in the end."""
    shop = shop_of()
    placed(shop, 3, start=PLACED)
    placed(shop, 2, start=PLACED + HOUR, name="B")
    shop.cancel("B0", at=PLACED + HOUR + 5 * MINUTE)
    shown = of(picture(shop, PLACED + HOUR + 10 * MINUTE))
    assert shown.units_by_hour[-2:] == [3, 1]
    assert sum(shown.units_by_hour) == 4
    assert shown.stock[0].units_by_hour == shown.units_by_hour


# ---------------------------------------------------------------- the clock


def test_a_clock_tells_an_interval_and_when_to_act():
    """Sixty tins an hour and forty left: gone within the hour, so whoever needs three hours must act now."""
    shop = shop_of()
    end = placed(shop, 60)
    clock = of(picture(shop, end)).clock
    assert clock.hours_p05 < 40 / 60 < clock.hours_p95
    assert clock.act_now
    assert clock.before_end > 0.999


def test_hours_without_stock_are_no_slow_hours():
    """After six hours without a tin the burn is still what it was while there were some."""
    shop = shop_of(stock={("week/tin", "TIN", "main"): 60})
    end = placed(shop, 60)
    shop.place(order(line(60_00), order="late", placed_at=end))
    shop.receive("week/tin", "TIN", 120, at=end + 6 * HOUR)
    after = placed(shop, 30, start=end + 6 * HOUR, name="B")
    shown = of(picture(shop, after)).stock[0]
    assert shown.burn_units_per_hour == pytest.approx(60, rel=0.05)


def test_a_cap_runs_out_like_stock():
    """What the cap leaves is less than what lies there: the offer's clock is of the cap, the shelf's of the shelf."""
    shop = shop_of(gives(caps={"total": 20}))
    end = placed(shop, 15)
    shown = of(picture(shop, end))
    assert (shown.left_units, shown.stock[0].balance.free) == (5, 85)
    assert shown.clock.hours_p50 < shown.stock[0].clock.hours_p50 / 5


def test_no_clock_before_the_first_order_or_after_the_end():
    """Of an offer that nobody has asked for nothing is known; one that is over has no run-out."""
    shop = shop_of()
    assert of(picture(shop, PLACED)).clock is None
    placed(shop, 5)
    assert of(picture(shop, WEEK.end + HOUR)).clock is None


# ---------------------------------------------------------------- signals


def test_a_quiet_feed_is_a_signal_and_a_short_pause_is_none():
    """One order a minute: after five minutes that can be, after two hours it can't."""
    shop = shop_of()
    end = placed(shop, 120)
    assert ("feed_gap", None) not in signals(picture(shop, end + 5 * MINUTE))
    assert ("feed_gap", None) in signals(picture(shop, end + 2 * HOUR))


def test_a_quiet_night_is_no_gap_for_a_profile_that_knows_it():
    """The same two hours, where the profile says that nobody buys then."""
    shop = shop_of()
    end = placed(shop, 240, start=WEEK.start + 20 * HOUR)
    night = [0.001 if hour < 7 else 1.0 for hour in range(24)]
    weights = [weight / (sum(night) / 24) for weight in night * 7]
    assert ("feed_gap", None) in signals(picture(shop, end + 2 * HOUR))
    assert ("feed_gap", None) not in signals(picture(shop, end + 2 * HOUR, Profile(ZONE, tuple(weights))))


def test_a_drop_in_demand_is_told_apart_from_a_gap():
    """Orders go on, far fewer than the profile expects."""
    shop = shop_of()
    end = placed(shop, 300)
    last = placed(shop, 6, start=end, every=20 * MINUTE, name="B")
    kinds = signals(picture(shop, last - 20 * MINUTE, Profile.flat(ZONE)))
    assert ("demand_drop", None) in kinds
    assert ("feed_gap", None) not in kinds


def test_an_offer_that_stopped_giving():
    """Every order got a tin until none of the next forty did, though nothing was said of stock or caps."""
    shop = shop_of()
    end = placed(shop, 40)
    assert ("silent_offer", "week/tin") not in signals(picture(shop, end))
    last = placed(shop, 40, charged=10_00, start=end, name="B")
    assert ("silent_offer", "week/tin") in signals(picture(shop, last))


def test_an_offer_that_never_began_to_give():
    """Three hundred units are expected in the week, and after a day of orders there was none."""
    for expected, said in ((300, True), (None, False), (3, False)):
        named = {} if expected is None else {"expected_units": expected}
        shop = shop_of(gives(**named))
        last = placed(shop, 24, charged=10_00, start=WEEK.start, every=HOUR)
        assert (("silent_offer", "week/tin") in signals(picture(shop, last))) is said


def test_an_exhausted_offer_is_silent_with_reason_and_still_announced():
    """It can't give, so its silence is none; that it is still announced is told until someone says that it is not."""
    shop = shop_of(stock={("week/tin", "TIN", "main"): 3})
    end = placed(shop, 60)
    drawn = picture(shop, end)
    assert of(drawn).state == "exhausted"
    assert signals(drawn) == {("still_advertised", "week/tin")}


def test_a_gift_that_was_granted_and_not_packed():
    """After a day it is told, oldest first; packing it, or taking it off the order, ends that."""
    shop = shop_of()
    placed(shop, 3)
    limits = Limits(packed_within=24 * HOUR)
    assert ("not_packed", "week/tin") not in signals(picture(shop, PLACED + 23 * HOUR, None, limits))
    drawn = picture(shop, PLACED + 25 * HOUR, None, limits)
    told = next(s for s in drawn.signals if s.kind == "not_packed")
    assert "3 orders were" in told.sentence
    assert told.figure == 3
    assert told.sentence.endswith("the first is A0.")
    shop.packed("A0/main/1", PLACED + 25 * HOUR)
    shop.cancel("A1", at=PLACED + 25 * HOUR)
    told = next(s for s in picture(shop, PLACED + 26 * HOUR, None, limits).signals if s.kind == "not_packed")
    assert told.sentence.startswith("1 order was")
    assert told.sentence.endswith("the first is A2.")


# ---------------------------------------------------------------- exceptions


def test_exceptions_are_open_until_they_are_closed():
    """An owed gift stands on the desk with its sentence until stock serves it; a near miss is none of it."""
    shop = shop_of(gives(when_out="owed"), stock={})
    shop.place(order(line(60_00), order="A"), order(line(48_00), order="near"))
    drawn = picture(shop, PLACED + HOUR)
    assert drawn.counts == {"owed_gift": 1}
    assert drawn.exceptions["owed_gift"][0].order == "A"
    shop.receive("week/tin", "TIN", 1, at=PLACED + HOUR)
    assert picture(shop, PLACED + 2 * HOUR).counts == {}


def test_an_older_notice_does_not_open_again_what_a_newer_one_changed():
    """Notices are levels: of one id the newest counts, in whatever order they are read."""
    shop = shop_of(gives(when_out="owed"), stock={})
    shop.place(order(line(60_00), order="A"))
    shop.amend("A", line(60_00), line(60_00), at=PLACED + MINUTE)
    said = [o.body for o in shop.said if o.channel == "notices" and o.body.kind == "owed_gift"]
    watch = watched(shop)
    watch.notice(said[0])
    assert watch.exceptions[said[0].id] == said[-1]


# ---------------------------------------------------------------- the fold


def test_what_is_out_is_what_the_balances_say():
    """Reserved and released units of all orders, whatever the floor did with them, also where some went missing."""
    shop = shop_of()
    placed(shop, 8)
    shop.released("A0/main/1")
    shop.packed("A1/main/1")
    shop.released("A2/main/1")
    shop.packed("A2/main/1")
    shop.short_picked("A3/main/1", lines=[handled_gift(1)])
    shop.cancel("A4", at=PLACED + HOUR)
    shop.released("A5/main/1")
    shop.put_back("A5/main/1")
    balance, watch = shop.balance(), watched(shop)
    assert sum(out.units for out in watch.out.values()) == balance.reserved + balance.released
    assert {order for _, order in watch.out} >= {"A0", "A6", "A7"}


def test_a_pause_is_no_slow_time():
    """While an offer is paused nothing is asked of it: it says so, is not silent, and its burn is as it was."""
    paused = [
        document(gives()),
        document(gives(paused=True), revision=2, effective=(PLACED + HOUR).isoformat()),
        document(gives(), revision=3, effective=(PLACED + 7 * HOUR).isoformat()),
    ]
    shop = Shop(paused, {("week/tin", "TIN", "main"): 200})
    placed(shop, 60)
    placed(shop, 30, start=PLACED + HOUR, every=10 * MINUTE, name="P")
    drawn = picture(shop, PLACED + 6 * HOUR)
    assert of(drawn).state == "paused"
    assert ("silent_offer", "week/tin") not in signals(drawn)
    end = placed(shop, 30, start=PLACED + 7 * HOUR, name="B")
    shown = of(picture(shop, end))
    assert (shown.state, shown.granted_units) == ("live", 90)
    assert shown.stock[0].burn_units_per_hour == pytest.approx(60, rel=0.05)
