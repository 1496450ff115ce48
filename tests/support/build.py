"""Values of the domain with sensible defaults, so that a test says only what it is about.

The defaults are a week of November in Dublin, which is on UTC then: an order of its first morning in market IE and
EUR, and an offer that gives a tin for 50.00 or more. `order` numbers its lines, `campaign` names and dates its offers.
"""

from datetime import UTC, datetime, timedelta
from typing import Any

from makeweight.domain.book import Book, Live
from makeweight.domain.campaigns import Campaign, Cautions, Customs, Gift, Offer, Scope
from makeweight.domain.moments import Window
from makeweight.domain.orders import Line, Order
from makeweight.domain.values import replaced

MARKET, CURRENCY, ZONE = "IE", "EUR", "Europe/Dublin"
WEEK = Window(datetime(2026, 11, 23, tzinfo=UTC), datetime(2026, 11, 30, tzinfo=UTC))
PLACED = WEEK.start + timedelta(hours=10)
TIN = Gift(
    gift="TIN",
    title="Tin of pencils",
    gtin="9521234567899",  # GS1 keeps prefix 952 for examples
    stated_value=600,
    unit_cost=210,
    weight_grams=90,
    customs=Customs("9609.10", "IE"),
    cautions=Cautions("none", "none", "none"),
)
SCOPE_LISTS = ("brands", "categories", "skus", "not_skus", "not_categories")


def line(charged: int, units: int = 1, **members: Any) -> Line:
    """A line of goods; `charged` is the total of all its units in minor units."""
    return Line(**{"number": 1, "sku": "", "units": units, "total_charged": charged, **members})


def order(*lines: Line, **members: Any) -> Order:
    """A placed retail order at revision 1. Its lines get the numbers 1, 2, 3 …, and a name for an item without one."""
    numbered = [replaced(one, number=n, sku=one.sku or f"SKU-{n}") for n, one in enumerate(lines, 1)]
    placed_at = members.get("placed_at", PLACED)
    defaults: dict[str, Any] = {
        "order": "A",
        "revision": 1,
        "status": "placed",
        "placed_at": placed_at,
        "revised_at": placed_at,
        "market": MARKET,
        "currency": CURRENCY,
        "lines": numbered,
    }
    return Order(**{**defaults, **members})


def offer(name: str = "tin", *, at_least: int | None = None, over: int | None = None, **members: Any) -> Offer:
    """An offer, of campaign `week` until `campaign` takes it in. The lists of its scope are given by name.

    Without a threshold it asks for 50.00 or more, `by="any"` for a purchase, `by="units"` for one unit.
    """
    by = members.get("by", "total")
    lowest = 1 if by in ("any", "units") else 50_00
    lists = {name: frozenset(members.pop(name)) for name in SCOPE_LISTS if name in members}
    scope = Scope(**lists, not_reduced=members.pop("not_reduced", False))
    kind = members.get("kind", "benefit" if "benefit" in members else "gift")
    gift = TIN.gift if kind == "gift" else None
    defaults: dict[str, Any] = {
        "key": f"week/{name}",
        "campaign": "week",
        "revision": 1,
        "kind": kind,
        "says": "",
        "window": WEEK,
        "currency": CURRENCY,
        "scope": scope,
        "threshold": over if over is not None else lowest if at_least is None else at_least,
        "strict": over is not None,
        "gift": gift,
        "gifts": {TIN.gift: TIN} if gift else {},
    }
    return Offer(**{**defaults, **members})


def campaign(*offers: Offer, **members: Any) -> Campaign:
    """A campaign of these offers, which take its id, revision, window and currency."""
    defaults: dict[str, Any] = {
        "campaign": "week",
        "revision": 1,
        "title": "A week",
        "markets": (MARKET,),
        "currency": CURRENCY,
        "zone": ZONE,
        "window": WEEK,
        "gifts": {name: gift for one in offers for name, gift in one.gifts.items()},
    }
    made = {**defaults, **members}
    shared = {name: made[name] for name in ("campaign", "revision", "window", "currency")}
    own = tuple(replaced(one, key=f"{made['campaign']}/{one.key.partition('/')[2]}", **shared) for one in offers)
    return Campaign(**{**made, "offers": own})


def live(*campaigns: Campaign, at: datetime = PLACED) -> Live:
    """What these campaigns have live at an instant in the default market and currency."""
    return Book(campaigns).live(at, MARKET, CURRENCY)
