"""What an offer makes of an order, worked out from the documents alone.

    goods_of      the lines that may count, with their shares of the order's discount
    judge         the value, whether it qualifies, what is wanted and from which sites
    judge_all     every offer of an order together: value used once, and why an offer that is met is not claimed
    kept_goods    what is left of the goods after returns

Where the documents leave something open, the reading taken here is marked with 'Reading:' where it is made.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction

from tests.support.reference_campaigns import Json, Offer, gifts_for, instant

LineKey = tuple[int, str]  # a line's number and the instant its units were added

NEVER_TAKE_PART = ("replacement", "test")

DESTINATION = "destination"
UNPAID = "unpaid"
VALUE_USED = "value_used"
# Reading: the documents name the notice, 'blocked by caution', and leave the reason's own word to the core.
CAUTION = "caution"


# ---------------------------------------------------------------- goods


@dataclass
class Goods:
    """A line of goods that is not wholly cancelled, as the rules see it."""

    line: Json
    units: int
    listed: int
    charged: int  # before the order's discount
    value: int  # after it

    @property
    def site(self) -> str:
        """Where it ships from."""
        return str(self.line.get("site", "main"))

    @property
    def is_reduced(self) -> bool:
        """Charged below its list price. A line without one is charged what it is listed at."""
        listed = self.line.get("total_list")
        return listed is not None and self.line["total_charged"] < listed

    @property
    def late_key(self) -> LineKey | None:
        """What names the units if they were added after placing."""
        added = self.line.get("added_at")
        return (self.line["number"], str(added)) if added else None


def proration(amount: int, totals: list[int]) -> list[int]:
    """Shares of an amount in proportion to the totals: largest remainder, ties to the earlier."""
    whole = sum(totals)
    if whole == 0:
        return [0] * len(totals)
    # Reading: a discount beyond the goods takes all of them, never more.
    amount = min(amount, whole)
    shares = [amount * total // whole for total in totals]
    by_remainder = sorted(range(len(totals)), key=lambda at: (-(amount * totals[at] % whole), at))
    for at in by_remainder[: amount - sum(shares)]:
        shares[at] += 1
    return shares


def part_of(amount: int, units: int, of: int) -> int:
    """What so many of the units come to; a broken minor unit counts for the customer."""
    return -(-amount * units // of)


def goods_of(event: Json) -> list[Goods]:
    """The lines that may count, in the snapshot's order, each with its share of the order's discount."""
    kept: list[tuple[Json, int, int, int]] = []
    for line in event["lines"]:
        ordered, cancelled = line["units"], line.get("cancelled_units", 0)
        live = ordered - cancelled
        # Reading: a line that is wholly cancelled is gone, its site too; one that never had units adds its value.
        if line.get("kind", "goods") != "goods" or (cancelled and not live):
            continue
        listed = line["total_charged"] if line.get("total_list") is None else line["total_list"]
        charged, listed = (
            total if not cancelled else part_of(total, live, ordered) for total in (line["total_charged"], listed)
        )
        kept.append((line, live, listed, charged))
    shares = proration(event.get("discount", 0), [charged for *_, charged in kept])
    return [
        Goods(line, live, listed, charged, charged - share)
        for (line, live, listed, charged), share in zip(kept, shares, strict=True)
    ]


def kept_goods(goods: list[Goods]) -> tuple[list[Goods], int]:
    """What is left after returns for a change of mind, on the shares of the order as it was, and what is refunded.

    Faulty units count as kept. Reading: of a line partly returned the broken minor unit stays with what is kept, and
    the refund is the rest, so that the two add up to what was charged.
    """
    left, refund = [], 0
    for each in goods:
        back = each.line.get("returned_units", 0) - each.line.get("faulty_units", 0)
        back = max(0, min(back, each.units))
        if not back:
            left.append(each)
            continue
        units = each.units - back
        listed, charged, value = (part_of(n, units, each.units) for n in (each.listed, each.charged, each.value))
        left.append(Goods(each.line, units, listed, charged, value))
        refund += each.value - value
    return left, refund


def in_scope(counts: Json, line: Json) -> bool:
    """Every list that is given must match, and no list of exclusions may."""
    categories = set(line.get("categories") or ())
    brands, skus, wanted = counts.get("brands"), counts.get("skus"), counts.get("categories")
    return not (
        (brands and line.get("brand", "") not in brands)
        or (skus and line["sku"] not in skus)
        or (wanted and categories.isdisjoint(wanted))
        or line["sku"] in (counts.get("not_skus") or ())
        or not categories.isdisjoint(counts.get("not_categories") or ())
    )


def is_late(offer: Offer, goods: Goods) -> bool:
    """Its units were added when the window had ended."""
    return bool(goods.late_key) and instant(goods.line["added_at"]) >= offer.end


def counted_by(offer: Offer, goods: list[Goods], topped_up: Collection[LineKey]) -> list[Goods]:
    """The goods that an offer looks at. `topped_up` names late goods that may count where the offer allows it."""
    return [
        each
        for each in goods
        if in_scope(offer.counts, each.line)
        and not (offer.counts.get("not_reduced") and each.is_reduced)
        and (not is_late(offer, each) or (offer.body.get("top_up") and each.late_key in topped_up))
    ]


# ---------------------------------------------------------------- one offer


@dataclass
class Verdict:
    """What an offer makes of a snapshot. The value is the fraction value / per, not reduced."""

    value: int
    per: int
    qualifies: bool
    near_miss: bool
    wanted: int
    sites: tuple[str, ...]  # where the gift may ride, best first
    earning: list[int]  # the numbers of the lines that earned it


# By the place of a line among the goods: what other offers have used of its value, charged and listed.
Amounts = dict[int, tuple[int, int]]


def used_of(offer: Offer, goods: Goods, used: tuple[int, int] | None) -> int:
    """What of a line's value on the offer's basis is used."""
    charged, listed = used or (0, 0)
    return listed if offer.counts.get("basis", "charged") == "before_discount" else charged


def amount_of(offer: Offer, goods: Goods) -> int:
    """What the goods come to on the offer's basis."""
    return goods.listed if offer.counts.get("basis", "charged") == "before_discount" else goods.value


