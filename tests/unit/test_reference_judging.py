"""The reference model on who takes part, which gift may go and from where, value used once, time to pay, and returns.

'Ex-n' is a worked example of the rules of the trade (common practice, no source), 'Rule n' one of its rules. Other
figures are worked by hand.
"""

import json
from datetime import datetime
from pathlib import Path

import pytest

from tests.support.reference import CAUTION, DESTINATION, NO_STOCK, UNPAID, VALUE_USED
from tests.support.reference_cases import (
    accounts,
    campaign,
    gift,
    held,
    line,
    offer,
    outcome,
    played,
    snapshot,
)

TIN = [("week/tin", "TIN", "main", 9)]
READ_OF_ORDERS = (
    "order revision status placed_at market currency order_class customer discount lines destination country area lane "
    "service paid_at chosen_gift age_answer number sku brand categories kind units total_charged total_list added_at "
    "cancelled_units returned_units faulty_units site back_ordered"
)


def test_every_member_that_the_model_reads_is_one_of_the_wire():
    """A misspelt member would read as absent, and the model would agree with nothing to disagree about."""
    schema = json.loads((Path(__file__).parents[2] / "schemas/order-event.schema.json").read_text())
    parts = [schema, *schema.get("$defs", {}).values()]
    known = {name for part in parts for name in part.get("properties", {})}
    assert set(READ_OF_ORDERS.split()) <= known


# ---------------------------------------------------------------- who takes part


@pytest.mark.parametrize(
    ("classes", "order_class", "granted"),
    [
        (None, "retail", True),
        (None, "staff", False),
        (["staff", "wholesale"], "staff", True),
        (["staff", "wholesale"], "retail", False),
        (["subscription"], "subscription", True),
        (["retail", "replacement"], "replacement", False),
        (["retail", "test"], "test", False),
    ],
)
def test_order_classes_of_the_campaign(classes, order_class, granted):
    """Rule 2.26: the classes that the campaign names take part; replacements and tests never."""
    members = {"classes": classes} if classes else {}
    reference = played([campaign(offer(), **members)], TIN, snapshot("A", line(5000), order_class=order_class))
    assert held(reference, "A") == (("TIN", "main", 1) if granted else None)
    assert bool(reference.qualifying("A")) == granted


@pytest.mark.parametrize(
    ("lines", "discount", "takes_part"),
    [
        ((line(0, total_list=5000),), 0, False),
        ((line(5000),), 5000, False),
        ((line(5000),), 4999, True),
        ((line(0), line(2500, number=2, kind="gift_card")), 0, False),
        ((line(0, total_list=5000), line(1, number=2)), 0, True),
    ],
)
def test_an_order_whose_goods_are_free_takes_part_in_nothing(lines, discount, takes_part):
    """Rule 2.26: zero-value orders, by list price and by count too."""
    by_list = offer("list", counts={"at_least": 1, "basis": "before_discount"})
    by_units = offer("units") | {"counts": {"by": "units", "at_least": 1}}
    reference = played([campaign(by_list, by_units)], [], snapshot("A", *lines, discount=discount))
    assert set(reference.qualifying("A")) == ({"week/list", "week/units"} if takes_part else set())


@pytest.mark.parametrize(
    ("members", "destination", "service", "reason"),
    [
        ({"only_to": ["IE", "GB"]}, {"country": "IE"}, "standard", None),
        ({"only_to": ["IE", "GB"]}, {"country": "FR"}, "standard", DESTINATION),
        ({"only_to": ["IE"]}, {}, "standard", DESTINATION),
        ({"services": ["standard"]}, {}, "standard", None),
        ({"services": ["standard"]}, {}, "express", DESTINATION),
        ({"only_to": ["IE"], "services": ["standard"]}, {"country": "IE"}, "express", DESTINATION),
        ({}, {}, "express", None),
    ],
)
def test_destinations_and_services(members, destination, service, reason):
    """Rule 2.31: listed destinations, standard service. Met but not to be had: told, and not claimed."""
    event = snapshot("A", line(5000), destination=destination, service=service)
    reference = played([campaign(offer(**members))], TIN, event)
    assert reference.told("A") == ({"week/tin": (DESTINATION, None)} if reason else {})
    assert bool(held(reference, "A")) == (reason is None)
    assert "week/tin" in reference.qualifying("A")


