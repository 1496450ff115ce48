"""An order as the shop's back end holds it, and the snapshots that it sends of it."""

from dataclasses import dataclass, field
from datetime import datetime
from random import Random
from typing import Any

from deploy.demo.shop import (
    AMOUNT_CODE,
    BRUSH_DAYS_END,
    BY_SKU,
    CURRENCY,
    GIFT_CARDS,
    ITEMS,
    MARKET,
    PERCENT_CODE,
    STUDIO_PRICES,
    WINTER_STUDIO_START,
    WRAP,
    Item,
    carriage_of,
    discount_of,
    price_at,
)

SITE = "main"

LINE_COUNTS, LINE_SHARES = (1, 2, 3, 4, 5, 6), (24, 27, 21, 14, 9, 5)
UNIT_COUNTS, UNIT_SHARES = (1, 2, 3, 4), (74, 17, 6, 3)
BULKY_PRICE = 3_000  # from here on, one is enough
SAME_BRAND = 0.45  # a set of inks calls for a pen of the same maker
SALE_PULL = 2.5  # how much oftener a reduced item is picked

CLASSES, CLASS_SHARES = ("retail", "staff", "wholesale"), (97.5, 1.5, 1)
CHANNELS, CHANNEL_SHARES = ("web", "app", "phone"), (62, 33, 5)
AREAS = ("D", "D", "D", "C", "G", "L", "W", "KY", "MO", "DL")
CODES, CODE_SHARES = (None, PERCENT_CODE, AMOUNT_CODE), (88, 8, 4)
GUESTS, GIFT_CARD_BUYERS, WRAPPED, SHIP_TO_SENT, INSTRUCTED = 0.08, 0.03, 0.05, 0.35, 0.12
# Customers come back: the lower a customer's place in the list, the oftener.
LOYALTY = 1.25

STREETS = ("Sample Row", "Example Quay", "Placeholder Lane", "Specimen Hill")
INSTRUCTIONS = (
    "Leave with the neighbour at number 4.",
    "Ring twice, the studio is at the back.",
    "Please keep the canvases flat.",
    "It's a present: no invoice in the parcel.",
)


@dataclass(slots=True)
class Line:
    """A line; prices are for one unit."""

    sku: str
    units: int
    charged: int
    listed: int
    kind: str = "goods"
    added: datetime | None = None
    cancelled: int = 0
    returned: int = 0
    site: str = SITE

    @property
    def live_total(self) -> int:
        """Charged for the units not cancelled."""
        return self.charged * (self.units - self.cancelled)


@dataclass(slots=True)
class Basket:
    """An order; ``extras`` are members that no rule of ours reads."""

    order: str
    placed: datetime
    lines: list[Line]
    customer: str | None = None
    order_class: str = "retail"
    channel: str = "web"
    area: str = "D"
    code: str | None = None
    extras: dict[str, Any] = field(default_factory=dict)

    def add(self, sku: str, added: datetime) -> None:
        """One more unit, on a line of its own: it has its own price, and the instant it came in."""
        self.lines.append(Line(sku, 1, price_at(sku, added), BY_SKU[sku].price, added=added))

    def drop_dearest(self) -> None:
        """Cancel the goods line that was worth most."""
        dearest = max((x for x in self.lines if x.kind == "goods"), key=lambda x: x.live_total)
        dearest.cancelled = dearest.units

    def snapshot(self, revision: int, status: str, revised: datetime) -> dict[str, Any]:
        """The order event: all there is to say of the order at this revision."""
        goods = sum(line.live_total for line in self.lines if line.kind == "goods")
        discount = discount_of(self.code, goods)
        data: dict[str, Any] = {
            "order": self.order,
            "revision": revision,
            "status": status,
            "placed_at": self.placed.isoformat(),
            "revised_at": revised.isoformat(),
            "market": MARKET,
            "currency": CURRENCY,
            "order_class": self.order_class,
            "channel": self.channel,
            "destination": {"country": "IE", "area": self.area, "lane": "any"},
            "service": "standard",
            "lines": [_wire_line(number, line) for number, line in enumerate(self.lines, 1)],
            "discount": discount,
            "codes": [self.code] if self.code else [],
            "shipping_charged": carriage_of(goods - discount, self.placed, retail=self.order_class == "retail"),
            "tax": "included",
            "paid_at": self.placed.isoformat(),
        }
        if self.customer:
            data["customer"] = self.customer
        return data | self.extras


