"""What an offer makes of an order, worked out from the documents alone: the reference's first half.

    Offer         an offer with the campaign around it
    goods_of      the lines that may count, with their shares of the order's discount
    judge         the value, whether it qualifies, what is wanted and from which sites
    judge_all     every offer of an order together: value used once, and why an offer that is met is not claimed
    kept_goods    what is left of the goods after returns

Where the documents leave something open, the reading taken here is marked with 'Reading:' where it is made.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

Json = dict[str, Any]
LineKey = tuple[int, str]  # a line's number and the instant its units were added

RANK_DEFAULT = 1000
NEVER_TAKE_PART = ("replacement", "test")

DESTINATION = "destination"
UNPAID = "unpaid"
VALUE_USED = "value_used"
# Reading: the documents name the notice, 'blocked by caution', and leave the reason's own word to the core.
CAUTION = "caution"


# ---------------------------------------------------------------- campaigns


def instant(text: str | datetime) -> datetime:
    """An RFC 3339 instant, comparable with any other."""
    moment = text if isinstance(text, datetime) else datetime.fromisoformat(text)
    assert moment.tzinfo is not None, f"an instant needs its offset: {text}"
    return moment.astimezone(UTC)


def wall_clock(text: str | date, zone: str) -> datetime:
    """A local boundary as an instant. YAML gives a date for '2026-11-23' and text for '2026-11-23 00:00'."""
    local = datetime.fromisoformat(text if isinstance(text, str) else text.isoformat())
    return local.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)


@dataclass
class Offer:
    """An offer that gives something, with the campaign around it."""

    campaign: Json
    body: Json

    @property
    def key(self) -> str:
        """The offer's id on the wire."""
        return f"{self.campaign['campaign']}/{self.body['offer']}"

    @property
    def start(self) -> datetime:
        """The first instant of the window."""
        return wall_clock(self.campaign["from"], self.campaign["zone"])

    @property
    def end(self) -> datetime:
        """The first instant after the window."""
        return wall_clock(self.campaign["until"], self.campaign["zone"])

    @property
    def classes(self) -> list[str]:
        """The order classes that take part."""
        return self.campaign.get("classes") or ["retail"]

    @property
    def counts(self) -> Json:
        """What the offer looks at, and how."""
        counts: Json = self.body["counts"]
        return counts

    @property
    def gives(self) -> Json:
        """The one thing that it gives."""
        gives: Json = self.body["gives"]
        return gives

    @property
    def caps(self) -> Json:
        """The caps that are set."""
        return {name: units for name, units in (self.body.get("caps") or {}).items() if units is not None}

    @property
    def threshold(self) -> int:
        """Reading: 'any' has none and stands below every offer of its group that has one."""
        if self.counts["by"] == "any":
            return 0
        return int(self.counts["over"] if "over" in self.counts else self.counts["at_least"])

    @property
    def is_strict(self) -> bool:
        """The word is 'over'."""
        return "over" in self.counts

    @property
    def uses_value(self) -> bool:
        """What it counts, no other offer of the kind may count."""
        return self.body.get("value_used", "shared") == "once"

    @property
    def when_out(self) -> str:
        """What follows when the gift is out."""
        return self.body.get("when_out") or ("substitute" if self.gives.get("otherwise") else "next")

    @property
    def clawback(self) -> str:
        """What follows when the goods kept no longer earn the gift."""
        return self.body.get("clawback") or "none"

    @property
    def is_benefit(self) -> bool:
        """Free shipping and the like: nothing that lies on a shelf."""
        return "benefit" in self.gives

    @property
    def is_claimed_at_ledger(self) -> bool:
        """Reading: a cap of any kind makes a benefit a claim, `per_order` too."""
        return not self.is_benefit or bool(self.caps)

    @property
    def precedence(self) -> tuple[int, int, datetime, str]:
        """Place among others, best first."""
        rank = self.body.get("rank")
        return (RANK_DEFAULT if rank is None else rank, -self.threshold, self.start, self.key)

    def gift(self, name: str) -> Json:
        """What the campaign says of a gift."""
        return next(entry for entry in self.campaign["gifts"] if entry["gift"] == name)

    def pay_by(self, placed: datetime) -> datetime | None:
        """The same time of day so many days later; at the later reading where the clock changes."""
        days = self.body.get("paid_within_days")
        if days is None:
            return None
        zone = ZoneInfo(self.campaign["zone"])
        local = placed.astimezone(zone).replace(tzinfo=None) + timedelta(days=days)
        return max(local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))

    def delivers_to(self, event: Json) -> bool:
        """The destination's country and the service are among those of the offer, where it names any."""
        # Reading: an order that names no service has none that fits, as one without a country.
        country, service = place(event)[0], event.get("service") or ""
        only_to, services = self.body.get("only_to"), self.body.get("services")
        return (not only_to or country in only_to) and (not services or service in services)


# ---------------------------------------------------------------- cautions


def place(event: Json) -> tuple[str, str, str]:
    """Country, area and lane of an order; empty where unknown, and a lane that nobody named may be any."""
    there = event.get("destination") or {}
    return there.get("country") or "", there.get("area") or "", there.get("lane") or "any"