def test_an_order_that_would_not_meet_the_offer_is_told_nothing_of_its_destination():
    """Rule 2.31 as designed: the reason is said only where the order otherwise meets the offer."""
    reference = played([campaign(offer(only_to=["IE"]))], TIN, snapshot("A", line(4999)))
    assert reference.told("A") == {}


@pytest.mark.parametrize(
    ("not_reduced", "discount", "expected"), [(True, 0, 3000), (False, 0, 5000), (True, 500, 2700)]
)
def test_reduced_goods_may_not_count(not_reduced, discount, expected):
    """Rule 2.1 (c): 20.00 of 25.00 is reduced, 30.00 without a list price is not, an order's discount reduces nothing.

    Of 5.00 off 50.00 the 30.00 bear 3.00.
    """
    counts = {"at_least": 1, "not_reduced": not_reduced}
    event = snapshot("A", line(2000, total_list=2500), line(3000, number=2), discount=discount)
    reference = played([campaign(offer(counts=counts))], TIN, event)
    assert reference.qualifying("A")["week/tin"][0] == expected


@pytest.mark.parametrize(
    ("top_up", "released_before", "granted"), [(True, False, True), (True, True, False), (False, False, False)]
)
def test_ex22_top_up_while_unreleased(top_up, released_before, granted):
    """Ex-22, the variant of rule 2.15: 48.00 in the window, 5.00 the day after, before or after the release."""
    before = line(4800)
    late = line(500, number=2, added_at="2026-11-30T10:00:00Z")
    reference = played([campaign(offer(top_up=top_up))], TIN, snapshot("A", before))
    if released_before:
        reference.released("A", "A/main", at="2026-11-30T09:00:00Z")
    reference.order(snapshot("A", before, late, revision=2, status="amended"))
    assert held(reference, "A") == (("TIN", "main", 1) if granted else None)


def test_what_topped_an_order_up_counts_on_after_the_release():
    """Rule 2.16: the release freezes a ticket, it takes no gift away."""
    late = [line(300, number=at, added_at=f"2026-11-30T1{at}:00:00Z") for at in (2, 3)]
    each = offer(top_up=True, counts={"at_least": 1000}, gives={"for_each": True})
    reference = played([campaign(each)], TIN, snapshot("A", line(1800), late[0]))
    reference.released("A", "A/main", at="2026-11-30T13:00:00Z")
    reference.order(snapshot("A", line(1800), *late, line(900, number=4), revision=2))
    assert reference.qualifying("A")["week/tin"][0] == 3000, "18.00 + 3.00 + 9.00, but not the second 3.00"


# ---------------------------------------------------------------- value used once


def once(name, at_least, **members):
    """An offer of a total that uses up what it counts."""
    counts = {"by": "total", "at_least": at_least} | members.pop("counts", {})
    return offer(name, value_used="once", **members) | {"counts": counts}


def test_ex12_value_used_once():
    """Ex-12: Alder for 30.00 first, then 90.00 of 120.00 are left for 'order 100': not met, and near."""
    offers = [once("one", 3000, counts={"brands": ["Alder"]}, rank=1), once("two", 10000, rank=2)]
    stock = [("week/one", "TIN", "main", 1), ("week/two", "TIN", "main", 1)]
    event = snapshot("A", line(3000, brand="Alder"), line(9000, number=2))
    reference = played([campaign(*offers)], stock, event)
    assert reference.qualifying("A") == {"week/one": (3000, 1, True, False), "week/two": (9000, 1, False, True)}
    assert reference.told("A") == {"week/two": (VALUE_USED, "week/one")}
    assert set(reference.outcomes()) == {("A", "week/one")}
    shared = [offer("two", counts={"at_least": 10000}), *offers[:1]]
    assert set(played([campaign(*shared)], stock, event).outcomes()) == {("A", "week/one"), ("A", "week/two")}


