"""Draws the picture that the board shows, of a watch and what is known beside it."""

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import timedelta

from makeweight.domain.campaigns import Campaign, Offer
from makeweight.domain.moments import Instant
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import Notice, OfferLevel
from makeweight.insight.tally import IN_WINDOW, Tally
from makeweight.planning.demand import Opened, clock, opened
from makeweight.planning.picture import (
    HOURS_SHOWN,
    Feed,
    Known,
    Limits,
    OfferPicture,
    OfferState,
    Picture,
    Rate,
    StockPlace,
    rate,
)
from makeweight.planning.signals import feed_signals, offer_signals, reject_signals
from makeweight.planning.watch import Watch, hour_of

EXCEPTIONS_SHOWN = 200  # of a kind; how many there are is told beside them
TOP_CUSTOMERS = 10


def draw(watch: Watch, known: Known, now: Instant, limits: Limits) -> Picture:
    """The picture at an instant."""
    as_of = _as_of(watch, now)
    levels = {level.offer: level for level in known.levels}
    offers = [
        _offer(watch, known, campaign, offer, levels.get(offer.key), as_of, limits)
        for campaign in sorted(known.book.in_force(now), key=lambda c: (c.window.end, c.campaign))
        for offer in campaign.offers
    ]
    per_hour = _latest(watch.orders_by_hour, as_of)
    by_kind: dict[str, list[Notice]] = {}
    for said in watch.exceptions.values():
        by_kind.setdefault(said.kind, []).append(said)
    newest = {
        kind: sorted(found, key=lambda n: n.at, reverse=True)[:EXCEPTIONS_SHOWN] for kind, found in by_kind.items()
    }
    return Picture(
        now,
        as_of,
        Feed(watch.watermark, watch.lag_seconds(), per_hour),
        offers,
        [
            *reject_signals(watch, now),
            *feed_signals(watch, known, offers, now, limits),
            *offer_signals(watch, known, offers, levels, as_of, limits),
        ],
        newest,
        {kind: len(found) for kind, found in by_kind.items()},
        known.profile_learnt,
        list(reversed(watch.rejects)),
        watch.rejects_count,
    )


def _as_of(watch: Watch, now: Instant) -> Instant:
    """Up to when the orders that were placed are known: the newest of them, or now less the time that they take."""
    lag = watch.lag_seconds()
    if lag is None or watch.watermark is None:
        return now
    return min(now, max(watch.watermark, now - timedelta(seconds=lag)))


def _latest(by_hour: Mapping[int, int], as_of: Instant) -> list[int]:
    last = hour_of(as_of)
    return [by_hour.get(hour, 0) for hour in range(last - HOURS_SHOWN + 1, last + 1)]


def _state(watch: Watch, offer: Offer, level: OfferLevel | None, now: Instant) -> OfferState:
    if now < offer.window.start:
        return "scheduled"
    if now >= offer.window.end:
        return "ended"
    if offer.paused:
        return "paused"
    if level is not None and level.exhausted_at is not None:
        return "exhausted"
    return "running_low" if offer.key in watch.low else "live"


def _offer(
    watch: Watch,
    known: Known,
    campaign: Campaign,
    offer: Offer,
    level: OfferLevel | None,
    as_of: Instant,
    limits: Limits,
) -> OfferPicture:
    tally, key = known.tally, offer.key
    balances = level.balances if level else []
    packed = sum(b.packed for b in balances)
    over, entitled_units = (
        tally.of(key, "over_gift_units"),
        tally.of(key, "granted_units") + tally.of(key, "owed_units"),
    )
    near = tally.of(key, "near_miss")
    given = opened(watch, known, offer, as_of)
    stock = [_place(watch, given, offer, balance, as_of, limits) for balance in balances]
    left, by_hour = _left(offer, level, balances), watch.units_of(key)
    taken = watch.customers.get(key, Counter())
    units_known = sum(taken.values())
    return OfferPicture(
        key,
        campaign.title,
        offer.says,
        offer.kind,
        _state(watch, offer, level, as_of),
        offer.window.start,
        offer.window.end,
        campaign.zone,
        campaign.currency,
        _rates(tally, offer, packed, entitled_units, over),
        tally.of(key, "granted_units"),
        tally.of(key, "owed_units"),
        over,
        left,
        _latest(by_hour, as_of),
        clock(left, by_hour, given, offer, as_of, limits) if left is not None else None,
        level.total_cap if level else offer.total_cap,
        tally.of(key, "near_miss_gap") // near if near else None,
        tally.reasons(key),
        stock,
        sum(b.packed * offer.gifts[b.gift].unit_cost for b in balances if b.gift in offer.gifts),
        watch.revenue[key],
        watch.revenue[offer.campaign],
        tally.of(key, "overcharged"),
        tally.of(key, "undercharged"),
        len(taken),
        sum(sorted(taken.values())[-TOP_CUSTOMERS:]) / units_known if units_known else None,
        level.exhausted_at if level else None,
        level.advertised_after_seconds if level else None,
    )


def _left(offer: Offer, level: OfferLevel | None, balances: Sequence[Balance]) -> int | None:
    """What can still be given: free units, or what the cap leaves, whichever is less; None where nothing limits it."""
    found = [sum(b.free for b in balances)] if offer.gift is not None else []
    if offer.total_cap is not None:
        found.append(max(0, offer.total_cap - (level.live_units if level else 0)))
    return min(found, default=None)


def _rates(tally: Tally, offer: Offer, packed: int, entitled_units: int, over: int) -> dict[str, Rate]:
    key = offer.key
    in_window, qualified = tally.of(offer.campaign, IN_WINDOW), tally.of(key, "qualified")
    if offer.kind in ("price", "reduction"):
        lines = tally.of(key, "lines_on_offer")
        return {
            "qualification": rate(qualified, in_window),
            "price_accuracy": rate(lines - tally.of(key, "lines_mispriced"), lines),
        }
    entitled = tally.of(key, "granted") + tally.of(key, "owed")
    found = {
        "qualification": rate(qualified, in_window),
        "entitlement": rate(entitled, qualified),
        "near_miss": rate(tally.of(key, "near_miss"), in_window - qualified),
    }
    if offer.kind == "gift":
        found |= {
            "take_up": rate(tally.of(key, "redeemed"), entitled),
            "fill": rate(packed - over, entitled_units),
            "over_gift": rate(over, packed),
        }
    return found


def _place(watch: Watch, given: Opened, offer: Offer, balance: Balance, as_of: Instant, limits: Limits) -> StockPlace:
    by_hour = watch.units_by_hour.get((offer.key, balance.gift, balance.site), Counter())
    gift = offer.gifts.get(balance.gift)
    units = max(0, sum(by_hour.values()))
    burn = units / given.hours if given.hours > 0 and units else None
    return StockPlace(
        balance.gift,
        gift.title if gift else balance.gift,
        balance,
        _latest(by_hour, as_of),
        burn,
        balance.free / burn if burn else None,
        clock(balance.free, by_hour, given, offer, as_of, limits),
    )