def blocked(campaign: Json, gift: Json, event: Json) -> bool:
    """Whether the gift may not go with this order: a caution speaks against it, or is not answered."""
    cautions = gift.get("cautions") or {}
    country, area, lane = place(event)
    return (
        _dangerous_goods_block(cautions.get("dangerous_goods"), lane)
        or _age_blocks(cautions.get("age"), event.get("age_answer"))
        or _is_unknown_food(cautions.get("food"))
        # Reading: a list of countries that is left out is an empty one; it is no question that waits for an answer.
        or bool(cautions.get("never_to") and (not country or {country, area} & set(cautions["never_to"])))
        or bool(_crosses_a_border(campaign, country) and not gift.get("customs"))
    )


def _dangerous_goods_block(answer: Json | str | None, lane: str) -> bool:
    if answer == "none":
        return False
    if not isinstance(answer, dict) or not answer.get("class"):
        return True  # unanswered
    lanes = set(answer.get("lanes") or ())
    return not {"ground", "air"} <= lanes if lane == "any" else lane not in lanes


def _age_blocks(answer: str | None, told: str | None) -> bool:
    return answer != "none" and not (answer == "adult" and told == "adult")


def _is_unknown_food(answer: Json | str | None) -> bool:
    return answer != "none" and not (isinstance(answer, dict) and isinstance(answer.get("allergens"), list))


def _crosses_a_border(campaign: Json, country: str) -> bool:
    ships_from = campaign.get("ships_from") or ""
    return bool(ships_from and country and ships_from != country)


def caution_set(gift: Json) -> set[tuple[str, str]]:
    """All that a customer might mind of a gift."""
    cautions = gift.get("cautions") or {}
    goods, food = cautions.get("dangerous_goods"), cautions.get("food")
    found = {("carries", text) for text in cautions.get("carries") or ()}
    if isinstance(goods, dict):
        found.add(("class", str(goods.get("class"))))
    if cautions.get("age") == "adult":
        found.add(("age", "adult"))
    if isinstance(food, dict):
        found |= {("allergen", allergen) for allergen in food.get("allergens") or ()}
    return found


def may_stand_in(announced: Json, substitute: Json) -> bool:
    """Worth no less, and with no caution that the announced one has not."""
    worth_it = (substitute.get("stated_value") or 0) >= (announced.get("stated_value") or 0)
    return worth_it and caution_set(substitute) <= caution_set(announced)


def gifts_for(offer: Offer, event: Json) -> list[str]:
    """The gifts that may go, in order of preference: the chosen one, the announced one, then what stands in."""
    default = offer.gives["gift"]
    chosen = event.get("chosen_gift")
    if chosen not in [*(offer.gives.get("choice") or ()), default]:
        chosen = default
    # Reading: what a substitute stands in for is the gift that the customer was to have. The default is part of the
    # offer's choice and stands in for nothing, so it may carry what the chosen one does not.
    instead = offer.gives.get("otherwise") or [] if offer.when_out == "substitute" else []
    fitting = [name for name in instead if may_stand_in(offer.gift(chosen), offer.gift(name))]
    names = dict.fromkeys([chosen, default, *fitting])
    return [name for name in names if not blocked(offer.campaign, offer.gift(name), event)]


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


Amounts = dict[int, int]  # by the place of a line among the goods: the value that other offers have used of it


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


def ride(offer: Offer, earning: list[Goods], goods: list[Goods]) -> tuple[str, ...]:
    """The sites whose parcel the gift may travel in, best first."""
    match offer.gives.get("rides_with") or "first":
        case "first":
            sites = [each.site for each in [*earning, *goods]]
        case "last":
            # Reading: a site goes last that has any back-ordered line, and sites stand where their first line does.
            waiting = [each.site for each in goods if each.line.get("back_ordered")]
            ordered = [each.site for each in goods if each.site not in waiting]
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
    # Reading: used value is money whatever the basis it was counted on, and no line has less than none left.
    taken = sum(
        min(amount_of(offer, each), (used or {}).get(at, 0)) for at, each in enumerate(goods) if _among(each, counted)
    )
    value, per, triggers = measure(offer, counted, taken)
    qualifies = meets(offer, value)
    is_near = offer.counts["by"] != "any" and value > 0 and not qualifies and 10 * value >= 9 * offer.threshold
    sites = ride(offer, triggers, goods)
    return Verdict(int(value * per), per, qualifies, is_near, units_earned(offer, value), sites)


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
            one.reason = DESTINATION
        elif not _is_paid(one, event, lapsed):
            one.reason = UNPAID
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
    """As much as the threshold asks, of the lines in the offer's scope, in their order."""
    after, needed = dict(used), offer.threshold + offer.is_strict
    for at, each in enumerate(goods):
        if _among(each, counted):
            taken = min(needed, max(0, amount_of(offer, each) - after.get(at, 0)))
            after[at] = after.get(at, 0) + taken
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
    earn nothing, as no order of them would. Value that offers use once is used anew by what is kept.
    """
    goods = goods_of(event)
    if not any(each.line.get("returned_units", 0) for each in goods):
        return {}
    before = judge_all(offers, event, goods, topped_up, lapsed)
    left, refund = kept_goods(goods)
    after = judge_all(offers, event, left, topped_up, lapsed)
    return {
        key: (after[key].verdict.wanted if key in after else 0, refund)
        for key, one in before.items()
        if one.verdict.qualifies and not one.offer.is_benefit
    }