def test_value_is_used_in_the_order_of_the_lines():
    """By hand: 'over 20' takes 20.01, the 15.00 first and 5.01 of the 30.00; 24.99 of the second brand are left."""
    first = once("one", 0, rank=1) | {"counts": {"by": "total", "over": 2000}}
    second = once("two", 2499, rank=2, counts={"brands": ["Birch"]})
    third = once("three", 1, rank=3)
    event = snapshot("A", line(1500, brand="Alder"), line(3000, number=2, brand="Birch"))
    reference = played([campaign(first, second, third)], [], event)
    assert reference.qualifying("A")["week/two"] == (2499, 1, True, False)
    assert reference.told("A") == {"week/three": (VALUE_USED, "week/two")}, "until the second there were 24.99 left"


def test_only_what_is_claimed_uses_value():
    """By hand: an offer that may not go there uses nothing, and a benefit given outright does."""
    far = once("far", 5000, rank=1, only_to=["GB"])
    ships = {"offer": "ships", "rank": 2, "value_used": "once", "gives": {"benefit": "free_shipping"}}
    ships["counts"] = {"by": "total", "at_least": 3000}
    reference = played([campaign(far, ships, once("tin", 2001, rank=3))], [], snapshot("A", line(5000)))
    assert reference.told("A") == {"week/far": (DESTINATION, None), "week/tin": (VALUE_USED, "week/ships")}


@pytest.mark.parametrize(
    ("group", "charged", "granted"), [("g", 10000, {"B"}), ("g", 9999, {"A"}), (None, 10000, {"A", "B"})]
)
def test_ex11_tiers(group, charged, granted):
    """Ex-11: one group and one rank is the highest tier only, no group is all that are reached."""
    tiers = [
        offer("a", gift="A", counts={"at_least": 5000}, group=group, rank=5),
        offer("b", gift="B", counts={"at_least": 10000}, group=group, rank=5),
    ]
    stock = [("week/a", "A", "main", 1), ("week/b", "B", "main", 1)]
    reference = played([campaign(*tiers, gifts=("A", "B"))], stock, snapshot("O", line(charged)))
    assert {one["gift"] for one in reference.outcomes().values()} == granted


# ---------------------------------------------------------------- choice, substitutes, cautions


@pytest.mark.parametrize(
    ("chosen", "expected"),
    [
        ("ROSE", ("ROSE", "N", 1)),
        ("PLUM", ("PLAIN", "N", 1)),
        ("PLAIN", ("PLAIN", "N", 1)),
        (None, ("PLAIN", "N", 1)),
        ("PAD", ("PLAIN", "N", 1)),
    ],
)
def test_ex14_choice_and_default(chosen, expected):
    """Ex-14: the chosen shade where the order ships from, else the default; never another site's, nor a stray wish."""
    shades = offer(gift="PLAIN", gives={"choice": ["ROSE", "PLUM"]})
    stock = [("week/tin", "ROSE", "N", 1), ("week/tin", "PLUM", "S", 1), ("week/tin", "PLAIN", "N", 1)]
    week = campaign(shades, gifts=[gift(name) for name in ("PLAIN", "ROSE", "PLUM", "PAD")])
    reference = played([week], stock, snapshot("A", line(5000, site="N"), chosen_gift=chosen))
    assert held(reference, "A") == expected


