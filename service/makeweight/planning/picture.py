"""What the board shows at an instant: every offer's numbers, stock and run-out clock, and what people should look at.

The numbers are those of the trade: rates as Wilson intervals, burn over the hours in which there was something to give,
an interval for the run-out instead of an instant. ``as_of`` stands beside all of them: how far the orders have told.
"""

from collections.abc import Callable, Sequence
from dataclasses import field
from datetime import timedelta
from typing import Literal

from makeweight.domain.book import Book
from makeweight.domain.campaigns import OfferKind
from makeweight.domain.moments import Instant
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import Notice, OfferLevel
from makeweight.domain.values import value
from makeweight.insight.profile import Profile
from makeweight.insight.rates import wilson
from makeweight.insight.runout import RunOut
from makeweight.insight.tally import Tally
from makeweight.planning.rejects import PutAside

OfferState = Literal["scheduled", "live", "running_low", "exhausted", "paused", "ended"]
SignalKind = Literal["orders_put_aside", "silent_offer", "feed_gap", "demand_drop", "not_packed", "still_advertised"]
HOURS_SHOWN = 24


@value
class Limits:
    """What is worth saying: how unlikely a silence must be, and how long a gift may wait to be packed.

    ``pull_down`` is how long it takes until nobody can see an offer any more, checkouts under way included.
    """

    chance: float = 0.001
    packed_within: timedelta = timedelta(hours=24)
    pull_down: timedelta = timedelta(hours=3)


@value
class Rate:
    """``hits`` of ``tries``, and the Wilson interval (95 %); None where nothing has been tried."""

    hits: int
    tries: int
    low: float | None = None
    high: float | None = None

    @property
    def share(self) -> float | None:
        """The proportion, 0 to 1."""
        return self.hits / self.tries if self.tries else None


def rate(hits: int, tries: int) -> Rate:
    """A rate with its interval. What is reported at different moments may differ for one: never above all."""
    hits = min(hits, tries)
    if tries <= 0:
        return Rate(0, 0)
    return Rate(hits, tries, *wilson(hits, tries))


@value
class StockPlace:
    """A gift at a site for one offer: its units by account, its demand and when it will be gone.

    ``units_by_hour`` are the units asked for by orders placed in each of the latest hours, the running one last;
    ``burn_units_per_hour`` is over the clock hours in which there was something to give, ``cover_hours`` what is free
    over it; None where nothing has been given.
    """

    gift: str
    title: str
    balance: Balance
    units_by_hour: list[int]
    burn_units_per_hour: float | None = None
    cover_hours: float | None = None
    clock: RunOut | None = None


@value
class OfferPicture:
    """One offer. Money in minor units of ``currency``.

    ``rates``: qualification (of the orders in the window), entitlement (of the qualified), take_up (packed with it, of
    the entitled), fill (units packed, of the units entitled), over_gift (units packed without being earned, of all
    packed), near_miss (of the orders below the threshold), price_accuracy (lines). ``revenue`` is the net
    merchandise revenue of qualified orders, ``window_revenue`` of all in the window. ``top_share`` is what its ten
    largest customers hold of what is given to known ones.
    """

    key: str
    title: str
    says: str
    kind: OfferKind
    state: OfferState
    starts: Instant
    ends: Instant
    zone: str
    currency: str
    rates: dict[str, Rate]
    granted_units: int = 0
    owed_units: int = 0
    over_gift_units: int = 0
    left_units: int | None = None
    units_by_hour: list[int] = field(default_factory=list)
    clock: RunOut | None = None
    total_cap: int | None = None
    mean_gap: int | None = None
    declined: dict[str, int] = field(default_factory=dict)
    stock: list[StockPlace] = field(default_factory=list)
    gift_cost: int = 0
    revenue: int = 0
    window_revenue: int = 0
    overcharged: int = 0
    undercharged: int = 0
    customers: int = 0
    top_share: float | None = None
    exhausted_at: Instant | None = None
    advertised_after_seconds: int | None = None


@value
class Signal:
    """Something that has not happened, or goes on and should not.

    ``figure`` is what the sentence is about: the orders or units that were expected; the orders that were not packed;
    the minutes for which an exhausted offer has been announced.
    """

    kind: SignalKind
    sentence: str
    since: Instant | None = None
    offer: str | None = None
    figure: float = 0.0


@value
class Feed:
    """How far the orders have told: the newest instant that one told, and how long orders take to come.

    ``per_hour`` are the orders placed in each of the latest hours, the running one last.
    """

    watermark: Instant | None
    lag_seconds: float | None
    per_hour: list[int]


@value
class Picture:
    """All of it. ``exceptions`` are the newest of each kind, ``counts`` how many there are.

    ``rejects`` are the newest inputs that were put aside, ``rejects_count`` how many there are.
    """

    at: Instant
    as_of: Instant
    feed: Feed
    offers: list[OfferPicture]
    signals: list[Signal]
    exceptions: dict[str, list[Notice]]
    counts: dict[str, int]
    profile_learnt: bool
    rejects: list[PutAside] = field(default_factory=list)
    rejects_count: int = 0


@value
class Known:
    """What a picture is made of, beside the watch: the campaigns, the totals, the levels and the profile of demand."""

    book: Book
    tally: Tally
    levels: Sequence[OfferLevel]
    profiles: Callable[[str], Profile]  # by zone
    profile_learnt: bool
