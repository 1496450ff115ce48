"""The goods of an order as they count: live units, charged and list totals, and what some lines are worth together."""

from typing import NamedTuple

from makeweight.domain.money import prorate
from makeweight.domain.orders import Line, Order


class Counted(NamedTuple):
    """Lines as they count: live units, charged after the share of order discounts, and list totals, side by side."""

    lines: list[Line]
    units: list[int]
    charged: list[int]
    before: list[int]

    def only(self, places: list[int]) -> "Counted":
        """Some of the lines, by their places."""
        return Counted(
            [self.lines[i] for i in places],
            [self.units[i] for i in places],
            [self.charged[i] for i in places],
            [self.before[i] for i in places],
        )

    def numbers(self) -> list[int]:
        """The lines' numbers."""
        return [line.number for line in self.lines]


def live_totals(order: Order) -> Counted:
    """The goods of the order as they stand, before the order-level discount: ``charged`` is what it is shared over."""
    goods = [line for line in order.lines if line.kind == "goods"]
    charged = [line.total_charged for line in goods]
    before = [line.total_charged if line.total_list is None else line.total_list for line in goods]
    units = [line.units for line in goods]
    for i, line in enumerate(goods):
        if line.cancelled_units:
            units[i] = line.live_units
            charged[i], before[i] = line.live_share(charged[i]), line.live_share(before[i])
    return Counted(goods, units, charged, before)


def counted_lines(order: Order) -> Counted:
    """The goods of the order as they count towards thresholds.

    Gift cards, wrap, services, donations and shipping never count. The order-level discount is shared over the goods
    in proportion to their charged totals, by largest remainder.
    """
    found = live_totals(order)
    if not order.discount or not found.lines:
        return found
    shares = prorate(min(order.discount, sum(found.charged)), found.charged)
    return found._replace(charged=[total - share for total, share in zip(found.charged, shares, strict=True)])


def kept_goods(counted: Counted) -> Counted:
    """The goods that the customer keeps: faulty ones too, since what the shop did wrong takes no gift away.

    Values keep their share of the original order's discount; a broken minor unit counts for the customer.
    """
    places, units, charged, before = [], list(counted.units), list(counted.charged), list(counted.before)
    for i, line in enumerate(counted.lines):
        back = min(units[i], max(0, line.returned_units - line.faulty_units))
        if back and back == units[i]:
            continue
        places.append(i)
        if back:
            left = units[i] - back
            charged[i], before[i] = -(-charged[i] * left // units[i]), -(-before[i] * left // units[i])
            units[i] = left
    return Counted(counted.lines, units, charged, before).only(places)


def measure(by: str, found: Counted, *, before_discount: bool = False) -> tuple[int, int]:
    """The qualifying value of some counted lines as a fraction (numerator, denominator).

    total: sum of the lines; line: the largest line; unit: the largest price of one unit, exact; units: how many;
    any: 1 if at least one unit was bought at a price above zero, else 0.
    """
    if by == "units":
        return sum(found.units), 1
    if by == "any":
        paid = [units for units, charged in zip(found.units, found.charged, strict=True) if units > 0 and charged > 0]
        return int(bool(paid)), 1
    values = found.before if before_discount else found.charged
    if by == "total":
        return sum(values), 1
    if by == "line":
        return max(values, default=0), 1
    best, per = 0, 1
    for amount, units in zip(values, found.units, strict=True):
        if units > 0 and amount * per > best * units:
            best, per = amount, units
    return best, per