@pytest.mark.parametrize(
    ("announced", "substitute", "granted"),
    [
        (gift(), gift("PAD"), True),
        (gift(), gift("PAD", 499), False),
        (gift(), gift("PAD", 501), True),
        (gift(food={"allergens": ["gluten"]}), gift("PAD", food={"allergens": ["gluten", "tree nuts"]}), False),
        (gift(food={"allergens": ["gluten", "milk"]}), gift("PAD", food={"allergens": ["milk"]}), True),
        (gift(), gift("PAD", food={"allergens": []}), True),
        (gift(), gift("PAD", carries=["fragrance"]), False),
        (gift(carries=["fragrance", "small parts"]), gift("PAD", carries=["fragrance"]), True),
        (gift(age="adult"), gift("PAD", age="adult"), True),
        (gift(), gift("PAD", age="adult"), False),
        (gift(dangerous_goods={"class": "3", "lanes": ["ground", "air"]}), gift("PAD"), True),
        (gift(), gift("PAD", dangerous_goods={"class": "3", "lanes": ["ground", "air"]}), False),
        (
            gift(dangerous_goods={"class": "9", "lanes": ["ground", "air"]}),
            gift("PAD", dangerous_goods={"class": "3", "lanes": ["ground", "air"]}),
            False,
        ),
    ],
)
def test_ex46_a_substitute_crosses_no_caution_and_is_worth_no_less(announced, substitute, granted):
    """Ex-46 and rule 2.9: an oat bar is not replaced by one with nuts, nor a gift by one worth less."""
    week = campaign(offer(gives={"otherwise": ["PAD"]}), gifts=(announced, substitute))
    stock = [("week/tin", "PAD", "main", 1)]
    reference = played([week], stock, snapshot("A", line(5000), age_answer="adult"))
    assert held(reference, "A") == (("PAD", "main", 1) if granted else (None, None, 0))


PERFUME = {"dangerous_goods": {"class": "3", "lanes": ["ground"]}}
SAFE = {"dangerous_goods": {"class": "3", "lanes": ["ground", "air"]}}


@pytest.mark.parametrize(
    ("cautions", "members", "goes"),
    [
        (PERFUME, {"destination": {"lane": "ground"}}, True),
        (PERFUME, {"destination": {"lane": "air"}}, False),
        (PERFUME, {"destination": {"lane": "any"}}, False),
        (PERFUME, {}, False),
        (SAFE, {}, True),
        ({"dangerous_goods": {"class": "3"}}, {"destination": {"lane": "ground"}}, False),
        ({"age": "adult"}, {}, False),
        ({"age": "adult"}, {"age_answer": "minor"}, False),
        ({"age": "adult"}, {"age_answer": "adult"}, True),
        ({"never_to": ["US"]}, {"destination": {"country": "US"}}, False),
        ({"never_to": ["US-HI"]}, {"destination": {"country": "US", "area": "US-HI"}}, False),
        ({"never_to": ["US"]}, {"destination": {"country": "IE"}}, True),
        ({"never_to": ["US"]}, {}, False),
        ({"food": {"allergens": ["milk"]}}, {}, True),
        ({"food": {"allergens": []}}, {}, True),
        ({"food": None}, {}, False),
        ({"age": None}, {"age_answer": "adult"}, False),
        ({"dangerous_goods": None}, {"destination": {"lane": "ground"}}, False),
        ({"carries": ["small parts"]}, {}, True),
    ],
)
def test_cautions_of_the_order(cautions, members, goes):
    """Rule 2.33: by lane, age and destination, and what nobody answered blocks. Ex-45: adult only, age unknown."""
    week = campaign(offer(), gifts=(gift(**cautions),))
    reference = played([week], TIN, snapshot("A", line(5000), **members))
    assert held(reference, "A") == (("TIN", "main", 1) if goes else None)
    assert reference.told("A") == ({} if goes else {"week/tin": (CAUTION, None)})


def test_ex44_a_gift_that_may_not_fly_is_replaced():
    """Ex-44: a mini perfume does not go by air, a card holder does."""
    week = campaign(offer(gives={"otherwise": ["CARDS"]}), gifts=(gift(**PERFUME), gift("CARDS")))
    stock = [*TIN, ("week/tin", "CARDS", "main", 9)]
    events = [snapshot(lane, line(5000), destination={"lane": lane}) for lane in ("air", "ground")]
    reference = played([week], stock, *events)
    assert held(reference, "air") == ("CARDS", "main", 1)
    assert held(reference, "ground") == ("TIN", "main", 1)


