"""The summary of a run: what each offer came to."""

from collections.abc import Iterable, Mapping
from typing import Any

from makeweight.domain.campaigns import Offer
from makeweight.domain.moments import Instant
from makeweight.domain.stock import Balance
from makeweight.insight.tally import IN_WINDOW, Tally


def short_names(offers: Iterable[Offer]) -> dict[str, str]:
    """How a summary names offers: as the campaign writes them, or campaign/offer where two campaigns share an id."""
    keys = sorted({offer.key for offer in offers})
    short = [key.partition("/")[2] for key in keys]
    return {key: name if short.count(name) == 1 else key for key, name in zip(keys, short, strict=True)}


def offer_summary(offer: Offer, tally: Tally, exhausted_at: Instant | None) -> dict[str, Any]:
    """The numbers of one offer: orders, gift units, declines by reason; money in minor units.

    Price offers also say how many lines were checked, and what was charged beside the advertised price. Units that were
    packed though the order no longer earned them are named where there are any.
    """
    found: dict[str, Any] = {
        "in_window": tally.of(offer.campaign, IN_WINDOW),
        "qualified": tally.of(offer.key, "qualified"),
        "near_miss": tally.of(offer.key, "near_miss"),
        "granted": tally.of(offer.key, "granted"),
        "granted_units": tally.of(offer.key, "granted_units"),
        "declined": tally.reasons(offer.key),
        "units_wanted": tally.of(offer.key, "units_wanted"),
        "exhausted_at": exhausted_at.isoformat() if exhausted_at else None,
    }
    if offer.when_out == "owed":
        found["owed"] = tally.of(offer.key, "owed")
        found["owed_units"] = tally.of(offer.key, "owed_units")
    if over := tally.of(offer.key, "over_gift_units"):
        found["over_gift_units"] = over
    if offer.kind in ("price", "reduction"):
        for word in ("lines_on_offer", "lines_mispriced", "overcharged", "undercharged"):
            found[word] = tally.of(offer.key, word)
    return found


def stock_summary(balances: Iterable[Balance]) -> dict[str, dict[str, dict[str, int]]]:
    """Gift units by gift and site: what came in, what went elsewhere, what was ``given``, and what is left.

    ``given`` is reserved, released or packed: a parcel that is packed after the books are closed changes nothing in
    them. What came in, less what went, is what was given and what is left (rule S4). What is 0 is left out.
    """
    found: dict[str, dict[str, dict[str, int]]] = {}
    for balance in sorted(balances, key=lambda b: (b.gift, b.site)):
        units = {name: kept for name, kept in vars(balance).items() if isinstance(kept, int)}
        given = sum(units.pop(name) for name in ("reserved", "released", "packed"))
        told = {name: kept for name, kept in {**units, "given": given}.items() if kept}
        found.setdefault(balance.gift, {})[balance.site] = told
    return found


def offers_summary(
    offers: Iterable[Offer], tally: Tally, exhausted: Mapping[str, Instant | None]
) -> dict[str, dict[str, Any]]:
    """Every offer, by its short name."""
    by_key = {offer.key: offer for offer in offers}
    names = short_names(by_key.values())
    return {
        names[key]: offer_summary(offer, tally, exhausted.get(key))
        for key, offer in sorted(by_key.items(), key=lambda item: names[item[0]])
    }