def _wire_line(number: int, line: Line) -> dict[str, Any]:
    item = BY_SKU.get(line.sku)
    data: dict[str, Any] = {
        "number": number,
        "sku": line.sku,
        "brand": item.brand if item else "",
        "categories": list(item.categories) if item else [],
        "kind": line.kind,
        "units": line.units,
        "total_charged": line.charged * line.units,
        "total_list": line.listed * line.units,
        "site": line.site,
    }
    if line.added:
        data["added_at"] = line.added.isoformat()
    if line.cancelled:
        data["cancelled_units"] = line.cancelled
    if line.returned:
        data["returned_units"] = line.returned
    return data


def customers(rng: Random, count: int) -> list[str]:
    """Opaque keys, as a shop would hash them."""
    return [f"c-{rng.getrandbits(48):012x}" for _ in range(count)]


def fill(rng: Random, order: str, placed: datetime, known: list[str]) -> Basket:
    """A basket that somebody fills at that minute."""
    basket = Basket(
        order,
        placed,
        _goods(rng, placed),
        customer=None if rng.random() < GUESTS else known[int(len(known) * rng.random() ** LOYALTY)],
        order_class=rng.choices(CLASSES, CLASS_SHARES)[0],
        channel=rng.choices(CHANNELS, CHANNEL_SHARES)[0],
        area=rng.choice(AREAS),
        code=rng.choices(CODES, CODE_SHARES)[0],
    )
    if rng.random() < GIFT_CARD_BUYERS:
        face = rng.choice(GIFT_CARDS)
        basket.lines.append(Line(f"GIFT-CARD-{face // 100}", 1, face, face, kind="gift_card"))
    if rng.random() < WRAPPED:
        basket.lines.append(Line("WRAP", 1, WRAP, WRAP, kind="wrap"))
    if rng.random() < SHIP_TO_SENT:
        basket.extras["ship_to"] = ship_to(rng, basket.area)
    if rng.random() < INSTRUCTED:
        basket.extras["instructions"] = rng.choice(INSTRUCTIONS)
    return basket


def ship_to(rng: Random, area: str) -> dict[str, str]:
    """An address block that only the warehouse reads; no such street exists."""
    return {"name": "A. Customer", "street": f"{rng.randint(1, 99)} {rng.choice(STREETS)}", "area": area}


def _goods(rng: Random, placed: datetime) -> list[Line]:
    lines: dict[str, Line] = {}
    item: Item | None = None
    for _ in range(rng.choices(LINE_COUNTS, LINE_SHARES)[0]):
        item = pick(rng, placed, item.brand if item and rng.random() < SAME_BRAND else None)
        units = 1 if item.price >= BULKY_PRICE else rng.choices(UNIT_COUNTS, UNIT_SHARES)[0]
        # Picked twice, an item stays on its first line, so a basket may come out a line shorter.
        lines.setdefault(item.sku, Line(item.sku, units, price_at(item.sku, placed), item.price))
    return list(lines.values())


def pick(rng: Random, instant: datetime, brand: str | None = None) -> Item:
    """An item as customers choose at that minute, of one brand if asked."""
    pool = [item for item in ITEMS if brand is None or item.brand == brand]
    return rng.choices(pool, [_share(item, instant) for item in pool])[0]


def _share(item: Item, instant: datetime) -> float:
    """The newsletter goes out at the start, so people come for an offer before its price is live."""
    wanted = (item.sku in STUDIO_PRICES and instant >= WINTER_STUDIO_START) or (
        item.brand == "Ferrule House" and instant < BRUSH_DAYS_END
    )
    return item.share * SALE_PULL if wanted else item.share
