"""Silence is a signal: what should have happened by now and has not, and what goes on and should not."""

from collections.abc import Mapping, Sequence
from datetime import timedelta

from makeweight.domain.moments import Instant, seconds_between
from makeweight.domain.tickets import OfferLevel
from makeweight.insight.silence import overdue, silence_of
from makeweight.planning.demand import opened
from makeweight.planning.picture import Known, Limits, OfferPicture, Signal
from makeweight.planning.watch import HOUR_SECONDS, Watch, hour_of, instant_of_hour

# Without a profile a quiet night looks like a broken feed: demand is then taken to fall to so much of its mean.
QUIET_SHARE = 0.25
# How sure an hour's expectation is at best: its relative variance is at least so much, whatever history says.
HOUR_VARIANCE = 0.05
# An order that was put aside is urgent while it can still be packed with the others; the list has it for longer.
URGENT = timedelta(hours=24)


def reject_signals(watch: Watch, now: Instant) -> list[Signal]:
    """Orders of which an event was put aside, and none was taken in since: they get no ticket, or not the last one."""
    found = [one for one in watch.waiting.values() if now - one.aside.at <= URGENT]
    if not found:
        return []
    lost = [one for one in found if not one.is_known]
    first = (lost or found)[0].aside
    never = f"{len(lost)} of them {'were' if len(lost) > 1 else 'was'} never taken in at all"
    if len(found) == 1:
        text = "1 order has an event that was put aside, and " + (
            "was never taken in" if lost else "none taken in since"
        )
    else:
        text = f"{len(found)} orders have an event that was put aside, and none taken in since"
        text += f"; {never}" if lost else ""
    text += f"; {'the first' if len(found) > 1 else 'it'} is {first.key}: {first.why}"
    return [Signal("orders_put_aside", text, found[0].aside.at, figure=len(found))]


def feed_signals(
    watch: Watch, known: Known, offers: Sequence[OfferPicture], now: Instant, limits: Limits
) -> list[Signal]:
    """No order for longer than demand explains; or far fewer than it does, which only a profile can tell from night."""
    live = [offer for offer in offers if offer.state not in ("scheduled", "ended")]
    if watch.watermark is None or not live:
        return []
    profile = known.profiles(live[0].zone)
    since, sure = watch.watermark, 1.0 if known.profile_learnt else QUIET_SHARE
    first = instant_of_hour(min(watch.orders_by_hour))
    exposed = profile.exposure_hours(first, since)
    if exposed <= 0:
        return []
    per_hour = sum(watch.orders_by_hour.values()) / exposed
    expected = sure * per_hour * profile.exposure_hours(since, now)
    if silence_of(expected, 0, 0.0, 0, level=limits.chance) == "gap":
        minutes = round(seconds_between(since, now) / 60)
        text = f"No order for {minutes} minutes, where {_about(expected)} were expected: look at the feed first."
        return [Signal("feed_gap", text, since, figure=expected)]
    whole = instant_of_hour(hour_of(since) - 1)
    if not known.profile_learnt or whole <= first:
        return []
    expected = per_hour * profile.exposure_hours(whole, whole + timedelta(hours=1))
    came = watch.orders_by_hour[hour_of(whole)]
    certainty = 1 / max(HOUR_VARIANCE, profile.day_variance)
    if overdue(expected, came, certainty=certainty, level=limits.chance):
        text = f"{came} orders in the last whole hour, where {_about(expected)} were expected: demand has dropped."
        return [Signal("demand_drop", text, whole, figure=expected)]
    return []


def offer_signals(
    watch: Watch,
    known: Known,
    offers: Sequence[OfferPicture],
    levels: Mapping[str, OfferLevel],
    as_of: Instant,
    limits: Limits,
) -> list[Signal]:
    """Of each offer: nothing granted for too long, not packed, exhausted and still announced."""
    found: list[Signal] = []
    late = watch.not_packed(as_of, limits.packed_within)
    for offer in offers:
        found += _silent(watch, known, offer, as_of, limits)
        level = levels.get(offer.key)
        if offer.state == "exhausted" and level is not None and level.taken_down_at is None and level.exhausted_at:
            minutes = round(seconds_between(level.exhausted_at, as_of) / 60)
            text = f"It ran out {minutes} minutes ago, and nobody has said that its announcement is gone."
            found.append(Signal("still_advertised", text, level.exhausted_at, offer.key, minutes))
        if orders := late.get(offer.key):
            hours = round(limits.packed_within.total_seconds() / HOUR_SECONDS)
            how = f"{len(orders)} orders were" if len(orders) > 1 else "1 order was"
            text = f"{how} granted it more than {hours} hours ago and not packed with it; the first is {orders[0]}."
            found.append(Signal("not_packed", text, watch.out[offer.key, orders[0]].since, offer.key, len(orders)))
    return found


def _silent(watch: Watch, known: Known, offer: OfferPicture, as_of: Instant, limits: Limits) -> list[Signal]:
    """A gift offer that could give, and that nothing was granted of for longer than chance explains.

    Once it has given, orders that came and got nothing are held against the share of orders that got it so far,
    whatever the hour. Before that, it is what the campaign expects of it over the window, as far as that has passed.
    """
    declared = known.book.offer(offer.key)
    if offer.kind != "gift" or offer.state not in ("live", "running_low") or declared is None:
        return []
    spans = opened(watch, known, declared, as_of).spans
    if not spans:
        return []
    last, granted = watch.granted_at.get(offer.key), offer.rates["entitlement"].hits
    if last is not None and granted:
        since = max(last, spans[-1][0])
        orders = watch.orders_since(since)
        expected = orders * granted / max(granted, offer.rates["qualification"].tries)
        if overdue(expected, 0, certainty=granted, level=limits.chance):
            text = f"None of the last {orders} orders was granted it, where {_about(expected)} were expected."
            return [Signal("silent_offer", text, since, offer.key, expected)]
        return []
    since, profile = spans[0][0], known.profiles(offer.zone)
    if not declared.expected_units or last is not None:
        return []
    sure = 1.0 if known.profile_learnt else QUIET_SHARE
    share = profile.exposure_hours(since, as_of) / profile.exposure_hours(offer.starts, offer.ends)
    expected = sure * declared.expected_units * share
    if overdue(expected, 0, level=limits.chance):
        text = f"Nothing granted since it began, where {_about(expected)} units were expected by now."
        return [Signal("silent_offer", text, since, offer.key, expected)]
    return []


def _about(expected: float) -> str:
    return f"about {expected:.0f}"
