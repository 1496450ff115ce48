"""What may be claimed of a reduction, item by item: the prior price, whence it stems, and the percent from it."""

from collections.abc import Iterable, Mapping
from typing import Any

from makeweight.domain.moments import Instant, zone_of
from makeweight.domain.prior_price import (
    NotAReduction,
    PriceHistory,
    PriorPriceUnknown,
    claimed_percent,
    prior_price,
)

WHO_DECIDES = "This is evidence, not advice: legal or compliance decides what may be said of a reduction."


def reductions(
    histories: Iterable[PriceHistory], reduction_from: Instant, sales: Mapping[str, int], *, progressive: bool = False
) -> list[dict[str, Any]]:
    """One row for each item and market. ``blocked`` says why nothing may be claimed, else it is None.

    ``sales`` are sale prices by item; of an item without one the prior price is told, and no percent.
    """
    return [_row(history, reduction_from, sales.get(history.sku), progressive) for history in histories]


def _row(history: PriceHistory, reduction_from: Instant, sale: int | None, progressive: bool) -> dict[str, Any]:
    zone = zone_of(history.zone)
    row: dict[str, Any] = {
        "sku": history.sku,
        "market": history.market,
        "prior_price": None,
        "since": None,
        "looked_at_from": None,
        "series_from": None,
        "sale_price": sale,
        "percent": None,
        "blocked": None,
    }
    try:
        found = prior_price(history, reduction_from, progressive=progressive, sale=sale)
    except PriorPriceUnknown as error:
        return row | {"blocked": str(error)}
    row |= {
        "prior_price": found.price,
        "since": found.since.astimezone(zone).isoformat(),
        "looked_at_from": found.looked_at.start.astimezone(zone).isoformat(),
        "series_from": found.series_from.astimezone(zone).isoformat() if found.series_from else None,
    }
    if sale is not None:
        try:
            row["percent"] = claimed_percent(found.price, sale)
        except NotAReduction as error:
            row["blocked"] = str(error)
    return row