@pytest.mark.parametrize(
    ("ships_from", "country", "customs", "goes"),
    [
        ("IE", "US", None, False),
        ("IE", "US", {"hs_code": "4820.10", "origin": "IE"}, True),
        ("IE", "IE", None, True),
        ("IE", "", None, True),
        ("", "US", None, True),
    ],
)
def test_across_a_border_a_gift_needs_customs_data(ships_from, country, customs, goes):
    """Rule 2.32: a gift is a line of its own on the declaration, so without data it may not cross."""
    week = campaign(offer(), gifts=(gift() | {"customs": customs},), ships_from=ships_from)
    reference = played([week], TIN, snapshot("A", line(5000), destination={"country": country}))
    assert held(reference, "A") == (("TIN", "main", 1) if goes else None)


# ---------------------------------------------------------------- where the gift rides


ALDER_N, BIRCH_S = line(3000, site="N", brand="Alder"), line(3000, number=2, site="S", brand="Birch")
WAITS = {"back_ordered": True}


@pytest.mark.parametrize(
    ("gives", "counts", "lines", "expected"),
    [
        ({}, {}, (ALDER_N, BIRCH_S), ["N", "S"]),
        ({}, {"brands": ["Birch"]}, (ALDER_N, BIRCH_S), ["S", "N"]),
        ({"rides_with": "last"}, {}, (ALDER_N, BIRCH_S), ["S", "N"]),
        ({"rides_with": "last"}, {}, (ALDER_N | WAITS, BIRCH_S), ["N", "S"]),
        ({"rides_with": "last"}, {"brands": ["Birch"]}, (BIRCH_S, ALDER_N), ["N", "S"]),
        ({"rides_with": "trigger"}, {"brands": ["Alder"]}, (ALDER_N, BIRCH_S), ["N"]),
        ({"rides_with": "trigger", "own_parcel": ["X", "N"]}, {"brands": ["Alder"]}, (ALDER_N, BIRCH_S), ["N", "X"]),
        ({"own_parcel": ["X"]}, {"brands": ["Birch"]}, (ALDER_N, BIRCH_S), ["S", "N", "X"]),
        ({"rides_with": "last", "own_parcel": ["X"]}, {}, (ALDER_N, BIRCH_S), ["S", "N", "X"]),
    ],
)
def test_ex28_where_the_gift_rides(gives, counts, lines, expected):
    """Ex-28 and rule 2.19: the sites in turn, as one after the other has the only gift."""
    week = campaign(offer(gives=gives, counts={"at_least": 3000} | counts))
    stock = [("week/tin", "TIN", site, 1) for site in "NSX"]
    reference = played([week], stock, *(snapshot(str(at), *lines) for at in range(4)))
    sites = [held(reference, str(at))[1] for at in range(4)]
    assert [site for site in sites if site] == expected
    assert outcome(reference, "3") == ("declined", 0, 0, NO_STOCK)


# ---------------------------------------------------------------- paid in time


def test_ex17_unpaid_for_seven_days_lapses():
    """Ex-17: placed 23:50, limit 7 days: the reservation is given back at day 7, a payment on day 9 is too late."""
    week = campaign(offer(paid_within_days=7))
    placed = {"placed_at": "2026-11-29T23:50:00+00:00"}
    reference = played([week], TIN, snapshot("A", line(5000), **placed))
    assert reference.pay_by("A") == {"week/tin": datetime.fromisoformat("2026-12-06T23:50:00+00:00")}
    reference.time("2026-12-06T23:49:59Z")
    assert accounts(reference) == (8, 1, 0, 0)
    reference.time("2026-12-06T23:50:00Z")
    assert accounts(reference) == (9, 0, 0, 0)
    assert outcome(reference, "A") is None
    assert reference.told("A") == {"week/tin": (UNPAID, None)}
    reference.order(snapshot("A", line(5100), revision=2, **placed))
    assert outcome(reference, "A") is None, "still unpaid"
    reference.order(snapshot("A", line(5100), revision=3, paid_at="2026-12-08T10:00:00Z", **placed))
    assert reference.told("A") == {"week/tin": (UNPAID, None)}
    reference.order(snapshot("A", line(5100), revision=4, paid_at="2026-12-06T23:50:00Z", **placed))
    assert outcome(reference, "A") == ("granted", 1, 0, None), "paid in time, told late"


