"""Whether what an order nearly earned could still be given: asked when somebody reads it, from the offer's level.

The desk decides without it: what the ledger had when an order was judged depends on what arrived first, and is stale
when the sentence is read. Only for a gift that is there now is a customer told to add goods (rules of the trade, 2.37).
"""

from makeweight.domain.campaigns import Offer
from makeweight.domain.options import options_of, plan_of
from makeweight.domain.orders import Order
from makeweight.domain.tickets import OfferLevel


def still_to_be_had(order: Order, offer: Offer, lines: list[int], level: OfferLevel | None) -> str:
    """One sentence: what of the offer is left for this order at the sites that ship it, or that nothing is.

    ``lines`` are those that count towards it; ``level`` is None where the ledger has never heard of the offer.
    """
    live = level.live_units if level else 0
    if offer.total_cap is not None and live >= offer.total_cap:
        return f"No longer to be had: all {offer.total_cap} of this offer are taken."
    if offer.gift is None:
        return "Still to be had."
    free = {(b.gift, b.site): b.free for b in level.balances} if level else {}
    options, _ = options_of(order, offer, plan_of(offer), lines)
    for option in options:
        for site in option.sites:
            units = free.get((option.gift, site), 0)
            if units > 0:
                return f"Still to be had: {units} x {option.gift} at {site}."
    return "No longer to be had: no gift of this offer is left at a site that ships the order."
