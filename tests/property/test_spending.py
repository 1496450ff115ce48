"""Value used once: whatever the order and the offers, no minor unit of value counts for two of them."""

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from makeweight.domain.campaigns import Offer
from makeweight.domain.choose import choose
from makeweight.domain.counted import counted_lines
from makeweight.domain.orders import Order
from makeweight.domain.qualify import evaluate
from makeweight.domain.reasons import Reason
from tests.support.build import campaign, line, live, offer, order

BRANDS = ["Alder", "Birch", "Cedar"]


@st.composite
def once(draw: st.DrawFn, name: str) -> Offer:
    """An offer with `once`, on one basis, so that values can be added up."""
    word = draw(st.sampled_from(["at_least", "over"]))
    brands = draw(st.lists(st.sampled_from(BRANDS), max_size=2, unique=True))
    given = draw(st.sampled_from([{}, {"benefit": "free_shipping"}]))
    rank = draw(st.integers(1, 2))
    return offer(name, value_used="once", rank=rank, brands=brands, **{word: draw(st.integers(1, 60))}, **given)


@st.composite
def scenes(draw: st.DrawFn) -> tuple[Order, list[Offer]]:
    """An order, and offers that look at parts of it that overlap."""
    lines = [
        line(draw(st.integers(0, 50)), draw(st.integers(1, 3)), brand=draw(st.sampled_from(BRANDS)))
        for _ in range(draw(st.integers(1, 5)))
    ]
    offers = [draw(once(f"o{n}")) for n in range(draw(st.integers(1, 5)))]
    return order(*lines, discount=draw(st.integers(0, 20))), offers


@given(scenes())
def test_no_minor_unit_of_value_counts_for_two_offers(scene):
    """Rule 2.7, 'value used once', by Hall's theorem (P. Hall 1935; from memory).

    The value can be handed out so that each offer that is given has what it asks from goods in its scope, and no unit
    of it twice, exactly if no set of them asks more than the goods in the scope of any of them are worth.
    """
    placed, offers = scene
    on = live(campaign(*offers))
    choice = choose(placed, evaluate(placed, on), on, ())
    counted = counted_lines(placed)
    given_ones = [on.offers[key] for key in {c.offer for c in choice.claims} | choice.benefits.keys()]
    for size in range(1, len(given_ones) + 1):
        for some in combinations(given_ones, size):
            asked = sum(one.threshold + int(one.strict) for one in some)
            rows = zip(counted.lines, counted.charged, strict=True)
            assert asked <= sum(worth for one, worth in rows if any(o.scope.holds(one) for o in some))


@given(scenes())
def test_an_offer_is_declined_for_used_value_only_by_another_that_is_given(scene):
    """Rule 2.36: the sentence names what earned the rest, and that was given; the best-ranked is never declined."""
    placed, offers = scene
    on = live(campaign(*offers))
    choice = choose(placed, evaluate(placed, on), on, ())
    given_ones = {c.offer for c in choice.claims} | choice.benefits.keys()
    met = sorted(
        (j for j in choice.evaluation.judgements if j.qualifies), key=lambda j: on.offers[j.offer].precedence()
    )
    for judged in met:
        used = judged.reason is Reason.VALUE_USED
        assert (judged.offer in given_ones) is not used
        assert not used or judged.winner in given_ones
        assert not used or judged.worth < judged.threshold + int(judged.strict)
    assert not met or met[0].offer in given_ones
