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
from makeweight.planning import announced, checking
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
            "At most 1 to an order, 2 to a customer and 1,400 in all. An order that names no customer is held to",
        ),
        ({"only_to": frozenset({"IE", "GB"})}, "Only for orders to GB or IE."),
        ({"services": frozenset({"standard"})}, "Only for orders by the service standard."),
        ({"paid_within_days": 1}, "It lapses unless the order is paid within 1 day."),
        ({"value_used": "once"}, "What earned it counts for no other offer that says so too."),
        ({"top_up": True}, "Goods that are added after it has ended count, while nothing is released."),
        ({"group": "g", "rank": 7}, "One offer of the group g is given; its rank is 7."),
        ({"group": "g"}, "When it is gone: the next of its group, if there is one."),
        ({}, "When it is gone: nothing."),
        ({"when_out": "owed"}, "When it is gone: it is owed, and sent once there is stock."),
        ({"when_out": "substitute", "otherwise": ("MUG",)}, "When it is gone: Mug (MUG) instead."),
        (
            {"choice": ("MUG",)},
            "When it is gone: TIN instead of another choice, unless it adds a caution then nothing.",
        ),
        ({"by": "units"}, "Goods count; gift cards, services and carriage don't."),
        ({"kind": "reduction", "not_skus": ["a"]}, "Not counted: item number a."),
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
        ({"by": "units", "at_least": 1, "for_each": True}, [(1, 1), (2, 2)]),
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


def test_revisions_of_one_campaign_are_no_pair():
    """Each is held against other campaigns in its own time; a published one that is followed later still counts."""
    first = stated(offer("a", at_least=10_00, gifts={"TIN": replaced(TIN, cautions=Cautions())}))
    second = stated(offer("a", at_least=100_00), revision=2, effective_at=PLACED)
    other = stated(offer("b", at_least=5_00), campaign="other")
    found = check([first, second, other], [], None, BEFORE)
    assert {pair.offers for pair in found.together} == {("week/a", "other/b")}
    assert {pair.order.lines[0].total_charged for pair in found.together} == {10_00, 100_00}
    later = replaced(second, effective_at=WEEK.end)
    (pair,) = check([other], [first, later], None, BEFORE).together
    assert pair.order.lines[0].total_charged == 10_00


def test_so_many_offers_that_not_all_are_tried(monkeypatch):
    """What is left out is counted."""
    monkeypatch.setattr(checking, "MAX_PAIRS", 5)
    found = check([stated(*(offer(name) for name in "abcd"))], [], None, BEFORE)
    assert (len(found.together), found.untried) == (5, 1)


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
    # Of other goods, by another measure, in fewer orders, markets or hours: an order may well earn the one alone.
    half = Window(WEEK.start + timedelta(days=2), WEEK.end)
    for members in ({"brands": ["Alder"]}, {"by": "unit"}, {"only_to": frozenset({"IE"})}, {"not_skus": ["s1"]}):
        low = offer("book", at_least=80_00, group="g", rank=1, **members)
        assert not always_outranked(stated(low, offer("apron", at_least=140_00, group="g", rank=2))), members
    low, high = offer("book", at_least=80_00, group="g", rank=1), offer("apron", at_least=140_00, group="g", rank=2)
    assert always_outranked(stated(low), stated(high, campaign="other"))
    assert not always_outranked(stated(low), stated(replaced(high, top_up=True), campaign="other"))
    for members in ({"window": half}, {"effective_at": half.start}):
        assert not always_outranked(stated(low, **members), stated(high, campaign="other")), members
    for members in ({"markets": ("IE", "GB")}, {"classes": ("retail", "staff")}):
        assert not always_outranked(stated(low), stated(high, campaign="other", **members)), members


def always_outranked(*drafts):
    """What is found of offers that whoever earns them loses to another."""
    return [(weight, about, text) for weight, about, text in findings(*drafts) if "whoever earns it" in text]


