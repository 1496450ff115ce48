"""Checks a draft before it is published: what it says in words, at its edges and beside others, and what is against it.

It finds what makes an offer give nothing, and what seems other than announced. What is for trained or licensed people
to answer (dangerous goods, age, food, customs, claims) it only finds unanswered.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import field
from datetime import timedelta
from itertools import chain, combinations, islice, product
from typing import Literal
from zoneinfo import ZoneInfo

from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign, Gift, Offer
from makeweight.domain.claims import Receipt
from makeweight.domain.moments import Instant
from makeweight.domain.options import options_of, plan_of
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced, value
from makeweight.planning import announced
from makeweight.planning.trials import Edge, Together, edges, together, trial
from makeweight.planning.wording import in_words, worded

MAX_PAIRS = 2_000  # of offers, each of which is judged beside all others: some sixty offers, in a few seconds
Weight = Literal["wrong", "look"]


@value
class Finding:
    """Something against a draft. ``wrong``: something of it would give nothing; ``look``: somebody should."""

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
    """All that a check comes to. ``together`` are the pairs of offers that the same goods earn.

    ``untried`` is how many pairs were not looked at, beyond the first ``MAX_PAIRS``.
    """

    offers: list[Checked]
    together: list[Together] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    untried: int = 0

    @property
    def wrong(self) -> int:
        """How many findings make an offer give nothing."""
        return sum(one.weight == "wrong" for one in self.findings)


def check(
    drafts: Sequence[Campaign], published: Sequence[Campaign], stock: Sequence[Receipt] | None, now: Instant
) -> Check:
    """Check drafts beside what is published. ``stock`` is what they will have; None: it isn't looked at.

    Of a campaign of which there is a draft nothing that is published is a pair.
    """
    book = Book([*published, *drafts])
    names = {draft.campaign for draft in drafts}
    others = [one for one in published if one.campaign not in names and one.window.end > now]
    offers = [Checked(o, in_words(draft, o), edges(draft, o)) for draft in drafts for o in draft.offers]
    tried = _pairs(drafts, others)
    pairs = [found for one, other in islice(tried, MAX_PAIRS) if (found := together(book, one, other)) is not None]
    known = {offer.key for campaign in published for offer in campaign.offers}
    findings = [*each(drafts, published, now), *_alone(book, drafts), *_outranked(pairs, book)]
    if stock is not None:
        findings += [finding for draft in drafts for finding in _stock(draft, stock, known)]
    return Check(offers, pairs, sorted(findings, key=lambda one: one.weight != "wrong"), sum(1 for _ in tried))


# --- the campaign, its offers and its gifts


def each(drafts: Sequence[Campaign], published: Sequence[Campaign], now: Instant) -> Iterator[Finding]:
    """What is found of each campaign, offer and gift for itself, without looking at others or at stock."""
    for draft in drafts:
        yield from _campaign(draft, published, now)
        for offer in draft.offers:
            yield from _offer(draft, offer, now)
        yield from _gifts(draft)


def _campaign(draft: Campaign, published: Iterable[Campaign], now: Instant) -> Iterator[Finding]:
    zone, window = ZoneInfo(draft.zone), draft.window
    if window.end <= now:
        yield Finding("wrong", draft.campaign, "its window is over: no order can have anything of it")
    elif draft.effective_at >= window.end:
        yield Finding("wrong", draft.campaign, "it takes effect after its window: no order can have anything of it")
    elif draft.effective_at > window.start:
        at = worded(draft.effective_at, draft.zone)
        yield Finding("look", draft.campaign, f"it takes effect within its window, for orders placed from {at} on")
    start, end = window.start.astimezone(zone), window.end.astimezone(zone)
    if start.utcoffset() != end.utcoffset():
        hours = window.length // timedelta(hours=1)
        yield Finding("look", draft.campaign, f"the clock is changed within its window, which lasts {hours} hours")
    last = max((one for one in published if one.campaign == draft.campaign), key=lambda c: c.revision, default=None)
    if last is None or draft == last:
        return
    if draft.revision < last.revision or (
        draft.revision == last.revision and replaced(draft, effective_at=last.effective_at) != last
    ):
        text = f"revision {last.revision} is published; publish this as `revision: {last.revision + 1}`"
        yield Finding("wrong", draft.campaign, text)


def _offer(draft: Campaign, offer: Offer, now: Instant) -> Iterator[Finding]:
    yield from (Finding("look", offer.key, text) for text in announced.contradictions(offer))
    yield from (Finding("look", offer.key, text) for text in announced.unsaid(offer))
    if offer.paused:
        yield Finding("look", offer.key, "it is paused: nobody can have it until it is resumed")
    if offer.window.end <= now < draft.window.end:
        yield Finding("wrong", offer.key, "it has ended: no order can have it")
    if offer.kind not in ("gift", "benefit"):
        return
    order = trial(draft, offer)
    if order is None:
        yield Finding("wrong", offer.key, "no goods can earn it: what it counts is also what it leaves out")
        return
    if offer.total_cap == 0:
        yield Finding("wrong", offer.key, "its cap in all is 0: no order is given it")
    if offer.otherwise and offer.when_out != "substitute":
        yield Finding("look", offer.key, f"its substitutes are never sent: `when_out` is {offer.when_out}")
    yield from _withheld(draft, offer)


def _withheld(draft: Campaign, offer: Offer) -> Iterator[Finding]:
    """Countries for which an offer is made, and to which none of its gifts may go."""
    if offer.gift is None:
        return
    why: dict[str, str] = {}
    for country in sorted(offer.only_to):
        order = trial(draft, offer, country)
        options, withheld = options_of(order, offer, plan_of(offer), [1]) if order is not None else ([], {})
        if not options:
            why[country] = next(iter(withheld.values()), "")
    if why:
        weight: Weight = "wrong" if len(why) == len(offer.only_to) else "look"
        told = "; ".join(f"to {country}: {text}" for country, text in why.items())
        yield Finding(weight, offer.key, f"its gift is withheld from orders {told}")


def _alone(book: Book, drafts: Iterable[Campaign]) -> Iterator[Finding]:
    """Offers that name a group which no other offer names."""
    named: dict[str, set[str]] = {}
    for campaign in book:
        for offer in campaign.offers:
            if offer.group:
                named.setdefault(offer.group, set()).add(offer.key)
    ours = {offer.key for draft in drafts for offer in draft.offers}
    for group, keys in named.items():
        if len(keys) == 1 and keys <= ours:
            yield Finding("look", min(keys), f"no other offer is of its group {group}")


# --- offers beside each other


Placed = tuple[Campaign, Offer]


def _pairs(drafts: Sequence[Campaign], others: Sequence[Campaign]) -> Iterator[tuple[Placed, Placed]]:
    """Offers of the drafts in twos, and with those of others; no two revisions of one campaign."""
    given = ("gift", "benefit")
    ours = [(campaign, offer) for campaign in drafts for offer in campaign.offers if offer.kind in given]
    theirs = [(campaign, offer) for campaign in others for offer in campaign.offers if offer.kind in given]
    for one, other in chain(combinations(ours, 2), product(ours, theirs)):
        if one[0].campaign != other[0].campaign or one[0].revision == other[0].revision:
            yield one, other


def _outranked(pairs: Iterable[Together], book: Book) -> Iterator[Finding]:
    """Offers that are outranked by one that every order earns that earns them."""
    placed = {offer.key: (campaign, offer) for campaign in book for offer in campaign.offers}
    for pair in pairs:
        for missed, first in pair.winners.items():
            if first not in pair.offers or pair.misses[missed] is not Reason.OUTRANKED:
                continue
            winner = placed[first][1]
            if not _includes(placed[first], placed[missed]):
                continue
            text = f"whoever earns it earns {first}, which comes first in the group {winner.group}"
            if winner.benefit is not None and not winner.capped:
                yield Finding("wrong", missed, f"{text}: no order is given it")
            elif winner.when_out == "next":
                yield Finding("look", missed, f"{text}: it is given only where that is gone, capped or withheld")
            else:
                yield Finding("look", missed, f"{text}: it is given only where that may not be sent")


def _includes(wide: Placed, narrow: Placed) -> bool:
    """Whether whoever earns the narrow offer earns the wide one: no more is asked, of no fewer goods and orders."""
    (campaign, more), (rival, less) = wide, narrow
    if more.by != less.by or more.basis != less.basis or more.conditional or more.scope.leaves_out or more.paused:
        return False
    holds = all(
        not ours or (theirs and theirs <= ours)
        for ours, theirs in (
            (more.scope.brands, less.scope.brands),
            (more.scope.skus, less.scope.skus),
            (more.scope.categories, less.scope.categories),
        )
    )
    return (
        holds
        and (more.threshold, more.strict) <= (less.threshold, less.strict)
        and max(more.window.start, campaign.effective_at) <= max(less.window.start, rival.effective_at)
        and less.window.end <= more.window.end
        and set(rival.markets) <= set(campaign.markets)
        and set(rival.classes) <= set(campaign.classes)
        and (more.top_up or not less.top_up)
    )


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


def _stock(draft: Campaign, stock: Sequence[Receipt], known: Collection[str]) -> Iterator[Finding]:
    """What is not there; of an offer that is published already the service may have it."""
    units: Counter[tuple[str, str]] = Counter()
    for receipt in stock:
        units[receipt.offer, receipt.gift] += receipt.units
    for offer in draft.offers:
        if offer.gift is None:
            continue
        where = " in the file; the service may have some" if offer.key in known else ""
        weight: Weight = "look" if where or offer.when_out == "owed" else "wrong"
        for name in dict.fromkeys((offer.gift, *offer.choice)):
            if not units[offer.key, name]:
                yield Finding(weight, offer.key, f"there is no stock of {name} for it{where}")
        for name in offer.otherwise:
            if not units[offer.key, name]:
                yield Finding("look", offer.key, f"there is no stock of its substitute {name} for it{where}")
        there = sum(units[offer.key, name] for name in offer.gifts)
        if offer.expected_units is not None and there < offer.expected_units:
            text = f"{offer.expected_units:,} units are expected to be given, and {there:,} are there{where}"
            yield Finding("look", offer.key, text)
        if offer.total_cap is not None and there < offer.total_cap:
            text = f"its cap in all is {offer.total_cap:,}, and {there:,} units are there{where}"
            yield Finding("look", offer.key, text)
