"""A change of an offer, made as the next revision of its campaign: paused, resumed, ended, capped, with another gift.

A revision counts for orders that are placed once it is in force, so no order loses what it was promised. One that is in
the customer's favour may count from an earlier instant: it makes a list of orders that are newly owed (trade practice).
"""

from collections.abc import Callable, Mapping
from copy import deepcopy
from dataclasses import field
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

from makeweight.contracts.campaigns import DocumentError, read_campaign
from makeweight.contracts.problems import nearest
from makeweight.domain.campaigns import Campaign, Offer
from makeweight.domain.moments import Instant, instant_of, zone_of
from makeweight.domain.values import value

Document = Mapping[str, Any]
Kind = Literal["pause", "resume", "end", "cap", "swap"]
NOTICE = timedelta(seconds=10)  # a revision takes effect no sooner after it is published
ALLOWANCE = timedelta(seconds=5)  # to say yes, and to publish


class ChangeRefused(ValueError):
    """The change can't be made; the message says why and what to do."""


@value
class Change:
    """What is to become of an offer, who says so, and why.

    ``at`` is the instant from which it counts, or at which the offer ends; None is as soon as may be. ``caps`` are the
    new ones by their names (total, per_customer), None to have none. ``gift`` is what is given instead, and ``facts``
    are the members of a gift that the campaign doesn't have yet.
    """

    kind: Kind
    offer: str
    by: str
    why: str
    at: Instant | None = None
    caps: dict[str, int | None] = field(default_factory=dict)
    gift: str = ""
    facts: dict[str, Any] | None = None

    @property
    def campaign(self) -> str:
        """The campaign of the offer."""
        return self.offer.partition("/")[0]


@value
class Correction:
    """A revision that someone wrote, to count from an instant that has passed: a threshold that was set too high."""

    document: Document
    since: Instant
    by: str
    why: str

    @property
    def campaign(self) -> str:
        """The campaign of the page."""
        return str(self.document.get("campaign"))


@value
class Revision:
    """The next revision: its document, the campaign that it makes, and the one that it follows.

    ``counts_from`` is the instant of the change, ``effective`` when the revision is in force: the same, unless the
    change is in the customer's favour and the instant has passed. ``against`` says what in it is not in their favour.
    """

    document: dict[str, Any]
    campaign: Campaign
    before: Campaign
    counts_from: Instant
    effective: Instant
    against: list[str]

    @property
    def late(self) -> str | None:
        """Why it must not be published, though what it would come to may be asked; None if it may."""
        if self.counts_from >= self.effective or not self.against:
            return None
        return (
            f"{_told(self.counts_from)} is too early: orders placed since then were promised more, and "
            f"{' and '.join(self.against)} would take it from them. Name {_told(self.effective)} or later"
        )


def soonest(now: Instant) -> Instant:
    """The first whole second at which a revision that is published now can be in force."""
    at = now.astimezone(UTC) + NOTICE + ALLOWANCE
    return at.replace(microsecond=0) + timedelta(seconds=bool(at.microsecond))


def revise(document: Document, change: Change, now: Instant) -> Revision:
    """The revision that a change makes of a campaign's latest document. ``ChangeRefused`` if it can't be made."""
    before = read_campaign(document)
    offer = before.offer(change.offer)
    if offer is None:
        known = [o.key for o in before.offers]
        text = f"no offer {change.offer!r} in revision {before.revision}{nearest(change.offer, known)}"
        raise ChangeRefused(f"{text}; it has {', '.join(known)}")
    if offer.kind in ("price", "reduction"):
        raise ChangeRefused(f"{offer.key} is a price, and gives nothing; publish a revision with another price")
    signed(change.by, change.why)
    first = soonest(now)
    at = first if change.at is None else change.at.astimezone(UTC)
    if at.microsecond:
        raise ChangeRefused(f"{at.isoformat()}: expected a whole second")
    new = deepcopy(dict(document))
    model = next(o for o in new["offers"] if o["offer"] == change.offer.partition("/")[2])
    _CHANGES[change.kind](new, model, offer, change, at)
    new |= {"revision": before.revision + 1, "published_by": change.by, "why": change.why}
    counts_from = min(at, offer.window.end) if change.kind == "end" else at
    return _revision(new, before, counts_from, first)