def test_ex17_paid_in_time_never_lapses():
    """Ex-17: placed 23:59:58, authorised the next day is in."""
    paid = snapshot("A", line(5000), placed_at="2026-11-29T23:59:58Z", paid_at="2026-11-30T00:00:07Z")
    reference = played([campaign(offer(paid_within_days=7))], TIN, paid)
    reference.time("2027-01-01T00:00:00Z")
    assert outcome(reference, "A") == ("granted", 1, 0, None)
    assert reference.pay_by("A") == {}


@pytest.mark.parametrize(
    ("zone", "placed_at", "days", "expected"),
    [
        # New York, 1 Nov 2026, 01:30 is there twice: the second, at -05:00.
        ("America/New_York", "2026-10-31T01:30:00-04:00", 1, "2026-11-01T06:30:00+00:00"),
        # 8 Mar 2026, 02:30 is not there: read at the offset before the gap it is the later instant.
        ("America/New_York", "2026-03-07T02:30:00-05:00", 1, "2026-03-08T07:30:00+00:00"),
        # A day of 25 hours in Dublin: the wall clock says the same, the elapsed time is more.
        ("Europe/Dublin", "2026-10-24T12:00:00+01:00", 1, "2026-10-25T12:00:00+00:00"),
    ],
)
def test_pay_by_is_wall_clock(zone, placed_at, days, expected):
    """Rule 2.11: never so many times 24 hours, and the later reading where the clock changes."""
    always = {"from": "2026-01-01 00:00", "until": "2027-01-01 00:00"}
    week = campaign(offer(paid_within_days=days), zone=zone, **always)
    reference = played([week], TIN, snapshot("A", line(5000), placed_at=placed_at))
    assert reference.pay_by("A")["week/tin"] == datetime.fromisoformat(expected)


def test_a_lapse_passes_value_and_group_on():
    """By hand: what a lapsed offer used is free again, and the next of its group is claimed."""
    first = once("one", 5000, rank=1, paid_within_days=1)
    stock = [("week/one", "TIN", "main", 1), ("week/two", "TIN", "main", 1)]
    reference = played([campaign(first, once("two", 5000, rank=2))], stock, snapshot("A", line(6000)))
    assert set(reference.outcomes()) == {("A", "week/one")}
    reference.time("2026-11-25T00:00:00Z")
    assert set(reference.outcomes()) == {("A", "week/two")}
    grouped = [offer("one", group="g", rank=1, paid_within_days=1), offer("two", group="g", rank=2)]
    reference = played([campaign(*grouped)], stock, snapshot("A", line(6000)))
    reference.time("2026-11-25T00:00:00Z")
    assert set(reference.outcomes()) == {("A", "week/two")}


# ---------------------------------------------------------------- goods that come back


def returned(policy="deduct", *, faulty=0, packed=1, **members):
    """Ex-26: 60.00 in two lines, the gift worth 8.00 packed, then the 15.00 come back."""
    week = campaign(offer(clawback=policy, **members), gifts=(gift(value=800),))
    lines = (line(4500), line(1500, number=2))
    reference = played([week], TIN, snapshot("A", *lines))
    if packed:
        reference.gift_fact("A", "week/tin", "packed", packed)
    back = line(1500, number=2, returned_units=1, faulty_units=faulty)
    reference.order(snapshot("A", lines[0], back, revision=2))
    return reference


def test_ex26_clawback_by_policy():
    """Ex-26: of 15.00 refunded, 8.00 less if the gift is kept, nothing less if it comes back or the goods were bad."""
    for policy, expected in (("none", {}), ("deduct", {"week/tin": 800}), ("gift_back", {"week/tin": 1500})):
        reference = returned(policy)
        assert reference.kept("A") == {"week/tin": (0, 1500)}
        assert reference.clawback("A") == expected
        assert returned(policy, faulty=1).kept("A") == {"week/tin": (1, 0)}
        assert returned(policy, faulty=1).clawback("A") == {}
        reference.gift_fact("A", "week/tin", "returned", 1)
        assert reference.clawback("A") == {}
        assert outcome(reference, "A") == ("granted", 0, 0, None)