def test_how_sure_it_is_to_be_outranked():
    """By a benefit always; by a gift until that is gone, or as long as it may be sent. A third that wins is another."""
    high = offer("apron", at_least=140_00, group="g", rank=2)
    for members, expected in (
        ({"benefit": "free_shipping"}, ("wrong", "no order is given it")),
        ({}, ("look", "only where that is gone, capped or withheld")),
        ({"when_out": "owed"}, ("look", "only where that may not be sent")),
    ):
        low = offer("book", at_least=80_00, group="g", rank=1, **members)
        ((weight, about, text),) = always_outranked(stated(low, high))
        assert (weight, about) == (expected[0], "week/apron")
        assert expected[1] in text
    local = offer("local", at_least=30_00, group="g", rank=1, only_to=frozenset({"IE"}))
    draft = stated(
        local, offer("b80", at_least=80_00, group="g", rank=2), offer("c40", at_least=40_00, group="g", rank=3)
    )
    assert always_outranked(draft) == []
    pair = next(pair for pair in check([draft], [], None, BEFORE).together if "week/local" not in pair.offers)
    assert (pair.gets, set(pair.winners.values())) == ([], {"week/local"})


# ---------------------------------------------------------------- what is announced

CONTRADICTED = [
    ("Spend over 40 on Inkmoor", {"at_least": 40_00}, "it says 'over', and exactly 40.00 EUR earns it too"),
    ("Spend more than €40.00", {"at_least": 40_00}, "it says 'more than'"),
    ("greater than 40, or above EUR 40", {"at_least": 40_00}, "it says 'greater than'"),
    ("Spend 40 or more", {"over": 40_00}, "it says 'or more', and exactly 40.00 EUR earns nothing"),
    ("40 euros or more", {"over": 40_00}, "it says 'or more'"),
    ("40,00 EUR and above", {"over": 40_00}, "it says 'and above'"),
    ("Spend £40+", {"over": 40_00}, "it says '+'"),
    ("from 1.040,00", {"over": 1_040_00}, "it says 'from'"),
    ("over 1 040 EUR", {"at_least": 1_040_00}, "it says 'over'"),
    ("for 40 or over", {"over": 40_00}, "it says 'or over'"),
    ("Buy more than three pens", {"by": "units", "at_least": 3}, "it says 'more than', and exactly 3 units earns it"),
    ("40.00 for the first 500", {"at_least": 40_00, "total_cap": 400}, "'first 500', and its cap in all is 400"),
    ("FIRST 500 ORDERS of 40", {"at_least": 40_00, "total_cap": 400}, "'FIRST 500', and its cap in all is 400"),
    ("40 and the first 1,000 get one", {"at_least": 40_00}, "it has no cap in all"),
    ("the first 500 get two, for 40", {"at_least": 40_00, "units": 2, "total_cap": 600}, "its cap in all is 600"),
    (
        "40, two per customer",
        {"at_least": 40_00, "customer_cap": 1},
        "'two per customer', and its cap to a customer is 1",
    ),
    ("40, 2 PER CUSTOMER", {"at_least": 40_00, "customer_cap": 1}, "'2 PER CUSTOMER'"),
    ("40, one set to a customer", {"at_least": 40_00}, "it has no cap to a customer"),
    ("40, three at most to an order", {"at_least": 40_00, "order_cap": 2}, "its cap to an order is 1"),
    ("for each 40, three per order", {"at_least": 40_00, "for_each": True, "order_cap": 2}, "its cap to an order is 2"),
    ("40 or more until 30 November", {"at_least": 40_00}, "and its last day is Sunday 29 November 2026"),
    ("40 or more until November 30", {"at_least": 40_00}, "'until November 30'"),
    ("40 or more, ends: Sun 30 Nov", {"at_least": 40_00}, "'ends: Sun 30 Nov'"),
    ("40 or more, until the 30th of November", {"at_least": 40_00}, "'until the 30th of November'"),
    ("40 or more until 29 November 2025", {"at_least": 40_00}, "'until 29 November 2025'"),
    ("40 or more until Monday", {"at_least": 40_00}, "'until Monday', and its last day is Sunday 29 November 2026"),
    ("Up to 40 % off", {"kind": "reduction", "up_to_percent": 30}, "'40 %', and reduces by up to 30 %"),
    ("Up to 40 per cent off", {"kind": "reduction", "up_to_percent": 30}, "'40 per cent'"),
    ("Easel 98.00", {"kind": "price", "prices": {"e": 89_00}}, "it says 98.00, which is none of its prices"),
]
AGREED = [
    ("Spend 40 or more on Inkmoor", {"at_least": 40_00}),
    ("Spend over 40 on Inkmoor", {"over": 40_00}),
    ("Orders of €40 and over", {"at_least": 40_00}),
    ("From EUR 1,040 you get one", {"at_least": 1_040_00}),
    ("A tin with 40.00, over 90 years in the trade", {"at_least": 40_00}),
    ("Over 40 colours to choose from. Spend 40 or more", {"at_least": 40_00}),
    ("Over 18s only. Spend 18 or more", {"at_least": 18_00}),
    ("Spend more than 50 and get a tin from 50 colours", {"over": 50_00}),
    ("For orders over 40.00 and up to 100.00", {"over": 40_00}),
    ("For the first 1,400: spend 40 and get a tin", {"at_least": 40_00, "total_cap": 1_400}),
    ("The first 500 orders of 40 get two tins each", {"at_least": 40_00, "units": 2, "total_cap": 1_000}),
    ("In the first two weeks: spend 50", {"at_least": 50_00}),
    ("The first 24 hours, your first 3 items, first 10% off: spend 50", {"at_least": 50_00}),
    ("40, one per customer, one per order", {"at_least": 40_00, "customer_cap": 1, "order_cap": 1}),
    ("One free tin per order over €50", {"over": 50_00}),
    ("Two tins per order when you spend 40", {"at_least": 40_00, "units": 2}),
    ("40: a pair of tins, one pair per customer", {"at_least": 40_00, "units": 2, "customer_cap": 2}),
    ("40: a set of five inks per order", {"at_least": 40_00, "order_cap": 1}),
    ("Spend £40 per order", {"at_least": 40_00}),
    ("40 or more until Sunday, until 29 November", {"at_least": 40_00}),
    ("40 or more until the end of Sunday 29th November 2026", {"at_least": 40_00}),
    ("40 until midnight on 29 November", {"at_least": 40_00}),
    ("40 or more until Monday 30 November 00:00", {"at_least": 40_00}),
    ("40 until 29 November; collect your gift until 6 December", {"at_least": 40_00}),
    ("Open Monday to Friday. Delivered from Tuesday to Saturday. Spend 50", {"at_least": 50_00}),
    ("Spend 40 until Fr\u0131day, or \u017funday", {"at_least": 40_00}),
    ("Up to 30 % off", {"kind": "reduction", "up_to_percent": 30}),
    ("Between 10% and 30% off 100% cotton", {"kind": "reduction", "up_to_percent": 30}),
    ("Field easel 89.00, brushes 24,90", {"kind": "price", "prices": {"e": 89_00, "b": 24_90}}),
    ("Easel 89.00, was 119.00, until 29.11.2026, 23.59", {"kind": "price", "prices": {"e": 89_00}}),
    ("Sofa 1\u00a0089,00, rug 1'090.00", {"kind": "price", "prices": {"e": 1_089_00, "r": 1_090_00}}),
    ("Three of any, first come first served", {"by": "units", "at_least": 3}),
    ("With 40 EUR per order or more you get one", {"at_least": 40_00}),
    ("40.00 or more: one tin per customer, 3 in all", {"at_least": 40_00, "customer_cap": 1}),
]


