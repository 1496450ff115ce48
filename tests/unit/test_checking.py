"""A draft in words, at its edges and beside others; what is against it, and that nothing is against what is right."""

from datetime import UTC, datetime, timedelta
from itertools import chain, combinations, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deploy.demo.play import HERE, PUBLISHED_AT
from makeweight.adapters.documents.campaigns import read_files
from makeweight.domain.campaigns import Cautions, Scope
from makeweight.domain.claims import Receipt
from makeweight.domain.moments import Window
from makeweight.domain.orders import Line
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced
from makeweight.planning import announced
from makeweight.planning.checking import check
from makeweight.planning.trials import edges, matching
from makeweight.planning.wording import in_words
from tests.support.build import PLACED, TIN, WEEK, campaign, offer
from tests.support.shop import Shop

BEFORE = WEEK.start - timedelta(days=3)
BRANDS, CATEGORIES, SKUS = ["Alder", "Birch"], ["ink", "paper"], ["s1", "s2"]


def stated(*offers, says=None, **members):
    """A campaign of offers that say what they ask, so that nothing else is found against them."""
    return campaign(*(replaced(one, says=says or f"{one.threshold / 100:.2f}") for one in offers), **members)


def findings(*drafts, published=(), stock=None, now=BEFORE):
    """What is found, as (weight, about, sentence)."""
    found = check(list(drafts), published, stock, now).findings
    return [(one.weight, one.about, one.sentence) for one in found]


# ---------------------------------------------------------------- in words

WORDED = [
    ({"at_least": 40_00, "brands": ["Inkmoor"]}, "40.00 EUR or more spent on goods of Inkmoor earns 1 x "),
    ({"over": 80_00}, "Over 80.00 EUR spent on any goods earns 1 x "),
    ({"over": 60_00, "by": "unit", "brands": ["Alder"]}, "One unit of goods of Alder for over 60.00 EUR earns "),
    (
        {"at_least": 30_00, "by": "line", "skus": ["b", "a"]},
        "One order line of goods with item number a or b for 30.00 ",
    ),
    ({"by": "any", "brands": ["C", "A", "B"]}, "Any purchase of goods of A, B or C at a price above zero earns 1 x "),
    ({"by": "units", "at_least": 3, "categories": ["ink"]}, "3 units or more of goods in category ink earns 1 x "),
    ({"at_least": 30_00, "for_each": True}, "Each 30.00 EUR spent on any goods earns 1 x "),
    ({"by": "units", "at_least": 2, "for_each": True, "units": 3}, "Each 2 units of any goods earns 3 x "),
    ({"over": 80_00, "benefit": "free_shipping"}, "Over 80.00 EUR spent on any goods earns free shipping."),
]


@pytest.mark.parametrize(("members", "sentence"), WORDED)
def test_what_earns_what(members, sentence):
    """The first sentence: measure, comparison, goods, and what is given."""
    draft = campaign(offer(**members))
    told = in_words(draft, draft.offers[0])
    assert told[0].startswith(sentence)
    if "benefit" not in members:
        assert told[0].endswith(" x Tin of pencils (TIN).")
    assert told[-1] == (
        "For retail orders in IE, placed from Mon 23 Nov 2026 00:00 until before Mon 30 Nov 2026 00:00, Europe/Dublin."
    )


@pytest.mark.parametrize(
    ("members", "sentence"),
    [
        ({"basis": "before_discount"}, "Goods count at their list prices, before markdowns and discounts; gift cards,"),
        ({"not_skus": ["b", "a"], "not_reduced": True}, "Not counted: item number a or b and what is charged below "),
        (
            {"order_cap": 1, "customer_cap": 2, "total_cap": 1_400},
            "At most 1 to an order, 2 to a customer and 1,400 in",
        ),
        ({"only_to": frozenset({"IE", "GB"})}, "Only for orders to GB or IE."),
        ({"services": frozenset({"standard"})}, "Only for orders by the service standard."),
        ({"paid_within_days": 1}, "It lapses unless the order is paid within 1 day."),
        ({"value_used": "once"}, "What earned it counts for no other offer that says so too."),
        ({"top_up": True}, "Goods that are added after it has ended count, while nothing is released."),
        ({"group": "g", "rank": 7}, "One offer of the group g is given; its rank is 7."),
        ({"group": "g"}, "When it is gone: the next of its group."),
        ({}, "When it is gone: nothing."),
        ({"when_out": "owed"}, "When it is gone: it is owed, and sent once there is stock."),
        ({"when_out": "substitute", "otherwise": ("MUG",)}, "When it is gone: Mug (MUG) instead."),
        (
            {"choice": ("MUG",)},
            "50.00 EUR or more spent on any goods earns 1 x what the order chooses of Tin of pencils ",
        ),
        ({"paused": True}, "It is paused: nobody can have it."),
    ],
)
def test_what_limits_it(members, sentence):
    """Each limit is a sentence of its own, and there is none of what doesn't limit."""
    mug = replaced(TIN, gift="MUG", title="Mug")
    (one,) = campaign(offer(gifts={"TIN": TIN, "MUG": mug}, **members)).offers
    assert [told.startswith(sentence) for told in in_words(campaign(one), one)].count(True) == 1


