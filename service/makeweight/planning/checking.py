"""Checks a draft before it is published: what it says in words, at its edges and beside others, and what is against it.

It finds what makes an offer give nothing or other than announced. What is for trained or licensed people to answer
(dangerous goods, age, food, customs, claims) it only finds unanswered.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import field
from datetime import timedelta
from itertools import combinations
from typing import Literal
from zoneinfo import ZoneInfo

from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign, Gift, Offer
from makeweight.domain.claims import Receipt
from makeweight.domain.moments import Instant
from makeweight.domain.reasons import Reason
from makeweight.domain.values import value
from makeweight.planning import announced
from makeweight.planning.trials import Edge, Together, edges, together
from makeweight.planning.wording import in_words

Weight = Literal["wrong", "look"]


@value
class Finding:
    """Something against a draft. ``wrong``: it gives nothing, or other than it says; ``look``: somebody should."""

    weight: Weight
    about: str
    sentence: str


@value
class Checked:
    """An offer as it is set up: in words, and at its edges."""

    offer: Offer
    words: list[str]
    edges: list[Edge]


@value
class Check:
    """All that a check comes to. ``together`` are the pairs of offers that the same goods earn."""

    offers: list[Checked]
    together: list[Together] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    @property
    def wrong(self) -> int:
        """How many findings make an offer give nothing, or other than it says."""
        return sum(one.weight == "wrong" for one in self.findings)


def check(
    drafts: Sequence[Campaign], published: Iterable[Campaign], stock: Sequence[Receipt] | None, now: Instant
) -> Check:
    """Check drafts beside what is published. ``stock`` is what they will have; None: it isn't looked at.

    Of a published campaign its latest revision counts, unless a draft is a later one.
    """
    names = {draft.campaign for draft in drafts}
    latest: dict[str, Campaign] = {}
    for one in published:
        known = latest.get(one.campaign)
        if one.campaign not in names and one.window.end > now and (known is None or known.revision < one.revision):
            latest[one.campaign] = one
    book = Book([*drafts, *latest.values()])
    offers = [Checked(o, in_words(draft, o), edges(draft, o)) for draft in drafts for o in draft.offers]
    pairs = list(_pairs(book, drafts, list(latest.values())))
    findings = [
        *(finding for draft in drafts for finding in _campaign(draft, now)),
        *(finding for one in offers for finding in _offer(one)),
        *_never(pairs, {offer.key: offer for campaign in book for offer in campaign.offers}),
        *(finding for draft in drafts for finding in _gifts(draft)),
    ]
    if stock is not None:
        findings += [finding for draft in drafts for finding in _stock(draft, stock)]
    return Check(offers, pairs, sorted(findings, key=lambda one: one.weight != "wrong"))


# --- the campaign and its offers


def _campaign(draft: Campaign, now: Instant) -> Iterator[Finding]:
    zone, window = ZoneInfo(draft.zone), draft.window
    if window.end <= now:
        yield Finding("wrong", draft.campaign, "its window is over: no order can have anything of it")
    start, end = window.start.astimezone(zone), window.end.astimezone(zone)
    if start.utcoffset() != end.utcoffset():
        hours = window.length // timedelta(hours=1)
        yield Finding("look", draft.campaign, f"the clock is changed within its window, which lasts {hours} hours")
    for kind, count in Counter(offer.group for offer in draft.offers if offer.group).items():
        if count == 1:
            text = f"group {kind} has this offer alone; offers of other campaigns may name it too"
            (alone,) = (offer.key for offer in draft.offers if offer.group == kind)
            yield Finding("look", alone, text)


def _offer(one: Checked) -> Iterator[Finding]:
    offer = one.offer
    yield from (Finding("wrong", offer.key, text) for text in announced.contradictions(offer))
    yield from (Finding("look", offer.key, text) for text in announced.unsaid(offer))
    if offer.paused:
        yield Finding("look", offer.key, "it is paused: nobody can have it until it is resumed")
    if offer.kind in ("gift", "benefit") and not one.edges:
        yield Finding("wrong", offer.key, "no goods can earn it: what it counts is also what it leaves out")
    elif one.edges and not any(edge.earns for edge in one.edges):
        yield Finding("wrong", offer.key, "no order earns it; look at its caps")


# --- offers beside each other


def _pairs(book: Book, drafts: Sequence[Campaign], others: Sequence[Campaign]) -> Iterator[Together]:
    given = ("gift", "benefit")
    ours = [(campaign, offer) for campaign in drafts for offer in campaign.offers if offer.kind in given]
    theirs = [(campaign, offer) for campaign in others for offer in campaign.offers if offer.kind in given]
    for one, other in [*combinations(ours, 2), *((one, other) for one in ours for other in theirs)]:
        found = together(book, one, other)
        if found is not None:
            yield found


def _never(pairs: Iterable[Together], offers: Mapping[str, Offer]) -> Iterator[Finding]:
    """Offers that are outranked by one that every order earns that earns them."""
    for pair in pairs:
        for missed, reason in pair.misses.items():
            first = next(key for key in pair.offers if key != missed)
            if reason is Reason.OUTRANKED and _includes(offers[first], offers[missed]):
                group = offers[missed].group
                text = f"whoever earns it earns {first}, which comes first in the group {group}"
                yield Finding("look", missed, f"{text}: it is given only once that is gone")


def _includes(wide: Offer, narrow: Offer) -> bool:
    """Whether whoever earns the narrow offer earns the wide one: same measure, no more asked, no fewer goods."""
    if wide.by != narrow.by or wide.basis != narrow.basis or wide.conditional or wide.scope.leaves_out:
        return False
    asks_less = (wide.threshold, wide.strict) <= (narrow.threshold, narrow.strict)
    holds = all(
        not ours or (theirs and theirs <= ours)
        for ours, theirs in (
            (wide.scope.brands, narrow.scope.brands),
            (wide.scope.skus, narrow.scope.skus),
            (wide.scope.categories, narrow.scope.categories),
        )
    )
    in_time = wide.window.start <= narrow.window.start and narrow.window.end <= wide.window.end
    return asks_less and holds and in_time and not wide.paused


# --- gifts and their stock


def _gifts(draft: Campaign) -> Iterator[Finding]:
    used = {name for offer in draft.offers for name in offer.gifts}
    for name, gift in draft.gifts.items():
        if name not in used:
            yield Finding("look", name, "no offer gives it")
            continue
        open_ = [word for word, answer in _answers(gift).items() if answer is None]
        if open_:
            yield Finding("wrong", name, f"no order gets it: nobody answered its cautions ({', '.join(open_)})")
        missing = [word for word, known in _goods(gift).items() if not known]
        if missing:
            yield Finding("look", name, f"not known of it: {'; '.join(missing)}")


def _answers(gift: Gift) -> Mapping[str, str | None]:
    cautions = gift.cautions
    return {"dangerous goods": cautions.dangerous_goods, "age": cautions.age, "food": cautions.food}


def _goods(gift: Gift) -> Mapping[str, object]:
    known: dict[str, object] = {"GTIN (its barcode holds the item number)": gift.gtin, "weight": gift.weight_grams}
    known["unit cost (reports tell none)"] = gift.unit_cost
    if gift.ships_from:
        known[f"customs data (it stays in {gift.ships_from})"] = gift.customs
    return known


def _stock(draft: Campaign, stock: Sequence[Receipt]) -> Iterator[Finding]:
    units: Counter[tuple[str, str]] = Counter()
    for receipt in stock:
        units[receipt.offer, receipt.gift] += receipt.units
    for offer in draft.offers:
        if offer.gift is None:
            continue
        for name in dict.fromkeys((offer.gift, *offer.choice)):
            if not units[offer.key, name]:
                yield Finding("wrong", offer.key, f"there is no stock of {name} for it")
        for name in offer.otherwise:
            if not units[offer.key, name]:
                yield Finding("look", offer.key, f"there is no stock of its substitute {name} for it")
        there = sum(units[offer.key, name] for name in offer.gifts)
        if offer.expected_units is not None and there < offer.expected_units:
            text = f"{offer.expected_units:,} units are expected to be given, and {there:,} are there"
            yield Finding("look", offer.key, text)
        if offer.total_cap is not None and there < offer.total_cap:
            yield Finding("look", offer.key, f"its cap in all is {offer.total_cap:,}, and {there:,} units are there")
