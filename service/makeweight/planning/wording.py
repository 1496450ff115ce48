"""An offer in plain words, made of what decides and not of what is announced: so that somebody can compare the two."""

from collections.abc import Iterable, Sequence
from zoneinfo import ZoneInfo

from makeweight.domain.campaigns import Campaign, Offer, Scope
from makeweight.domain.moments import Instant
from makeweight.domain.reasons import amount, measured


def in_words(campaign: Campaign, offer: Offer) -> list[str]:
    """What an offer asks and gives, a sentence each: first what earns what, then each thing that limits it."""
    if offer.kind == "price":
        prices = [f"{sku} at {amount(minor, offer.currency)}" for sku, minor in sorted(offer.prices.items())]
        return [f"{_and(prices)}: each line of them is compared with it.", *_open(campaign, offer)]
    if offer.kind == "reduction":
        goods = _goods(offer.scope)
        most = f"{_first(goods)} at up to {offer.up_to_percent} % below list price."
        return [most, *_left_out(offer.scope), *_open(campaign, offer)]
    return [
        f"{_first(_asked(offer))} earns {_given(offer)}.",
        *_counting(offer),
        *_caps(offer),
        *_conditions(offer),
        *_rivals(offer),
        *_when_out(offer),
        *_open(campaign, offer),
    ]


def worded(instant: Instant, zone: str) -> str:
    """An instant on the clock of a zone: 'Mon 30 Nov 2026 00:00'."""
    local = instant.astimezone(ZoneInfo(zone))
    return f"{local:%a} {local.day} {local:%b %Y %H:%M}" + (f":{local:%S}" if local.second else "")


def _first(text: str) -> str:
    return text[:1].upper() + text[1:]


def _and(names: Sequence[str], word: str = "and") -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} {word} {names[-1]}"


def _or(names: Iterable[str]) -> str:
    return _and(sorted(names), "or")


def _goods(scope: Scope) -> str:
    """The goods of a scope: 'goods of Inkmoor or Birch, in category pens'."""
    if scope.whole_order:
        return "any goods"
    parts = []
    if scope.brands:
        parts.append(f"of {_or(scope.brands)}")
    if scope.categories:
        parts.append(f"in category {_or(scope.categories)}")
    if scope.skus:
        parts.append(f"with item number {_or(scope.skus)}")
    return f"goods {', '.join(parts)}"


def _asked(offer: Offer) -> str:
    goods, least = _goods(offer.scope), measured(offer.threshold, offer.by, offer.currency)
    if offer.for_each:
        return f"each {least} {'' if offer.by == 'units' else 'spent '}{'of' if offer.by == 'units' else 'on'} {goods}"
    how = f"over {least}" if offer.strict else f"{least} or more"
    if offer.by == "any":
        return f"any purchase of {goods} at a price above zero"
    if offer.by == "units":
        return f"{how} of {goods}"
    if offer.by == "total":
        return f"{how} spent on {goods}"
    what = "one order line" if offer.by == "line" else "one unit"
    return f"{what} of {goods} for {how}"


def _given(offer: Offer) -> str:
    if offer.benefit is not None:
        return offer.benefit.replace("_", " ")
    assert offer.gift is not None
    name = _titled(offer, offer.gift)
    if offer.choice:
        names = _and([_titled(offer, one) for one in dict.fromkeys((offer.gift, *offer.choice))], "or")
        name = f"what the order chooses of {names} (if it says nothing, {offer.gift})"
    return f"{offer.units} x {name}"


def _titled(offer: Offer, gift: str) -> str:
    return f"{offer.gifts[gift].title} ({gift})"


def _counting(offer: Offer) -> list[str]:
    how = ", if they are paid for" if offer.by == "any" else ""
    if offer.by in ("total", "line", "unit"):
        before = "at their list prices, before markdowns and discounts"
        after = "as they are charged, after markdowns and their share of the order's discounts"
        how = f" {after if offer.basis == 'charged' else before}"
    told = [f"Goods count{how}; gift cards, services and carriage don't.", *_left_out(offer.scope)]
    if offer.top_up:
        told.append("Goods that are added after it has ended count, while nothing is released.")
    return told


def _left_out(scope: Scope) -> list[str]:
    out = [f"item number {_or(scope.not_skus)}"] if scope.not_skus else []
    out += [f"category {_or(scope.not_categories)}"] if scope.not_categories else []
    out += ["what is charged below its list price"] if scope.not_reduced else []
    return [f"Not counted: {_and(out)}."] if out else []


def _caps(offer: Offer) -> list[str]:
    caps = ((offer.order_cap, "to an order"), (offer.customer_cap, "to a customer"), (offer.total_cap, "in all"))
    told = [f"{cap:,} {to}" for cap, to in caps if cap is not None]
    unknown = " An order that names no customer is held to no customer's cap." if offer.customer_cap is not None else ""
    return [f"At most {_and(told)}.{unknown}"] if told else []


def _conditions(offer: Offer) -> list[str]:
    told = []
    if offer.only_to:
        told.append(f"Only for orders to {_or(offer.only_to)}.")
    if offer.services:
        told.append(f"Only for orders by the service {_or(offer.services)}.")
    if offer.paid_within_days is not None:
        days = f"{offer.paid_within_days} day{'' if offer.paid_within_days == 1 else 's'}"
        told.append(f"It lapses unless the order is paid within {days}.")
    if offer.value_used == "once":
        told.append("What earned it counts for no other offer that says so too.")
    return told


def _rivals(offer: Offer) -> list[str]:
    return [f"One offer of the group {offer.group} is given; its rank is {offer.rank}."] if offer.group else []


def _when_out(offer: Offer) -> list[str]:
    if offer.gift is None:
        return []
    others = [f"{offer.gift} instead of another choice, unless it adds a caution"] if offer.choice else []
    if offer.when_out == "substitute":
        others += [f"{_titled(offer, one)} instead" for one in offer.otherwise]
    last = {
        "owed": "it is owed, and sent once there is stock",
        "next": "the next of its group, if there is one" if offer.group else "nothing",
    }
    told = [*others, *([last[offer.when_out]] if offer.when_out in last else [])]
    return [f"When it is gone: {_and(told, 'then')}."]


def _open(campaign: Campaign, offer: Offer) -> list[str]:
    since = max(offer.window.start, campaign.effective_at)
    start, end = (worded(at, campaign.zone) for at in (since, offer.window.end))
    who = f"{_or(campaign.classes)} orders in {_or(campaign.markets)}"
    paused = ["It is paused: nobody can have it."] if offer.paused else []
    return [f"For {who}, placed from {start} until before {end}, {campaign.zone}.", *paused]
