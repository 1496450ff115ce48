"""Orders made to measure, judged by the code that judges all others: an offer at its edge, and two offers at once."""

from collections.abc import Sequence
from typing import Any

from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign, Offer, Scope
from makeweight.domain.choose import choose
from makeweight.domain.moments import Instant
from makeweight.domain.orders import Destination, Lane, Line, Order, OrderClass
from makeweight.domain.qualify import evaluate, judge_one
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced, value

SOME_ITEM = "any-item"  # the item number of a line for which no offer asks for one
_MET = (None, Reason.ORDER_CAP)  # the reasons of an offer that is met


@value
class Edge:
    """An order at an offer's edge: what of it counts, in minor units or units, and how many gift units it earns.

    A benefit is earned as one unit. ``near`` is what is a near miss.
    """

    worth: int
    earns: int
    near: bool


@value
class Together:
    """What one order, of one line, gets of two offers that the same goods earn.

    ``gets`` are the offers that it is given, ``misses`` says of each that it meets and is not given why; ``winners``
    which offer comes before it, or used up its value.
    """

    offers: tuple[str, str]
    order: Order
    gets: list[str]
    misses: dict[str, Reason]
    winners: dict[str, str]


def edges(campaign: Campaign, offer: Offer) -> list[Edge]:
    """Orders around the threshold of a gift or benefit, a minor unit or a unit apart; [] where no goods can meet it."""
    if offer.kind not in ("gift", "benefit"):
        return []
    found = []
    for worth in sorted({*_around(offer)}):
        units, charged = (worth, worth) if offer.by == "units" else (1, worth)
        line = matching([offer.scope], units, charged)
        if line is None:
            return []
        judged = judge_one(_order(campaign, [offer], line, offer.window.start), offer)
        found.append(Edge(worth, judged.wanted if judged.reason in _MET else 0, judged.near_miss))
    return found


def _around(offer: Offer) -> list[int]:
    if offer.by == "any":
        return [0, 1]
    least = offer.threshold
    found = [least - 1, least, least + 1]
    if offer.for_each:
        found = [least - 1, least, 2 * least - 1, 2 * least]
    return [worth for worth in found if worth > 0]


def matching(scopes: Sequence[Scope], units: int, charged: int) -> Line | None:
    """A line of so many units, for so much in all, that every scope holds; None if there can't be one."""
    brands = _common([scope.brands for scope in scopes])
    skus = _common([scope.skus for scope in scopes])
    barred_skus = frozenset().union(*(scope.not_skus for scope in scopes))
    barred = frozenset().union(*(scope.not_categories for scope in scopes))
    if skus is not None:
        skus -= barred_skus
    if brands == frozenset() or skus == frozenset():
        return None
    categories = set[str]()
    for scope in scopes:
        free = sorted(scope.categories - barred)
        if scope.categories and not free:
            return None
        categories.update(free[:1])
    members: dict[str, Any] = {"brand": min(brands) if brands else "", "categories": sorted(categories)}
    return Line(1, min(skus) if skus else SOME_ITEM, units, charged, **members)


def _common(lists: Sequence[frozenset[str]]) -> frozenset[str] | None:
    """What all lists that say anything have in common; None where none does."""
    said = [one for one in lists if one]
    return frozenset.intersection(*said) if said else None


def together(book: Book, one: tuple[Campaign, Offer], other: tuple[Campaign, Offer]) -> Together | None:
    """The least order whose goods earn both offers, and what it gets of them; None where no such order can be.

    The order is placed when both are open, and judged beside all offers of the book.
    """
    (campaign, first), (rival, second) = one, other
    at = max(first.window.start, second.window.start, campaign.effective_at, rival.effective_at)
    line = _meeting([first, second])
    order_class = next((kind for kind in campaign.classes if kind in rival.classes), None)
    market = next((market for market in campaign.markets if market in rival.markets), None)
    if line is None or order_class is None or market is None or campaign.currency != rival.currency:
        return None
    if not (first.open_at(at) and second.open_at(at)):
        return None
    order = _order(campaign, [first, second], line, at, market, order_class)
    live = book.live(at, market, campaign.currency, None, order_class)
    for offer in (first, second):
        known = live.offers.get(offer.key)
        if known is None or known.revision != offer.revision or judge_one(order, offer).reason not in _MET:
            return None
    choice = choose(order, evaluate(order, live), live, set())
    given = {claim.offer for claim in choice.claims} | choice.benefits.keys()
    judged = {one.offer: one for one in choice.evaluation.judgements}
    pair = (first.key, second.key)
    missed = [judged[key] for key in pair if key not in given]
    return Together(
        pair,
        order,
        [key for key in pair if key in given],
        {one.offer: one.reason or Reason.CAUTION for one in missed},
        {one.offer: one.winner for one in missed if one.winner},
    )


def trial(campaign: Campaign, offer: Offer, country: str | None = None) -> Order | None:
    """The least order that earns an offer, to a country where the offer is made; None where no goods can."""
    line = _meeting([offer])
    if line is None:
        return None
    order = _order(campaign, [offer], line, offer.window.start)
    if country is None:
        return order
    return replaced(order, destination=replaced(order.destination, country=country))


def _meeting(offers: Sequence[Offer]) -> Line | None:
    """The line of least value that meets each of some offers."""
    units = max((_least(offer) for offer in offers if offer.by == "units"), default=1)
    price = 1
    for offer in offers:
        if offer.by == "unit":
            price = max(price, _least(offer))
        elif offer.by in ("total", "line"):
            price = max(price, -(-_least(offer) // units))
    return matching([offer.scope for offer in offers], units, units * price)


def _least(offer: Offer) -> int:
    return offer.threshold + offer.strict


def _order(
    campaign: Campaign,
    offers: Sequence[Offer],
    line: Line,
    at: Instant,
    market: str | None = None,
    order_class: OrderClass | None = None,
) -> Order:
    """An order that meets whatever else the offers ask: it is paid, an adult's, and goes where it may."""
    to, by = _common([offer.only_to for offer in offers]), _common([offer.services for offer in offers])
    gifts = [offer.gifts[offer.gift] for offer in offers if offer.gift is not None]
    lanes = _common([frozenset(gift.cautions.lanes) for gift in gifts])
    lane: Lane = "air" if lanes == frozenset({"air"}) else "ground"
    market = market or campaign.markets[0]
    return Order(
        "trial", 1, "placed", at, at, market, campaign.currency, [line],
        order_class or campaign.classes[0],
        destination=Destination(min(to) if to else market, lane=lane),
        service=min(by) if by else "",
        paid_at=at,
        age_answer="adult",
    )  # fmt: skip