@pytest.mark.parametrize(("says", "members", "sentence"), CONTRADICTED)
def test_an_announcement_that_says_something_else(says, members, sentence):
    """Comparison words, caps, the last day, percentages and prices: somebody should look, and is told where."""
    draft = campaign(offer(says=says, **members))
    (found,) = announced.contradictions(draft.offers[0])
    assert sentence in found
    assert ("look", "week/tin", found) in findings(draft)


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
        (
            {"otherwise": ("MUG",), "when_out": "substitute"},
            {"TIN": 40},
            [("look", "there is no stock of its substitute MUG for it")],
        ),
        ({"choice": ("MUG",)}, {"TIN": 40}, [("wrong", "there is no stock of MUG for it")]),
        ({"when_out": "owed"}, {}, [("look", "there is no stock of TIN for it")]),
        ({"total_cap": 100, "otherwise": ("MUG",), "when_out": "substitute"}, {"TIN": 40, "MUG": 60}, []),
    ],
)
def test_stock_that_is_not_there(members, units, expected):
    """Held against caps and expectations, of each gift that the offer names."""
    one = offer(gifts={"TIN": TIN, "MUG": replaced(TIN, gift="MUG")}, **members)
    receipts = [Receipt(name, "week/tin", name, "main", count) for name, count in units.items()]
    draft = stated(one, gifts={"TIN": TIN})
    assert [(weight, text) for weight, _, text in findings(draft, stock=receipts)] == expected
    # What the service has of a published offer isn't known here.
    known = [(weight, text) for weight, _, text in findings(draft, stock=receipts, published=[draft])]
    assert known == [("look", f"{text} in the file; the service may have some") for _, text in expected]


