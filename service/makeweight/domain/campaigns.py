"""Campaigns, their gifts and offers, and which revision of which campaign is in force at an instant."""

from collections.abc import Mapping
from dataclasses import field
from datetime import UTC, datetime
from typing import Literal

from makeweight.domain.moments import Instant, Window
from makeweight.domain.orders import Destination, Lane, Line, Order, OrderClass
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
# The trade's usual exclusions take part only where a campaign names them (common practice).
DEFAULT_CLASSES: tuple[OrderClass, ...] = ("retail",)
NEVER_CLASSES: frozenset[OrderClass] = frozenset({"replacement", "test"})


# Regulation (EU) No 1169/2011, Annex II: the fourteen substances that cause allergies or intolerances. After them the
# words of the nine allergens of US law that are none of these (from memory).
Allergen = Literal[
    "gluten", "crustaceans", "eggs", "fish", "peanuts", "soy", "milk", "tree nuts", "celery", "mustard", "sesame",
    "sulphites", "lupin", "molluscs",
    "wheat", "shellfish",
]  # fmt: skip


@value
class Cautions:
    """What a trained person answered about a gift. None is 'nobody answered', and that blocks the gift.

    ``dangerous_goods`` is 'none' or a class, which goes by ``lanes`` alone; ``age`` 'none' or 'adult'; ``food`` 'none'
    or 'food', with its ``allergens``. ``never_to`` are countries, areas, or both as in 'US-HI'; ``carries`` is what a
    customer must be told of (fragrance, small parts).
    """

    dangerous_goods: str | None = None
    age: str | None = None
    food: str | None = None
    lanes: list[str] = field(default_factory=list)
    allergens: list[str] = field(default_factory=list)
    never_to: list[str] = field(default_factory=list)
    carries: list[str] = field(default_factory=list)

    @property
    def clear(self) -> bool:
        """Whether the gift may go to anybody anywhere."""
        return (
            self.dangerous_goods == "none"
            and self.age == "none"
            and self.food in ("none", "food")
            and not self.never_to
        )

    def blocks(self, order: Order) -> str | None:
        """Why the gift may not go with this order, or None. What nobody answered, or knows of the order, blocks."""
        for name, answer in (("dangerous goods", self.dangerous_goods), ("age", self.age), ("food", self.food)):
            if answer is None:
                return f"the caution '{name}' is not answered"
        if self.dangerous_goods != "none" and (why := self._lane(order.destination.lane)):
            return why
        if self.age != "none" and not (self.age == "adult" and order.age_answer == "adult"):
            return "it is for adults only, and the order does not say that the customer is one"
        if self.food not in ("none", "food"):
            return f"the answer '{self.food}' to the caution 'food' is not known"
        return self._banned(order.destination)

    def _lane(self, lane: Lane) -> str | None:
        """A lane 'any' says nothing of which one is taken, so both must be allowed."""
        taken = ("ground", "air") if lane == "any" else (lane,)
        if all(name in self.lanes for name in taken):
            return None
        by = "by whichever way the order takes" if lane == "any" else f"by {lane}"
        return f"dangerous goods of class {self.dangerous_goods} may not go {by}"

    def _banned(self, to: Destination) -> str | None:
        if not self.never_to:
            return None
        if not to.country:
            return f"it may not go to {', '.join(self.never_to)}, and the order's country is not known"
        for place in self.never_to:
            if place in (to.country, f"{to.country}-{to.area}") or (to.area and place == to.area):
                return f"it may not go to {place}"
            if not to.area and place.startswith(f"{to.country}-"):
                return f"it may not go to {place}, and the order's area is not known"
        return None

    def marks(self) -> frozenset[str]:
        """The caution set that a substitute may not add to."""
        found = [*self.allergens, *(name.casefold() for name in self.carries)]
        if self.dangerous_goods not in _NO:
            found.append(f"dangerous goods of class {self.dangerous_goods}")
        if self.age not in _NO:
            found.append("an age limit")
        return frozenset(found)

    def notes(self) -> list[str]:
        """What whoever packs the gift must know, a line each."""
        told = []
        if self.dangerous_goods not in _NO:
            lanes = f", {' or '.join(self.lanes)} only" if self.lanes else ""
            told.append(f"dangerous goods class {self.dangerous_goods}{lanes}")
        if self.age == "adult":
            told.append("adults only")
        if self.allergens:
            told.append(f"contains {', '.join(self.allergens)}")
        if self.never_to:
            told.append(f"never to {', '.join(self.never_to)}")
        return told + [f"caution: {name}" for name in self.carries]


_NO = (None, "none")