def correct(latest: Document, correction: Correction, now: Instant) -> Revision:
    """The revision that a correction makes after the latest document. ``ChangeRefused`` if it can't be made."""
    before, new = read_campaign(latest), deepcopy(dict(correction.document))
    signed(correction.by, correction.why)
    new |= {"revision": before.revision + 1, "published_by": correction.by, "why": correction.why}
    return _revision(new, before, correction.since.astimezone(UTC), soonest(now))


def signed(by: str, why: str) -> None:
    """``ChangeRefused`` unless somebody answers for it, and says why."""
    if not by.strip() or not why.strip():
        raise ChangeRefused("a change says who answers for it and why: name both")


def _revision(new: dict[str, Any], before: Campaign, counts_from: Instant, first: Instant) -> Revision:
    effective = max(counts_from, first)
    if before.effective_at > effective:
        text = f"revision {before.revision} takes effect at {_told(before.effective_at)}, and this one follows it"
        raise ChangeRefused(f"{text}; name {_told(before.effective_at)} or later")
    new["effective"] = effective.isoformat()
    try:
        campaign = read_campaign(new)
    except DocumentError as error:
        raise ChangeRefused(f"the campaign would contradict itself: {error}") from None
    return Revision(new, campaign, before, counts_from, effective, against(before, campaign))


# ---------------------------------------------------------------- the changes

Made = dict[str, Any]


def _pause(_: Made, model: Made, offer: Offer, change: Change, at: Instant) -> None:
    if offer.paused:
        raise ChangeRefused(f"{change.offer} is paused already")
    _open(offer, at)
    model["paused"] = True


def _resume(_: Made, model: Made, offer: Offer, change: Change, at: Instant) -> None:
    if not offer.paused:
        raise ChangeRefused(f"{change.offer} is not paused")
    _open(offer, at)
    del model["paused"]


def _end(new: Made, model: Made, offer: Offer, change: Change, at: Instant) -> None:
    if at == offer.window.end:
        raise ChangeRefused(f"{change.offer} ends at {_told(at)} already; name another instant")
    local = at.astimezone(zone_of(offer.zone)).replace(tzinfo=None)
    text = local.strftime("%Y-%m-%d %H:%M:%S" if local.second else "%Y-%m-%d %H:%M")
    try:
        instant_of(local, offer.zone)
    except ValueError as error:
        raise ChangeRefused(str(error)) from None
    model["until"] = text
    if at > instant_of(datetime.fromisoformat(new["until"]), offer.zone):
        raise ChangeRefused(f"the campaign ends at {new['until']}; publish a revision that ends later")


def _cap(_: Made, model: Made, offer: Offer, change: Change, at: Instant) -> None:
    _open(offer, at)
    caps = dict(model.get("caps") or {})
    wanted = {name: units for name, units in {**caps, **change.caps}.items() if units is not None}
    if not change.caps or wanted == {name: units for name, units in caps.items() if units is not None}:
        raise ChangeRefused(f"{change.offer} has these caps already: {_caps(caps)}; name others")
    model["caps"] = wanted


def _caps(caps: Mapping[str, int]) -> str:
    return ", ".join(f"{name} {units}" for name, units in caps.items()) or "none"


def _swap(new: Made, model: Made, offer: Offer, change: Change, at: Instant) -> None:
    _open(offer, at)
    if offer.kind != "gift":
        raise ChangeRefused(f"{change.offer} gives no gift, but {offer.benefit}")
    gifts = [gift["gift"] for gift in new.get("gifts", ())]
    if change.facts is not None:
        if change.gift in gifts:
            raise ChangeRefused(f"gift {change.gift!r} is in the campaign already; leave its facts out")
        new["gifts"] = [*new.get("gifts", ()), change.facts]
    elif change.gift not in gifts:
        text = f"gift {change.gift!r} is not among the campaign's gifts{nearest(change.gift, gifts)}"
        raise ChangeRefused(f"{text}; give its facts with --facts FILE")
    if offer.gift == change.gift:
        raise ChangeRefused(f"{change.offer} gives {change.gift} already")
    instead = [name for name in offer.otherwise if name != change.gift]
    model["gives"] = {**model["gives"], "gift": change.gift, "otherwise": instead}
    if not instead and model.get("when_out") == "substitute":
        del model["when_out"]


