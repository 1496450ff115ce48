"""What past orders say of an offer's demand: when each of them would have asked for a gift."""

from collections.abc import Iterable
from datetime import timedelta

from makeweight.contracts.codec import Codec
from makeweight.domain.counted import counted_lines, measure
from makeweight.domain.moments import Instant, Window
from makeweight.domain.orders import Order
from makeweight.domain.values import value
from makeweight.insight.learning import learn
from makeweight.insight.profile import Profile

HOUR = timedelta(hours=1)


@value
class Asked:
    """What an order has to come to: goods of some brands (none named: of all) charged at least so much, minor units."""

    brands: tuple[str, ...] = ()
    at_least: int = 1

    def met_by(self, order: Order) -> bool:
        """Whether the order counts; a cancelled one does not."""
        if order.status == "cancelled":
            return False
        found = counted_lines(order)
        if self.brands:
            found = found.only([i for i, line in enumerate(found.lines) if line.brand in self.brands])
        return measure("total", found)[0] >= self.at_least


@value
class Learnt:
    """A profile and what it was learnt from: orders that count, in a window that all orders together span."""

    profile: Profile
    orders: int
    start: Instant
    end: Instant

    def __post_init__(self) -> None:
        if self.start.tzinfo is None or self.end.tzinfo is None or not self.start < self.end:
            raise ValueError("expected a start before an end, both with an offset from UTC")

    @property
    def rate(self) -> float:
        """Orders that count, an exposure hour: what an offer like this may expect before it begins."""
        return self.orders / self.profile.exposure_hours(self.start, self.end)


LEARNT: Codec[Learnt] = Codec(Learnt)


def learn_from(orders: Iterable[Order], asked: Asked, zone: str) -> Learnt:
    """The profile of the orders that count. The window is that of all orders, from full hour to full hour.

    ``ValueError`` without an order that counts: nothing can be learnt of nothing.
    """
    units: list[tuple[Instant, int]] = []
    first = last = None
    for order in orders:
        first = order.placed_at if first is None else min(first, order.placed_at)
        last = order.placed_at if last is None else max(last, order.placed_at)
        if asked.met_by(order):
            units.append((order.placed_at, 1))
    if first is None or last is None or not units:
        raise ValueError("no order of the table counts; ask for less, or look at the brands and the currency")
    window = Window(_full_hour(first), _full_hour(last) + HOUR)
    return Learnt(learn(units, zone, window), len(units), window.start, window.end)


def _full_hour(instant: Instant) -> Instant:
    return instant.replace(minute=0, second=0, microsecond=0)