def test_prices_and_reductions():
    """All that is compared, by item number."""
    draft = campaign(
        offer("p", kind="price", prices={"b": 2900, "a": 8900}), offer("r", kind="reduction", up_to_percent=30)
    )
    price, reduction = draft.offers
    assert in_words(draft, price)[0] == "a at 89.00 EUR and b at 29.00 EUR: each line of them is compared with it."
    assert in_words(draft, reduction)[0] == "Any goods at up to 30 % below list price."


# ---------------------------------------------------------------- at its edges


@pytest.mark.parametrize(
    ("members", "expected"),
    [
        # Common practice: an amount is shown a minor unit below, at, and above its threshold.
        ({"at_least": 50_00}, [(49_99, 0), (50_00, 1), (50_01, 1)]),
        ({"over": 50_00}, [(49_99, 0), (50_00, 0), (50_01, 1)]),
        ({"over": 50_00, "by": "unit"}, [(49_99, 0), (50_00, 0), (50_01, 1)]),
        ({"at_least": 50_00, "by": "line", "units": 2}, [(49_99, 0), (50_00, 2), (50_01, 2)]),
        ({"at_least": 30_00, "for_each": True}, [(29_99, 0), (30_00, 1), (59_99, 1), (60_00, 2)]),
        ({"at_least": 30_00, "for_each": True, "order_cap": 1}, [(29_99, 0), (30_00, 1), (59_99, 1), (60_00, 1)]),
        ({"by": "units", "at_least": 3}, [(2, 0), (3, 1), (4, 1)]),
        ({"by": "units", "at_least": 1}, [(1, 1), (2, 1)]),
        ({"by": "any"}, [(0, 0), (1, 1)]),
        ({"over": 80_00, "benefit": "free_shipping"}, [(79_99, 0), (80_00, 0), (80_01, 1)]),
        (
            {"at_least": 50_00, "only_to": frozenset({"GB"}), "paid_within_days": 3},
            [(49_99, 0), (50_00, 1), (50_01, 1)],
        ),
        ({"at_least": 50_00, "skus": ["s1"], "not_skus": ["s1"]}, []),
    ],
)
def test_orders_at_its_edges(members, expected):
    """What counts, and the units that it earns; [] where no goods can earn it."""
    draft = campaign(offer(**members))
    assert [(edge.worth, edge.earns) for edge in edges(draft, draft.offers[0])] == expected


LISTS = st.lists(st.sampled_from(BRANDS), max_size=2).map(frozenset)
SCOPES = st.builds(
    Scope,
    brands=LISTS,
    categories=st.lists(st.sampled_from(CATEGORIES), max_size=2).map(frozenset),
    skus=st.lists(st.sampled_from(SKUS), max_size=2).map(frozenset),
    not_skus=st.lists(st.sampled_from(SKUS), max_size=2).map(frozenset),
    not_categories=st.lists(st.sampled_from(CATEGORIES), max_size=2).map(frozenset),
    not_reduced=st.booleans(),
)
EVERY_LINE = [
    Line(1, sku, 1, 100, brand=brand, categories=list(categories))
    for brand, sku, categories in product(
        ["", *BRANDS], ["other", *SKUS], chain.from_iterable(combinations(CATEGORIES, n) for n in range(3))
    )
]