def measure(offer: Offer, counted: list[Goods], used: int = 0) -> tuple[Fraction, int, list[Goods]]:
    """The qualifying value, what it is per, and the lines that could have triggered the offer."""

    def value(goods: Goods) -> int:
        return amount_of(offer, goods)

    def reaches(amount: Fraction) -> bool:
        return meets(offer, amount)

    bought = [goods for goods in counted if goods.units > 0]
    match offer.counts["by"]:
        case "total":
            return Fraction(sum(value(goods) for goods in counted) - used), 1, counted
        case "units":
            return Fraction(sum(goods.units for goods in bought)), 1, bought
        case "any":
            # Reading: on either basis a purchase is paid for after discounts; a sample at a list price is none.
            paid = [goods for goods in bought if goods.value > 0]
            return Fraction(sum(goods.units for goods in paid)), 1, paid
        case "line":
            # Reading: of lines judged one by one, those trigger that reach the threshold by themselves.
            values = [Fraction(value(goods)) for goods in counted]
            return max(values), 1, [goods for goods, each in zip(counted, values, strict=True) if reaches(each)]
        case "unit":
            prices = [Fraction(value(goods), goods.units) for goods in bought]
            if not prices:
                return Fraction(0), 1, []
            per = bought[prices.index(max(prices))].units
            return max(prices), per, [goods for goods, each in zip(bought, prices, strict=True) if reaches(each)]
        case other:
            raise ValueError(f"by: {other}")


def meets(offer: Offer, value: Fraction) -> bool:
    """The literal comparison word."""
    if offer.counts["by"] == "any":
        return value > 0
    return value > offer.threshold if offer.is_strict else value >= offer.threshold


def units_earned(offer: Offer, value: Fraction) -> int:
    """Units that a value earns, capped per order; every other cap is the ledger's."""
    if not meets(offer, value):
        return 0
    times = value // max(1, offer.threshold) if offer.gives.get("for_each") else 1
    return min([times * offer.gives.get("units", 1), *([offer.caps["per_order"]] if "per_order" in offer.caps else [])])