def test_a_gift_back_as_scrap_is_not_back():
    """Rule 2.18: gift back is a full refund only for a saleable gift; to deduct it there is nothing left to deduct."""
    for policy, expected in (("deduct", {}), ("gift_back", {"week/tin": 1500})):
        reference = returned(policy)
        reference.gift_fact("A", "week/tin", "scrapped", 1)
        assert reference.clawback("A") == expected


def test_ex27_nothing_is_clawed_back_for_a_gift_that_was_not_packed():
    """Ex-27: the gift was short-shipped."""
    assert returned(packed=0).clawback("A") == {}
    reference = returned(packed=0)
    reference.gift_fact("A", "week/tin", "short_picked", 1)
    assert reference.clawback("A") == {}


def test_no_refund_becomes_negative():
    """Rule 2.18: 3.00 come back, so 3.00 is all there is to take, however many offers would."""
    offers = [offer("one", clawback="deduct", rank=1), offer("two", clawback="deduct", rank=2)]
    stock = [("week/one", "TIN", "main", 1), ("week/two", "TIN", "main", 1)]
    week = campaign(*offers, gifts=(gift(value=200),))
    reference = played([week], stock, snapshot("A", line(4900), line(300, number=2)))
    for name in ("week/one", "week/two"):
        reference.gift_fact("A", name, "packed", 1)
    reference.order(snapshot("A", line(4900), line(300, number=2, returned_units=1), revision=2))
    assert reference.clawback("A") == {"week/one": 200, "week/two": 100}


def test_kept_goods_are_valued_on_the_shares_of_the_order_as_it_was():
    """Rule 2.18 by hand: 10.00 off 19.99, 24.99 and 33.34 (Ex-4) leaves 17.44, 21.80 and 29.08.

    The second comes back: 46.52 are kept and 21.80 refunded. Anew the 10.00 would have left 43.33.
    """
    lines = [line(1999), line(2499, number=2), line(3334, number=3)]
    back = [lines[0], lines[1] | {"returned_units": 1}, lines[2]]
    for at_least, units in ((4652, 1), (4653, 0)):
        week = campaign(offer(counts={"at_least": at_least}))
        reference = played([week], TIN, snapshot("A", *lines, discount=1000))
        reference.order(snapshot("A", *back, discount=1000, revision=2))
        assert reference.kept("A") == {"week/tin": (units, 2180)}


def test_kept_units_by_the_offers_own_basis():
    """By hand: three for 10.00, listed at 12.00; one back leaves two, 6.67 charged, 8.00 listed; 3.33 refunded."""
    three = line(1000, units=3, total_list=1200)
    offers = [
        offer("charged", counts={"at_least": 667}),
        offer("more", counts={"at_least": 668}),
        offer("listed", counts={"at_least": 800, "basis": "before_discount"}),
        offer("units", gives={"for_each": True}) | {"counts": {"by": "units", "at_least": 1}},
        offer("unused", counts={"at_least": 1001}),
    ]
    reference = played([campaign(*offers)], [], snapshot("A", three | {"returned_units": 2, "faulty_units": 1}))
    assert reference.kept("A") == {
        "week/charged": (1, 333),
        "week/more": (0, 333),
        "week/listed": (1, 333),
        "week/units": (2, 333),
    }
    assert played([campaign(*offers)], [], snapshot("A", three)).kept("A") == {}


def test_fewer_gifts_are_taken_back_than_were_packed():
    """By hand: three for each 10.00 of 30.00, two packed; 20.00 come back, 10.00 earn one: one of the two is due."""
    each = offer(counts={"at_least": 1000}, gives={"for_each": True}, clawback="deduct")
    week = campaign(each, gifts=(gift(value=300),))
    reference = played([week], TIN, snapshot("A", line(3000, units=3)))
    reference.gift_fact("A", "week/tin", "packed", 2)
    reference.order(snapshot("A", line(3000, units=3, returned_units=2), revision=2))
    assert reference.kept("A") == {"week/tin": (1, 2000)}
    assert reference.clawback("A") == {"week/tin": 300}