@given(st.lists(SCOPES, min_size=1, max_size=3))
def test_goods_that_all_scopes_hold_are_found(scopes):
    """There is such a line exactly if one of all lines that there can be is held by all of them; and it is held."""
    found = matching(scopes, 1, 100)
    assert (found is not None) == any(all(scope.holds(line) for scope in scopes) for line in EVERY_LINE)
    assert found is None or all(scope.holds(found) for scope in scopes)


# ---------------------------------------------------------------- beside others


def test_the_demos_pairs_get_what_the_service_gives():
    """Each order is placed in a shop that has plenty of everything: what it gets there is what was told."""
    files = read_files(sorted((HERE / "campaigns").glob("*.yaml")))
    drafts = [file.campaign for file in files]
    found = check(drafts, [], None, PUBLISHED_AT)
    stock = {(o.key, gift, "main"): 100 for draft in drafts for o in draft.offers for gift in o.gifts}
    shop = Shop([file.document for file in files], stock)
    assert found.findings == []
    assert len(found.together) == 15
    for n, pair in enumerate(found.together):
        shop.place(replaced(pair.order, order=f"T{n}"))
        (ticket,) = shop.tickets(f"T{n}").values()
        gets = {gift.offer for gift in ticket.gift_lines}
        if ticket.benefits:
            gets.add("winter-studio/carriage-paid")
        assert gets & set(pair.offers) == set(pair.gets), pair
    (missed,) = [pair for pair in found.together if pair.misses]
    assert missed.misses == {"winter-studio/notebook": Reason.OUTRANKED}


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ({"brands": ["Alder"]}, {"brands": ["Birch"]}),
        ({"only_to": frozenset({"IE"})}, {"only_to": frozenset({"GB"})}),
        ({"services": frozenset({"van"})}, {"services": frozenset({"post"})}),
        ({"skus": ["s1"]}, {"not_skus": ["s1"]}),
        ({}, {"paused": True}),
    ],
)
def test_offers_that_no_order_earns_by_the_same_goods(first, second):
    """Other goods, other countries, other services, or closed: they are no pair."""
    draft = stated(offer("a", **first), offer("b", **second))
    assert check([draft], [], None, BEFORE).together == []


def test_campaigns_that_never_meet_are_no_pair():
    """Another market, currency, class of orders or time. Those that meet are held against each other, drafts or not."""
    ours = stated(offer("a"))
    later = Window(WEEK.end, WEEK.end + timedelta(days=7))
    for members in ({"markets": ("GB",)}, {"currency": "USD"}, {"classes": ("staff",)}, {"window": later}):
        theirs = stated(offer("b"), campaign="other", **members)
        assert check([ours, theirs], [], None, BEFORE).together == []
    theirs = stated(offer("b"), campaign="other")
    for drafts, published in (([ours, theirs], []), ([ours], [theirs])):
        (pair,) = check(drafts, published, None, BEFORE).together
        assert (set(pair.offers), len(pair.gets)) == ({"week/a", "other/b"}, 2)
    assert check([theirs], [replaced(theirs, revision=9)], None, BEFORE).together == []
    assert check([ours], [theirs], None, WEEK.end).together == []


def test_an_offer_that_is_always_outranked():
    """Whoever earns 140 earns 80 too: if that comes first the other is never given. The right way round is right."""
    for ranks, expected in (((20, 10), ["week/apron"]), ((10, 20), [])):
        low, high = (
            offer(name, at_least=least, group="g", rank=rank)
            for name, least, rank in (("book", 80_00, ranks[1]), ("apron", 140_00, ranks[0]))
        )
        told = findings(stated(low, high))
        assert [about for _, about, _ in told] == expected
    assert (
        "whoever earns it earns week/book, which comes first"
        in findings(
            stated(offer("book", at_least=80_00, group="g", rank=1), offer("apron", at_least=140_00, group="g", rank=2))
        )[0][2]
    )
    # Of other goods, or by another measure, an order may well earn the one alone.
    for members in ({"brands": ["Alder"]}, {"by": "unit"}, {"only_to": frozenset({"IE"})}, {"not_skus": ["s1"]}):
        low = offer("book", at_least=80_00, group="g", rank=1, **members)
        told = findings(stated(low, offer("apron", at_least=140_00, group="g", rank=2)))
        assert not any("whoever" in text for _, _, text in told), members


# ---------------------------------------------------------------- what is announced