def ride(offer: Offer, earning: list[Goods], goods: list[Goods], leaving: Collection[str]) -> tuple[str, ...]:
    """The sites whose parcel the gift may travel in, best first. From those that are leaving something goes at once."""
    match offer.gives.get("rides_with") or "first":
        case "first":
            sites = [each.site for each in [*earning, *goods]]
            if offer.gives.get("back_orders") == "travel":
                # Reading: what travels now goes with a parcel that leaves now, if there is one.
                sites.sort(key=lambda site: site not in leaving)
        case "last":
            # Reading: a site goes last that has any back-ordered line, and sites stand where their first line does.
            late = {each.site for each in goods if each.line.get("back_ordered")}
            waiting = [each.site for each in goods if each.site in late]
            ordered = [each.site for each in goods if each.site not in late]
            sites = list(dict.fromkeys([*ordered, *waiting]))[::-1]
        case "trigger":
            sites = [each.site for each in earning]
        case other:
            raise ValueError(f"rides_with: {other}")
    return tuple(dict.fromkeys([*sites, *(offer.gives.get("own_parcel") or ())]))


def takes_part(offer: Offer, event: Json, goods: list[Goods]) -> bool:
    """Whether the order is one that the campaign is for. Reading: an order is worth what is left after discounts."""
    order_class = event.get("order_class", "retail")
    return (
        event["status"] != "cancelled"
        and order_class in offer.classes
        and order_class not in NEVER_TAKE_PART
        and event["currency"] == offer.campaign["currency"]
        and event["market"] in offer.campaign["markets"]
        and offer.start <= instant(event["placed_at"]) < offer.end
        and any(each.value > 0 for each in goods)
    )


def judge(
    offer: Offer, event: Json, goods: list[Goods], topped_up: Collection[LineKey], used: Amounts | None = None
) -> Verdict | None:
    """None for an order that takes no part in the offer, or that holds nothing which counts."""
    if not takes_part(offer, event, goods):
        return None
    counted = counted_by(offer, goods, topped_up)
    if not counted:
        return None
    taken = {id(each): used_of(offer, each, (used or {}).get(at)) for at, each in enumerate(goods)}
    value, per, triggers = measure(offer, counted, sum(taken[id(each)] for each in counted))
    qualifies = meets(offer, value)
    is_near = offer.counts["by"] != "any" and value > 0 and not qualifies and 10 * value >= 9 * offer.threshold
    # Reading: a line of which others used everything earns nothing here.
    triggers = [each for each in triggers if not taken.get(id(each)) or taken[id(each)] < amount_of(offer, each)]
    leaving = {
        str(line.get("site", "main"))
        for line in event["lines"]
        if line["units"] > line.get("cancelled_units", 0) and not line.get("back_ordered")
    }
    sites = ride(offer, triggers, goods, leaving)
    earning = [each.line["number"] for each in triggers]
    return Verdict(int(value * per), per, qualifies, is_near, units_earned(offer, value), sites, earning)


def _among(goods: Goods, counted: Iterable[Goods]) -> bool:
    return any(each is goods for each in counted)


# ---------------------------------------------------------------- all offers of an order


@dataclass
class Judged:
    """An offer on an order, and why it is not claimed though it is met, or would be but for value used before."""

    offer: Offer
    verdict: Verdict
    gifts: list[str]  # those that may go, best first
    reason: str | None = None
    winner: str | None = None  # the offer that used the value
    pay_by: datetime | None = None  # of an order not paid yet

    @property
    def is_wanted(self) -> bool:
        """It is claimed, or given outright."""
        return self.verdict.wanted > 0 and self.reason is None


