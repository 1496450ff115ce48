"""Campaigns, their gifts and offers, and which revision of which campaign is in force at an instant."""

from collections.abc import Mapping
from dataclasses import field
from datetime import UTC, datetime
from typing import Literal

from makeweight.domain.moments import Instant, Window
from makeweight.domain.orders import Line
from makeweight.domain.values import value

By = Literal["total", "line", "unit", "any", "units"]
Basis = Literal["charged", "before_discount"]
WhenOut = Literal["substitute", "next", "owed"]
OfferKind = Literal["gift", "benefit", "price", "reduction"]
Clawback = Literal["none", "gift_back", "deduct"]
RidesWith = Literal["first", "last", "trigger"]
BackOrders = Literal["wait", "travel"]
ValueUsed = Literal["shared", "once"]

SINCE_EVER = datetime.min.replace(tzinfo=UTC)
DEFAULT_RANK = 1_000


@value
class Cautions:
    """What a trained person answered about a gift. None is 'nobody answered', and that blocks the gift."""

    dangerous_goods: str | None = None
    age: str | None = None
    food: str | None = None

    def unanswered(self) -> str | None:
        """The first caution that keeps the gift back, in words, or None.

        Rules for gifts with a caution (lanes, age checks, allergens) are not built yet, so anything but 'none' blocks.
        """
        for name, answer in (
            ("dangerous goods", self.dangerous_goods),
            ("age", self.age),
            ("food", self.food),
        ):
            if answer != "none":
                return name
        return None


@value
class Customs:
    """What a customs line needs; a licensed broker answers for it."""

    hs_code: str
    origin: str


@value
class Gift:
    """A gift with purchase. Values and costs in minor units of the campaign's currency."""

    gift: str
    title: str
    gtin: str | None = None
    stated_value: int = 0
    unit_cost: int = 0
    weight_grams: int = 0
    customs: Customs | None = None
    cautions: Cautions = field(default_factory=Cautions)


@value
class Scope:
    """Which lines an offer looks at: any of the names of a list, and every list that is given must match."""

    brands: frozenset[str] = frozenset()
    categories: frozenset[str] = frozenset()
    skus: frozenset[str] = frozenset()
    not_skus: frozenset[str] = frozenset()
    not_categories: frozenset[str] = frozenset()

    def __hash__(self) -> int:
        """Scopes with the same lists are one: their offers are judged together."""
        return hash((self.brands, self.categories, self.skus, self.not_skus, self.not_categories))

    @property
    def whole_order(self) -> bool:
        """Whether no list asks for particular goods."""
        return not (self.brands or self.categories or self.skus)

    def holds(self, line: Line) -> bool:
        """Whether the line is in scope. An empty brand or category is unknown and matches no list."""
        return not (
            (self.brands and line.brand not in self.brands)
            or (self.skus and line.sku not in self.skus)
            or (self.categories and self.categories.isdisjoint(line.categories))
            or (self.not_skus and line.sku in self.not_skus)
            or (self.not_categories and not self.not_categories.isdisjoint(line.categories))
        )


@value
class Offer:
    """One offer of one campaign revision. ``key`` is campaign/offer, its name on the wire.

    ``own_parcel`` are sites from which the gift may go alone; ``choice`` the gifts among which the customer may choose;
    ``only_to`` countries, ``services`` carriage services, none of them being any.
    """

    key: str
    campaign: str
    revision: int
    kind: OfferKind
    says: str
    window: Window
    currency: str
    scope: Scope = field(default_factory=Scope)
    by: By = "total"
    threshold: int = 0
    strict: bool = False
    basis: Basis = "charged"
    gift: str | None = None
    otherwise: tuple[str, ...] = ()
    benefit: str | None = None
    units: int = 1
    for_each: bool = False
    order_cap: int | None = None
    customer_cap: int | None = None
    total_cap: int | None = None
    group: str | None = None
    rank: int = DEFAULT_RANK
    when_out: WhenOut = "next"
    prices: Mapping[str, int] = field(default_factory=dict)
    up_to_percent: int = 0
    gifts: Mapping[str, Gift] = field(default_factory=dict)
    zone: str = "UTC"
    clawback: Clawback = "none"
    rides_with: RidesWith = "first"
    own_parcel: tuple[str, ...] = ()
    back_orders: BackOrders = "wait"
    choice: tuple[str, ...] = ()
    value_used: ValueUsed = "shared"
    top_up: bool = False
    paid_within_days: int | None = None
    only_to: frozenset[str] = frozenset()
    services: frozenset[str] = frozenset()

    @property
    def capped(self) -> bool:
        """Whether the ledger must count it."""
        return self.total_cap is not None or self.customer_cap is not None

    def precedence(self) -> tuple[int, int, Instant, str]:
        """Sort key inside a group: explicit rank, higher tier, earlier start, smaller id (trade practice)."""
        return (self.rank, -self.threshold, self.window.start, self.key)


@value
class Campaign:
    """One revision of a campaign; every revision is kept, and none is ever changed."""

    campaign: str
    revision: int
    title: str
    markets: tuple[str, ...]
    currency: str
    zone: str
    window: Window
    offers: tuple[Offer, ...]
    effective_at: Instant = SINCE_EVER
    published_by: str = ""
    gifts: Mapping[str, Gift] = field(default_factory=dict)