CONTRADICTED = [
    ("Spend over 40 on Inkmoor", {"at_least": 40_00}, "it says 'over', and exactly 40.00 EUR earns it too"),
    ("Spend more than €40.00", {"at_least": 40_00}, "it says 'more than'"),
    ("Spend 40 or more", {"over": 40_00}, "it says 'or more', and exactly 40.00 EUR earns nothing"),
    ("40,00 EUR and above", {"over": 40_00}, "it says 'and above'"),
    ("from 1.040,00", {"over": 1_040_00}, "it says 'from'"),
    ("for 40 or over", {"over": 40_00}, "it says 'or over'"),
    ("40.00 for the first 500", {"at_least": 40_00, "total_cap": 400}, "'first 500', and its cap in all is 400"),
    ("40 and the first 1,000 get one", {"at_least": 40_00}, "it has no cap in all"),
    (
        "40, two per customer",
        {"at_least": 40_00, "customer_cap": 1},
        "'two per customer', and its cap to a customer is 1",
    ),
    ("40, one set to a customer", {"at_least": 40_00}, "it has no cap to a customer"),
    ("40, three at most to an order", {"at_least": 40_00, "order_cap": 2}, "its cap to an order is 2"),
    (
        "40 or more until 30 November",
        {"at_least": 40_00},
        "'until 30 November', and its last day is Sunday 29 November",
    ),
    ("40 or more until Monday", {"at_least": 40_00}, "'until Monday', and its last day is Sunday 29 November"),
    ("Up to 40 % off", {"kind": "reduction", "up_to_percent": 30}, "'40 %', and reduces by up to 30 %"),
    ("Easel 98.00", {"kind": "price", "prices": {"e": 89_00}}, "it says 98.00, which is none of its prices"),
]
AGREED = [
    ("Spend 40 or more on Inkmoor", {"at_least": 40_00}),
    ("Spend over 40 on Inkmoor", {"over": 40_00}),
    ("Orders of €40 and over", {"at_least": 40_00}),
    ("From EUR 1,040 you get one", {"at_least": 1_040_00}),
    ("A tin with 40.00, over 90 years in the trade", {"at_least": 40_00}),
    ("For the first 1,400: spend 40 and get a tin", {"at_least": 40_00, "total_cap": 1_400}),
    ("40, one per customer, one per order", {"at_least": 40_00, "customer_cap": 1, "order_cap": 1}),
    ("40 or more until Sunday, until 29 November", {"at_least": 40_00}),
    ("40 or more until the end of Sunday 29th November", {"at_least": 40_00}),
    ("Up to 30 % off", {"kind": "reduction", "up_to_percent": 30}),
    ("Field easel 89.00, brushes 24,90", {"kind": "price", "prices": {"e": 89_00, "b": 24_90}}),
    ("Three of any, first come first served", {"by": "units", "at_least": 3}),
    ("With 40 EUR per order or more you get one", {"at_least": 40_00}),
    ("40.00 or more: one tin per customer, 3 in all", {"at_least": 40_00, "customer_cap": 1}),
]


@pytest.mark.parametrize(("says", "members", "sentence"), CONTRADICTED)
def test_an_announcement_that_says_something_else(says, members, sentence):
    """Comparison words, caps, the last day, percentages and prices; it is wrong, and the sentence says how."""
    draft = campaign(offer(says=says, **members))
    (found,) = announced.contradictions(draft.offers[0])
    assert sentence in found
    assert ("wrong", "week/tin", found) in findings(draft)


@pytest.mark.parametrize(("says", "members"), AGREED)
def test_an_announcement_that_says_the_same(says, members):
    """Nothing is found against it, however it writes its amounts."""
    (one,) = campaign(offer(says=says, **members)).offers
    assert [*announced.contradictions(one), *announced.unsaid(one)] == []


def test_a_currency_without_a_minor_unit():
    """5000 yen are written so, or with the thousands apart."""
    (one,) = campaign(offer(says="over 5,000 yen", at_least=5000), currency="JPY").offers
    (found,) = announced.contradictions(one)
    assert "exactly 5000 JPY earns it too" in found
    (one,) = campaign(offer(says="5000 JPY or more", at_least=5000), currency="JPY").offers
    assert [*announced.contradictions(one), *announced.unsaid(one)] == []


def test_an_announcement_that_leaves_out_what_it_asks():
    """Somebody should look: the threshold, and the brands."""
    told = findings(campaign(offer(says="A tin with your order", at_least=40_00, brands=["Inkmoor"])))
    assert told == [
        ("look", "week/tin", "what it says names no 40.00 EUR, which is what it asks for"),
        ("look", "week/tin", "what it says names none of the brands that it counts: Inkmoor"),
    ]