def judge_all(
    offers: list[Offer],
    event: Json,
    goods: list[Goods],
    topped_up: Collection[LineKey],
    lapsed: Collection[str],
) -> dict[str, Judged]:
    """Every offer that the order takes part in. Those that use value up go first, best first."""
    found: dict[str, Judged] = {}
    used: Amounts = {}
    users: list[tuple[str, Amounts]] = []  # what was used of which line, after each offer that used some
    for offer in sorted(offers, key=lambda offer: (not offer.uses_value, offer.precedence)):
        verdict = judge(offer, event, goods, topped_up, used if offer.uses_value else None)
        if verdict is None:
            continue
        one = Judged(offer, verdict, [] if offer.is_benefit else gifts_for(offer, event))
        found[offer.key] = one
        whole = judge(offer, event, goods, topped_up)
        assert whole is not None
        if not whole.qualifies:
            continue
        # Reading: the reasons in the order of their list, so value used before is the last thing to be said.
        if not offer.delivers_to(event):
            one.reason, one.verdict = DESTINATION, whole  # its turn never comes, whatever others used
        elif not _is_paid(one, event, lapsed):
            one.reason, one.verdict = UNPAID, whole
        elif not verdict.qualifies:
            one.reason, one.winner = VALUE_USED, _winner(offer, event, goods, topped_up, users)
        elif not offer.is_benefit and not one.gifts:
            one.reason = CAUTION
        if offer.uses_value and one.is_wanted:
            used = _use(offer, counted_by(offer, goods, topped_up), goods, used)
            users.append((offer.key, used))
    return found


def _is_paid(one: Judged, event: Json, lapsed: Collection[str]) -> bool:
    """In time, or not yet and the time has not passed. Reading: only time itself lapses, never a late snapshot."""
    limit = one.offer.pay_by(instant(event["placed_at"]))
    if limit is None:
        return True
    if event.get("paid_at"):
        return instant(event["paid_at"]) <= limit
    one.pay_by = limit
    return one.offer.key not in lapsed


def _use(offer: Offer, counted: list[Goods], goods: list[Goods], used: Amounts) -> Amounts:
    """As much as the threshold asks, of the lines in the offer's scope, in their order.

    Reading: what is used of a line on one basis is used on the other in proportion, a broken minor unit in full.
    """
    after, needed = dict(used), offer.threshold + offer.is_strict
    is_listed = offer.counts.get("basis", "charged") == "before_discount"
    for at, each in enumerate(goods):
        taken = min(needed, amount_of(offer, each) - used_of(offer, each, after.get(at)))
        if _among(each, counted) and taken:
            other = part_of(each.value if is_listed else each.listed, taken, amount_of(offer, each))
            charged, listed = after.get(at, (0, 0))
            charged, listed = charged + (other if is_listed else taken), listed + (taken if is_listed else other)
            after[at] = (min(charged, each.value), min(listed, each.listed))
            needed -= taken
    assert needed == 0, f"{offer.key} uses more than it counted"
    return after


def _winner(
    offer: Offer,
    event: Json,
    goods: list[Goods],
    topped_up: Collection[LineKey],
    users: list[tuple[str, Amounts]],
) -> str:
    """Reading: of several that used some of the value, the one that took it below the threshold."""
    for key, used in users:
        verdict = judge(offer, event, goods, topped_up, used)
        if verdict and not verdict.qualifies:
            return key
    raise AssertionError(f"{offer.key}: nobody used the value")


def kept(
    offers: list[Offer], event: Json, topped_up: Collection[LineKey], lapsed: Collection[str]
) -> dict[str, tuple[int, int]]:
    """Of an order with returns, by gift offer that it meets: units that the goods kept earn, and the refund.

    Reading: a returned line that is not of goods makes no order one with returns, and goods kept that were all free
    earn nothing, as no order of them would. Value that offers use once is used anew by what is kept, for the offers
    that were given: one that had nothing for another's sake takes nothing from what the rest was given for.
    """
    goods = goods_of(event)
    if not any(each.line.get("returned_units", 0) for each in goods):
        return {}
    before = judge_all(offers, event, goods, topped_up, lapsed)
    left, refund = kept_goods(goods)
    others = [offer for offer in offers if offer.key in before and before[offer.key].reason != VALUE_USED]
    after = judge_all(others, event, left, topped_up, lapsed)
    for key, one in before.items():
        if key in after and one.offer.counts["by"] == "unit":
            # Reading: a broken minor unit that stays with what is kept makes no unit dearer than it was.
            earning = [each for each in left if each.line["number"] in one.verdict.earning]
            verdict = judge(one.offer, event, earning, topped_up)
            after[key].verdict = replace(after[key].verdict, wanted=verdict.wanted if verdict else 0)
    return {
        key: (after[key].verdict.wanted if key in after else 0, refund)
        for key, one in before.items()
        if one.verdict.qualifies and not one.offer.is_benefit
    }
