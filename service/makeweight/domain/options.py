"""What may be sent for an offer, and from where: the gifts in their order, cautions that withhold one, and sites."""

from dataclasses import field

from makeweight.domain.campaigns import Gift, Offer, added_cautions, may_stand_in
from makeweight.domain.claims import Option
from makeweight.domain.orders import DEFAULT_SITE, Order
from makeweight.domain.values import value


@value
class Plan:
    """The gifts of an offer, best first: without a choice of the customer, and for each choice.

    ``plain`` says that none of them can be withheld from any order and that nobody has a choice.
    """

    gifts: list[Gift]
    plain: bool
    chosen: dict[str, list[Gift]] = field(default_factory=dict)

    def of(self, order: Order) -> list[Gift]:
        """The gifts for an order; a choice that the offer does not have is none."""
        return self.chosen.get(order.chosen_gift, self.gifts) if order.chosen_gift else self.gifts


def plan_of(offer: Offer) -> Plan:
    """What an offer may send; a substitute that may not stand in is left out, though publishing refused it."""
    if offer.gift is None:
        return Plan([], plain=True)
    announced = offer.gifts[offer.gift]
    gifts = _ranked(offer, announced)
    plain = not offer.choice and all(g.cautions.clear and (g.customs or not g.ships_from) for g in gifts)
    return Plan(gifts, plain, {name: _ranked(offer, offer.gifts[name]) for name in offer.choice})


def _ranked(offer: Offer, wanted: Gift) -> list[Gift]:
    """What is wanted, then the announced gift, then substitutes for both.

    The announced gift needs not be worth what was chosen, since it is one of the gifts that were offered, but it may
    add no caution: who chose the fragrance-free one is not sent the other.
    """
    announced = offer.gifts[offer.gift or ""]
    found = {wanted.gift: wanted}
    if not added_cautions(wanted, announced):
        found.setdefault(announced.gift, announced)
    for name in offer.otherwise if offer.when_out == "substitute" else ():
        gift = offer.gifts[name]
        if may_stand_in(wanted, gift) is None and may_stand_in(announced, gift) is None:
            found.setdefault(name, gift)
    return list(found.values())


def options_of(order: Order, offer: Offer, plan: Plan, lines: list[int]) -> tuple[list[Option], dict[str, str]]:
    """Gifts that may be sent, each with the sites it may leave from; and those withheld before the first, with why.

    ``lines`` are those that earned the gift.
    """
    sites = sites_of(order, offer, lines)
    if plan.plain:
        return [Option(gift.gift, sites, gift.gift != offer.gift) for gift in plan.gifts], {}
    options: list[Option] = []
    withheld: dict[str, str] = {}
    gifts = plan.of(order)
    asked = (gifts[0].gift, offer.gift) if gifts else ()
    for gift in gifts:
        why = gift.withheld(order)
        if why is None:
            options.append(Option(gift.gift, sites, gift.gift not in asked))
        elif not options:
            withheld[gift.gift] = why
    return options, withheld


def sites_of(order: Order, offer: Offer, lines: list[int]) -> list[str]:
    """Sites that the gift may leave from, best first: those that ship the order, as the offer has it ride with them.

    first: the sites of the lines that earned it, in line order, then those of other goods; trigger: the former alone;
    last: all of them from the last to the first, back-ordered lines being the last. Then sites that send it alone.
    """
    first: dict[str, None] = {}
    rest: dict[str, None] = {}
    earned = set(lines)
    for line in order.lines:
        if line.units > line.cancelled_units or not line.units:
            if line.number in earned:
                first[line.site] = None
            elif line.kind == "goods":
                rest[line.site] = None
    if offer.rides_with == "first":
        found = first | rest
        if offer.back_orders == "travel":
            # It goes with what leaves first, and that is nothing that waits for goods.
            found = dict.fromkeys(sorted(found, key=lambda site: not _leaves_now(order, site)))
    elif offer.rides_with == "trigger":
        found = first
    else:
        found = _from_the_last(order, first.keys() | rest.keys())
    if offer.own_parcel:
        found = found | dict.fromkeys(offer.own_parcel)
    return list(found) or [DEFAULT_SITE]


def _leaves_now(order: Order, site: str) -> bool:
    return any(line.site == site and not line.back_ordered and line.live_units for line in order.lines)


def _from_the_last(order: Order, sites: set[str]) -> dict[str, None]:
    last: dict[str, bool] = {}  # by site in line order: whether something of it is back-ordered
    for line in order.lines:
        if line.site in sites and line.kind == "goods" and (line.units > line.cancelled_units or not line.units):
            last[line.site] = last.get(line.site, False) or line.back_ordered
    in_order = sorted(last, key=lambda site: last[site])
    return dict.fromkeys(reversed(in_order))