def _open(offer: Offer, at: Instant) -> None:
    if at >= offer.window.end:
        raise ChangeRefused(f"{offer.key} ends at {_told(offer.window.end)}: nothing is left to change then")


_CHANGES: dict[Kind, Callable[[Made, Made, Offer, Change, Instant], None]] = {
    "pause": _pause,
    "resume": _resume,
    "end": _end,
    "cap": _cap,
    "swap": _swap,
}


def _told(at: Instant) -> str:
    return at.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


# ---------------------------------------------------------------- the customer's favour


def against(before: Campaign, after: Campaign) -> list[str]:
    """What in a revision is not in the customer's favour, in words; nothing where all of it is.

    In their favour are a lower threshold, a higher cap, a wider scope, a later end, and what asks less of an order.
    Anything else might take something from one, so it counts as against them.
    """
    found = []
    for name, was, now in (
        ("fewer markets", before.markets, after.markets),
        ("fewer classes", before.classes, after.classes),
    ):
        if not set(was) <= set(now):
            found.append(name)
    if before.currency != after.currency:
        found.append("another currency")
    new = {offer.key: offer for offer in after.offers}
    for offer in before.offers:
        then = new.get(offer.key)
        found += (
            [f"the end of {offer.key}"] if then is None else [f"{why} of {offer.key}" for why in _worse(offer, then)]
        )
    return found


_NEUTRAL = {"revision", "says", "clawback"}


def _worse(old: Offer, new: Offer) -> list[str]:
    better: dict[str, bool] = {
        "threshold": new.threshold + new.strict <= old.threshold + old.strict,
        "strict": new.threshold + new.strict <= old.threshold + old.strict,
        "total_cap": _at_least(new.total_cap, old.total_cap),
        "customer_cap": _at_least(new.customer_cap, old.customer_cap),
        "order_cap": _at_least(new.order_cap, old.order_cap),
        "paid_within_days": _at_least(new.paid_within_days, old.paid_within_days),
        "window": new.window.start <= old.window.start and old.window.end <= new.window.end,
        "paused": not new.paused,
        "only_to": _wider(new.only_to, old.only_to),
        "services": _wider(new.services, old.services),
        "units": new.units >= old.units,
        "for_each": new.for_each,
        "top_up": new.top_up,
        "own_parcel": set(old.own_parcel) <= set(new.own_parcel),
        "scope": (
            all(_wider(getattr(new.scope, n), getattr(old.scope, n)) for n in ("brands", "categories", "skus"))
            and new.scope.not_skus <= old.scope.not_skus
            and new.scope.not_categories <= old.scope.not_categories
            and (old.scope.not_reduced or not new.scope.not_reduced)
        ),
    }
    differs = [name for name in old.__dict__ if old.__dict__[name] != new.__dict__[name] and name not in _NEUTRAL]
    if old.by != new.by or old.basis != new.basis:
        return ["another measure"]
    worse = (name for name in differs if not better.get(name, False))
    return list(dict.fromkeys(_WORDS.get(name, f"another {name.replace('_', ' ')}") for name in worse))


_WORDS = {
    "threshold": "a higher threshold", "strict": "a higher threshold", "total_cap": "a lower cap",
    "customer_cap": "a lower cap for a customer", "order_cap": "a lower cap for an order", "window": "an earlier end",
    "paused": "the pause", "scope": "a narrower scope", "gifts": "other gifts",
    "only_to": "fewer destinations", "services": "fewer services", "paid_within_days": "less time to pay",
}  # fmt: skip


def _at_least(new: int | None, old: int | None) -> bool:
    return new is None or (old is not None and new >= old)


def _wider(new: frozenset[str], old: frozenset[str]) -> bool:
    return not new or (bool(old) and old <= new)