@pytest.mark.parametrize(
    ("draft", "now", "expected"),
    [
        (
            stated(offer(skus=["s1"], not_skus=["s1"])), BEFORE,
            ("wrong", "week/tin", "no goods can earn it: what it counts is also what it leaves out"),
        ),
        (stated(offer()), WEEK.end, ("wrong", "week", "its window is over: no order can have anything of it")),
        (
            stated(offer(), effective_at=WEEK.end), BEFORE,
            ("wrong", "week", "it takes effect after its window: no order can have anything of it"),
        ),
        (
            stated(offer(), effective_at=PLACED), BEFORE,
            ("look", "week", "it takes effect within its window, for orders placed from Mon 23 Nov 2026 10:00 on"),
        ),
        (
            stated(offer(paused=True)), BEFORE,
            ("look", "week/tin", "it is paused: nobody can have it until it is resumed"),
        ),
        (stated(offer(total_cap=0)), BEFORE, ("wrong", "week/tin", "its cap in all is 0: no order is given it")),
        (
            stated(offer(gifts={"TIN": TIN, "MUG": replaced(TIN, gift="MUG")}, otherwise=("MUG",))), BEFORE,
            ("look", "week/tin", "its substitutes are never sent: `when_out` is next"),
        ),
        (
            stated(offer(group="g")), BEFORE,
            ("look", "week/tin", "no other offer is of its group g"),
        ),
    ],
)  # fmt: skip
def test_what_gives_nothing_or_not_all(draft, now, expected):
    """Goods that are counted and left out, times that have passed, caps of nothing; each is found, and nothing else."""
    assert findings(draft, now=now) == [expected]


def test_an_offer_that_has_ended_before_its_campaign():
    """Its own end has passed; the campaign goes on."""
    draft = stated(offer())
    ended = replaced(draft.offers[0], window=Window(WEEK.start, PLACED))
    assert findings(replaced(draft, offers=(ended,)), now=PLACED) == [
        ("wrong", "week/tin", "it has ended: no order can have it")
    ]


def test_a_gift_that_may_not_go_where_its_offer_is_made():
    """By its cautions, or since a border is crossed without customs data: to some countries, or to all."""
    abroad = replaced(TIN, customs=None, ships_from="IE")
    never = replaced(TIN, cautions=Cautions("none", "none", "none", never_to=["GB"]))
    for gift, countries, weight, text in (
        (abroad, {"US", "IE"}, "look", "orders to US: its customs data is missing, and it would go from IE to US"),
        (abroad, {"US"}, "wrong", "orders to US: its customs data is missing"),
        (never, {"GB"}, "wrong", "orders to GB: it may not go to GB"),
    ):
        found = findings(stated(offer(gifts={"TIN": gift}, only_to=frozenset(countries))))
        assert [(w, a) for w, a, told in found if text in told] == [(weight, "week/tin")], found
    clear = stated(offer(only_to=frozenset({"IE", "GB"})))
    assert findings(clear) == []


def test_a_revision_that_is_not_the_next():
    """Published with that revision are other contents, or a later one is; the published document itself is right."""
    draft, changed = stated(offer()), stated(offer(at_least=60_00))
    later = replaced(draft, revision=3)
    assert findings(draft, published=[replaced(draft, effective_at=BEFORE)]) == []
    for published in ([changed], [draft, later]):
        revision = max(one.revision for one in published)
        text = f"revision {revision} is published; publish this as `revision: {revision + 1}`"
        assert findings(draft, published=published) == [("wrong", "week", text)]
    assert findings(replaced(draft, revision=4), published=[draft, later]) == []


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