@value
class Customs:
    """What a customs line needs; a licensed broker answers for it."""

    hs_code: str
    origin: str


@value
class Gift:
    """A gift with purchase. Values and costs in minor units of the campaign's currency.

    ``ships_from`` is the country of despatch, '' where it is unknown; to the countries of ``same_customs_area`` nothing
    is declared.
    """

    gift: str
    title: str
    gtin: str | None = None
    stated_value: int = 0
    unit_cost: int = 0
    weight_grams: int = 0
    customs: Customs | None = None
    cautions: Cautions = field(default_factory=Cautions)
    ships_from: str = ""
    same_customs_area: list[str] = field(default_factory=list)

    def crosses_border(self, to: Destination) -> bool:
        """Whether it is known to leave the customs area of the country that its campaign ships from."""
        home = self.ships_from in ("", to.country) or to.country in ("", *self.same_customs_area)
        return not home

    def withheld(self, order: Order) -> str | None:
        """Why the gift may not go with this order, or None: its cautions, and customs where a border is crossed."""
        why = self.cautions.blocks(order)
        if why is None and self.customs is None and self.crosses_border(order.destination):
            to = order.destination.country
            return f"its customs data is missing, and it would go from {self.ships_from} to {to}"
        return why


def may_stand_in(announced: Gift, substitute: Gift) -> str | None:
    """Why a gift may not be sent in place of another, or None: it must be worth as much, and add no caution."""
    if substitute.stated_value < announced.stated_value:
        return f"its stated value {substitute.stated_value} is below the {announced.stated_value} of {announced.gift}"
    added = added_cautions(announced, substitute)
    return f"it adds {', '.join(added)}" if added else None


def added_cautions(announced: Gift, substitute: Gift) -> list[str]:
    """The cautions of a gift that another one does not have."""
    return sorted(substitute.cautions.marks() - announced.cautions.marks())


@value
class Scope:
    """Which lines an offer looks at: any of the names of a list, and every list that is given must match.

    ``not_reduced`` leaves out lines that are charged below their list price.
    """

    brands: frozenset[str] = frozenset()
    categories: frozenset[str] = frozenset()
    skus: frozenset[str] = frozenset()
    not_skus: frozenset[str] = frozenset()
    not_categories: frozenset[str] = frozenset()
    not_reduced: bool = False

    def __hash__(self) -> int:
        """Scopes with the same lists are one: their offers are judged together."""
        lists = (self.brands, self.categories, self.skus, self.not_skus, self.not_categories)
        return hash((*lists, self.not_reduced))

    @property
    def whole_order(self) -> bool:
        """Whether no list asks for particular goods."""
        return not (self.brands or self.categories or self.skus)

    @property
    def leaves_out(self) -> bool:
        """Whether it leaves out some of the goods that it would look at."""
        return bool(self.not_skus or self.not_categories or self.not_reduced)

    def holds(self, line: Line) -> bool:
        """Whether the line is in scope. An empty brand or category is unknown and matches no list."""
        return not (
            (self.brands and line.brand not in self.brands)
            or (self.skus and line.sku not in self.skus)
            or (self.categories and self.categories.isdisjoint(line.categories))
            or (self.not_skus and line.sku in self.not_skus)
            or (self.not_categories and not self.not_categories.isdisjoint(line.categories))
            or (self.not_reduced and line.total_list is not None and line.total_charged < line.total_list)
        )


@value
class Offer:
    """One offer of one campaign revision. ``key`` is campaign/offer, its name on the wire.

    ``own_parcel`` are sites from which the gift may go alone; ``choice`` the gifts among which the customer may choose;
    ``only_to`` countries, ``services`` carriage services, none of them being any. ``expected_units`` decides nothing:
    it is what the offer was planned to give, and what a silence is held against. ``window`` is the campaign's, or ends
    before it; what is ``paused`` is open to no order.
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
    expected_units: int | None = None
    only_to: frozenset[str] = frozenset()
    services: frozenset[str] = frozenset()
    paused: bool = False

    def open_at(self, instant: Instant) -> bool:
        """Whether an order that is placed at the instant can have it: within its window, and not while it is paused."""
        return not self.paused and self.window.holds(instant)

    @property
    def conditional(self) -> bool:
        """Whether it asks more of an order than its goods: where it goes, or that it is paid in time."""
        return bool(self.only_to or self.services) or self.paid_within_days is not None

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
    classes: tuple[OrderClass, ...] = DEFAULT_CLASSES
    why: str = ""

    def offer(self, key: str) -> Offer | None:
        """An offer of this revision by its name on the wire."""
        return next((offer for offer in self.offers if offer.key == key), None)
