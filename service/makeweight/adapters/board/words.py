"""Numbers and instants in words, as the board's pages say them."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from makeweight.domain.moments import Instant, seconds_between
from makeweight.domain.money import to_major
from makeweight.insight.runout import RunOut
from makeweight.planning.picture import OfferPicture, Rate

WEEK = timedelta(days=6)
ALMOST = 0.9999  # what is foretold is never certain
MINUTE, HOUR, DAY = 60, 3_600, 86_400

STATES = {
    "scheduled": "Scheduled",
    "live": "Live",
    "running_low": "Running low",
    "exhausted": "Used up",
    "paused": "Paused",
    "ended": "Ended",
}
RATES = {
    "qualification": ("Qualified", "of orders in its time"),
    "entitlement": ("Entitled", "of those that qualified"),
    "take_up": ("Packed with it", "of entitled orders"),
    "fill": ("Units packed", "of units promised"),
    "over_gift": ("Packed unearned", "of units packed"),
    "near_miss": ("Near miss", "of orders below it"),
    "price_accuracy": ("As advertised", "of lines on offer"),
}
KINDS = {
    "owed_gift": "Owed",
    "over_gift": "Over-gift",
    "blocked_by_caution": "Blocked",
    "price_mismatch": "Price mismatch",
    "intercept": "Intercept",
    "put_back_overdue": "Not put back",
    "late_arrival": "Late arrival",
    "clawback_advice": "Clawback advice",
    "repeated_refusal": "Refused again",
    "order_splitting": "Orders split",
    "unearned_gifts": "Unearned again",
}
KINDS_OF_MONEY = frozenset({"price_mismatch", "clawback_advice"})
INPUTS = {
    "orders": "Order event",
    "fulfilment": "Warehouse fact",
    "ledger-commands": "Said of stock",
    "decisions": "Ledger's answer",
    "campaigns": "Campaign",
}
SIGNALS = {
    "orders_put_aside": "Orders put aside",
    "silent_offer": "Nothing granted",
    "feed_gap": "No orders",
    "demand_drop": "Few orders",
    "not_packed": "Not packed",
    "still_advertised": "Still announced",
}


def number(count: float) -> str:
    """A whole number with its thousands apart: 12,345."""
    return f"{count:,.0f}"


def percent(share: float) -> str:
    """A proportion in percent; what is neither nothing nor all never looks like it: 0.9996 -> '> 99.9'."""
    text = f"{100 * share:.1f}"
    if share > 0 and text == "0.0":
        return "< 0.1"
    return "> 99.9" if share < 1 and text == "100.0" else text


def rate(one: Rate) -> tuple[str, str, str]:
    """A rate, its interval, and what it is of: ('14.4 %', '13.7 to 15.2', '1,240 of 8,600')."""
    if one.share is None or one.low is None or one.high is None:
        return "none yet", "", ""
    between = f"{percent(one.low)} to {percent(one.high)}"
    return f"{percent(one.share)} %", between, f"{number(one.hits)} of {number(one.tries)}"


def at(instant: Instant, now: Instant, zone: str) -> str:
    """An instant on the clock of a zone: '18:10' today, 'Wed 18:10' within a week, else '30 Nov 18:10'."""
    local, today = instant.astimezone(ZoneInfo(zone)), now.astimezone(ZoneInfo(zone))
    return _local(local, today)


def _local(local: datetime, today: datetime) -> str:
    if local.date() == today.date():
        return f"{local:%H:%M}"
    if abs(local - today) < WEEK:
        return f"{local:%a %H:%M}"
    return f"{local.day} {local:%b %H:%M}"


def span(seconds: float) -> str:
    """A length of time in its largest units: '8 s', '12 min', '3 h 20 min', '2 days'."""
    if seconds < MINUTE:
        return f"{seconds:.0f} s"
    if seconds < HOUR:
        return f"{seconds / MINUTE:.0f} min"
    if seconds < 2 * DAY:
        hours, rest = divmod(round(seconds / MINUTE), 60)
        return f"{hours} h {rest} min" if rest and hours < 10 else f"{hours} h"  # noqa: PLR2004 - then it says enough
    return f"{seconds / DAY:.0f} days"


def amount(minor: int, currency: str) -> str:
    """Money in major units with its currency."""
    whole, dot, rest = to_major(abs(minor), currency).partition(".")
    return f"{'-' if minor < 0 else ''}{int(whole):,}{dot}{rest} {currency}"


def ends(offer: OfferPicture, now: Instant) -> str:
    """When an offer begins or ends."""
    if offer.state == "scheduled":
        return f"begins {at(offer.starts, now, offer.zone)}"
    return f"{'ended' if offer.state == 'ended' else 'until'} {at(offer.ends, now, offer.zone)}"


def run_out(offer: OfferPicture, clock: RunOut | None, now: Instant) -> str:
    """When an offer's stock is gone, in a sentence that doesn't say more than is known."""
    if offer.state == "ended":
        return "The offer is over."
    if offer.state == "scheduled":
        return f"It begins {at(offer.starts, now, offer.zone)}: nothing is asked for yet."
    if offer.state == "paused":
        return "Paused: no order can have it until it is resumed."
    if offer.left_units is None:
        return "Nothing limits it."
    if offer.left_units <= 0:
        since = f" since {at(offer.exhausted_at, now, offer.zone)}" if offer.exhausted_at else ""
        capped = any(place.balance.free > 0 for place in offer.stock)
        return f"Its cap has been reached{since}." if capped else f"Nothing left{since}."
    if clock is None or clock.before_end is None:
        return "Nothing has been asked for yet, so no run-out can be told."
    return _between(offer, clock, now)


def _between(offer: OfferPicture, clock: RunOut, now: Instant) -> str:
    early, middle, late = (
        at(one, now, offer.zone) if one is not None else "" for one in (clock.at_p05, clock.at_p50, clock.at_p95)
    )
    if not early:
        return "It lasts to the end of the offer, as far as burn tells."
    if not middle:
        return f"Hardly before {early}, and more likely not before the offer ends."
    if not late:
        return f"Hardly before {early}, as likely as not by {middle}, or not before the offer ends."
    return f"Gone between {early} and {late}, as likely as not by {middle}."


def chance(clock: RunOut | None) -> str:
    """The probability that the stock is gone before the offer ends."""
    if clock is None or clock.before_end is None:
        return ""
    return f"{percent(min(clock.before_end, ALMOST))} %"


def gone_by(clock: RunOut | None, now: Instant, zone: str) -> str:
    """The band of one stock in short, for a table: '18:10 to 21:40'."""
    if clock is None or clock.before_end is None:
        return "-"
    if clock.at_p05 is None:
        return "not before the end"
    early = at(clock.at_p05, now, zone)
    return f"{early} to {at(clock.at_p95, now, zone)}" if clock.at_p95 is not None else f"{early} or later"


def name(key: str) -> str:
    """The name of an offer or kind for people: 'ink-week/ink-sampler' -> 'Ink sampler'."""
    text = key.rpartition("/")[2].replace("-", " ").replace("_", " ").strip()
    return text[:1].upper() + text[1:]


def ago(then: Instant, now: Instant) -> str:
    """How long ago something was."""
    return f"{span(max(0.0, seconds_between(then, now)))} ago"