# ---------------------------------------------------------------- what is against it


def test_nothing_is_against_what_is_right():
    """A campaign that says what it does, with stock for its cap."""
    draft = stated(offer(total_cap=100, expected_units=80))
    assert findings(draft, stock=[Receipt("r", "week/tin", "TIN", "main", 100)]) == []


@pytest.mark.parametrize(
    ("members", "expected"),
    [
        ({"cautions": Cautions(None, "none", None)}, ("wrong", "TIN", "cautions (dangerous goods, food)")),
        (
            {"gtin": None, "weight_grams": 0},
            ("look", "TIN", "not known of it: GTIN (its barcode holds the item number); weight"),
        ),
        ({"customs": None, "ships_from": "IE"}, ("look", "TIN", "customs data (it stays in IE)")),
        ({"unit_cost": 0}, ("look", "TIN", "unit cost")),
    ],
)
def test_what_is_not_known_of_a_gift(members, expected):
    """What blocks it is wrong, and no more than named: nobody here answers it. What is missing otherwise is told."""
    tin = replaced(TIN, **members)
    ((weight, about, text),) = findings(stated(offer(gifts={"TIN": tin})))
    assert (weight, about) == expected[:2]
    assert expected[2] in text


def test_a_gift_that_no_offer_gives():
    """Its page is still open somewhere, or an offer was forgotten."""
    mug = replaced(TIN, gift="MUG")
    assert findings(stated(offer(), gifts={"TIN": TIN, "MUG": mug})) == [("look", "MUG", "no offer gives it")]


@pytest.mark.parametrize(
    ("members", "units", "expected"),
    [
        ({}, {}, [("wrong", "there is no stock of TIN for it")]),
        ({"total_cap": 100}, {"TIN": 40}, [("look", "its cap in all is 100, and 40 units are there")]),
        ({"expected_units": 1_400}, {"TIN": 40}, [("look", "1,400 units are expected to be given, and 40 are there")]),
        ({"otherwise": ("MUG",)}, {"TIN": 40}, [("look", "there is no stock of its substitute MUG for it")]),
        ({"choice": ("MUG",)}, {"TIN": 40}, [("wrong", "there is no stock of MUG for it")]),
        ({"total_cap": 100, "otherwise": ("MUG",)}, {"TIN": 40, "MUG": 60}, []),
    ],
)
def test_stock_that_is_not_there(members, units, expected):
    """Held against caps and expectations, of each gift that the offer names."""
    one = offer(gifts={"TIN": TIN, "MUG": replaced(TIN, gift="MUG")}, **members)
    receipts = [Receipt(name, "week/tin", name, "main", count) for name, count in units.items()]
    draft = stated(one, gifts={"TIN": TIN})
    assert [(weight, text) for weight, _, text in findings(draft, stock=receipts)] == expected


def test_what_can_never_be_earned():
    """Goods that are counted and left out; and a window that is over."""
    draft = stated(offer(skus=["s1"], not_skus=["s1"]))
    text = "no goods can earn it: what it counts is also what it leaves out"
    assert findings(draft) == [("wrong", "week/tin", text)]
    text = "its window is over: no order can have anything of it"
    assert findings(stated(offer()), now=WEEK.end) == [("wrong", "week", text)]
    assert findings(stated(offer(paused=True)))[0][2] == "it is paused: nobody can have it until it is resumed"


def test_a_week_that_is_an_hour_longer():
    """Summer time ends on 25 October 2026 in Dublin (IANA tz database): the week has 169 hours."""
    window = Window(datetime(2026, 10, 18, 23, tzinfo=UTC), datetime(2026, 10, 26, tzinfo=UTC))
    told = findings(stated(offer(), window=window), now=window.start)
    assert told == [("look", "week", "the clock is changed within its window, which lasts 169 hours")]


def test_what_is_wrong_comes_first():
    """And is counted: the exit code is made of it."""
    tin = replaced(TIN, gtin=None, cautions=Cautions())
    found = check([stated(offer(gifts={"TIN": tin}, group="alone"))], [], [], PLACED)
    assert [one.weight for one in found.findings] == ["wrong", "wrong", "look", "look"]
    assert found.wrong == 2
