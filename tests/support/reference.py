"""What orders, campaigns and stock must come to, worked out a second time and from the documents alone.

Written without sight of the core, so that a mistake would have to be made twice to go unseen. It holds everything in
plain dictionaries, scans them whole for each question, and knows no log, no message and no restart: one order event is
judged, claimed and settled before the next is looked at, as in the embedded run.

    judge    what an offer makes of a snapshot      the value, whether it qualifies, what is wanted
    Ledger   what a claim comes to                  caps, stock, owed units, and the movements of the warehouse
    Reference                                       orders in arrival order; which offer of a group is claimed

Where the documents leave something open, the reading taken here is marked with 'Reading:' where it is made.
"""

import copy
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

Json = dict[str, Any]
Position = tuple[str, str, str]  # offer key, gift, site

RANK_DEFAULT = 1000
CAUTIONS = ("dangerous_goods", "age", "food")

NOT_WANTED = "not_wanted"
CUSTOMER_CAP = "customer_cap"
CAMPAIGN_CAP = "campaign_cap"
NO_STOCK = "no_stock"


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


@dataclass(frozen=True)
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
    def when_out(self) -> str:
        """What follows when the gift is out."""
        return self.body.get("when_out") or ("substitute" if self.gives.get("otherwise") else "next")

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
        """Place within a group, best first."""
        rank = self.body.get("rank")
        return (RANK_DEFAULT if rank is None else rank, -self.threshold, self.start, self.key)


def cleared(campaign: Json, gift: str) -> bool:
    """A gift with an unknown caution is as blocked as one with a caution."""
    cautions = next(entry for entry in campaign["gifts"] if entry["gift"] == gift).get("cautions") or {}
    return all(cautions.get(caution) == "none" for caution in CAUTIONS)


# ---------------------------------------------------------------- judging


@dataclass(frozen=True)
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


@dataclass(frozen=True)
class Verdict:
    """What an offer makes of a snapshot. The value is the fraction value / per, not reduced."""

    value: int
    per: int
    qualifies: bool
    near_miss: bool
    wanted: int
    sites: tuple[str, ...]  # those of the lines that triggered the offer first


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
            total if not cancelled else -(-total * live // ordered) for total in (line["total_charged"], listed)
        )
        kept.append((line, live, listed, charged))
    shares = proration(event.get("discount", 0), [charged for *_, charged in kept])
    return [
        Goods(line, live, listed, charged, charged - share)
        for (line, live, listed, charged), share in zip(kept, shares, strict=True)
    ]


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


def measure(offer: Offer, counted: list[Goods]) -> tuple[Fraction, int, list[Goods]]:
    """The qualifying value, what it is per, and the lines that could have triggered the offer."""
    listed = offer.counts.get("basis", "charged") == "before_discount"

    def value(goods: Goods) -> int:
        return goods.listed if listed else goods.value

    def reaches(amount: Fraction) -> bool:
        return meets(offer, amount)

    bought = [goods for goods in counted if goods.units > 0]
    match offer.counts["by"]:
        case "total":
            return Fraction(sum(value(goods) for goods in counted)), 1, counted
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
    return value > offer.threshold if "over" in offer.counts else value >= offer.threshold


def judge(offer: Offer, event: Json) -> Verdict | None:
    """None for an order that takes no part in the offer, or that holds nothing which counts."""
    if (
        event["status"] == "cancelled"
        or event.get("order_class", "retail") != "retail"
        or event["currency"] != offer.campaign["currency"]
        or event["market"] not in offer.campaign["markets"]
        or not offer.start <= instant(event["placed_at"]) < offer.end
    ):
        return None
    goods = goods_of(event)
    if not any(each.value for each in goods):
        return None  # an order that is charged nothing in all takes part in nothing
    counted = [
        each
        for each in goods
        if in_scope(offer.counts, each.line)
        and not (each.line.get("added_at") and instant(each.line["added_at"]) >= offer.end)
    ]
    if not counted:
        return None
    value, per, triggers = measure(offer, counted)
    qualifies = meets(offer, value)
    is_near = offer.counts["by"] != "any" and value > 0 and not qualifies and 10 * value >= 9 * offer.threshold
    wanted = 0
    if qualifies:
        times = value // max(1, offer.threshold) if offer.gives.get("for_each") else 1
        wanted = times * offer.gives.get("units", 1)
        if offer.caps.get("per_order") is not None:
            wanted = min(wanted, offer.caps["per_order"])
    sites = tuple(dict.fromkeys(each.site for each in [*triggers, *goods]))
    return Verdict(int(value * per), per, qualifies, is_near, wanted, sites)


# ---------------------------------------------------------------- the ledger


@dataclass(frozen=True)
class Wish:
    """All that a claim carries: the ledger never reads campaigns."""

    wanted: int
    options: tuple[tuple[str, str], ...]  # gift and site, in order of preference; none for a benefit
    needs_stock: bool
    may_owe: bool
    customer: str | None
    per_customer: int | None
    total: int | None


@dataclass
class Claim:
    """What the ledger knows of one order and offer. All its units are of one gift at one site."""

    wish: Wish
    position: Position | None = None
    reserved: int = 0
    released: int = 0
    packed: int = 0
    owed: int = 0
    owed_since: int = 0
    shortened_by: str | None = None
    on_tickets: dict[str, int] = field(default_factory=dict)  # released units by the ticket they lie on

    @property
    def held(self) -> int:
        """Units of stock that are this order's."""
        return self.reserved + self.released + self.packed

    @property
    def live(self) -> int:
        """Units that count towards caps."""
        return self.held + self.owed

    @property
    def outcome(self) -> str:
        """What the order is told."""
        return "granted" if self.held else "owed" if self.owed else "declined"

    @property
    def reason(self) -> str | None:
        """Why there is less than was wanted. Reading: units owed are units out of stock, until they are served."""
        if not self.wish.wanted:
            return None if self.held else NOT_WANTED
        return NO_STOCK if self.owed else self.shortened_by


class Ledger:
    """Stock and claims. Every offer keeps its own, so offers never compete here."""

    def __init__(self, stock: Iterable[tuple[str, str, str, int]]) -> None:
        self.claims: dict[tuple[str, str], Claim] = {}
        self.received: dict[Position, int] = defaultdict(int)
        self.free: dict[Position, int] = defaultdict(int)
        self._turn = 0
        for offer, gift, site, units in stock:
            self.received[offer, gift, site] += units
            self.free[offer, gift, site] += units

    def of_offer(self, offer: str) -> list[Claim]:
        """The claims of an offer, first made first."""
        return [claim for (_, its_offer), claim in self.claims.items() if its_offer == offer]

    def of_order(self, order: str) -> dict[str, Claim]:
        """The claims of an order by offer."""
        return {offer: claim for (its_order, offer), claim in self.claims.items() if its_order == order}

    def settle(self, order: str, offer: str, wish: Wish) -> Claim:
        """Bring a claim to a new level."""
        self._turn += 1
        claim = self.claims.setdefault((order, offer), Claim(wish))
        claim.wish, claim.shortened_by = wish, None
        if wish.wanted <= claim.live:
            self._shrink(claim)
        else:
            self._grow(offer, claim, wish.wanted - claim.live)
        return claim

    def _shrink(self, claim: Claim) -> None:
        """Owed units go first, then reserved ones; what left the shelf waits for the warehouse."""
        claim.owed = max(0, claim.wish.wanted - claim.held)
        freed = min(claim.reserved, max(0, claim.held - claim.wish.wanted))
        claim.reserved -= freed
        position = claim.position
        if not claim.held:
            claim.position = None
        if position and freed:
            self.free[position] += freed
            self._serve_owed(position)

    def _grow(self, offer: str, claim: Claim, more: int) -> None:
        """The checks in their order; the last one that took something away is the reason."""
        wish, allowed = claim.wish, more
        others = self.of_offer(offer)
        if wish.customer and wish.per_customer is not None:
            used = sum(other.live for other in others if other.wish.customer == wish.customer)
            if wish.per_customer - used < allowed:
                allowed, claim.shortened_by = max(0, wish.per_customer - used), CUSTOMER_CAP
        if wish.total is not None:
            used = sum(other.live for other in others)
            if wish.total - used < allowed:
                allowed, claim.shortened_by = max(0, wish.total - used), CAMPAIGN_CAP
        if not wish.needs_stock:
            claim.reserved += allowed
            return
        taken = self._take(offer, claim, allowed)
        missing = allowed - taken
        if missing and wish.may_owe:
            claim.owed_since = claim.owed_since if claim.owed else self._turn
            claim.owed += missing
        elif missing:
            claim.shortened_by = NO_STOCK

    def _take(self, offer: str, claim: Claim, units: int) -> int:
        """Reserve as much of the units as one position gives."""
        options = [(offer, gift, site) for gift, site in claim.wish.options]
        positions = [claim.position] if claim.position else options
        enough = [position for position in positions if self.free[position] >= units]
        # `max` gives the first of equals, which is the more preferred one.
        best = enough[0] if enough else max(positions, key=lambda position: self.free[position])
        taken = min(units, self.free[best])
        if taken:
            self._reserve(claim, best, taken)
        return taken

    def _reserve(self, claim: Claim, position: Position, units: int) -> None:
        self.free[position] -= units
        claim.reserved += units
        claim.position = position
        assert self.free[position] >= 0, f"oversold: {position}"

    def _serve_owed(self, position: Position) -> None:
        """Free units go to owed claims, oldest first, as far as they reach."""
        offer, gift, site = position
        waiting = [claim for claim in self.of_offer(offer) if claim.owed]
        for claim in sorted(waiting, key=lambda claim: claim.owed_since):
            first_gift = claim.wish.options[0][0]
            is_wanted_here = gift == first_gift and (gift, site) in claim.wish.options
            # Reading: one entitlement is one gift line, so units that joined those held elsewhere would split it.
            units = min(claim.owed, self.free[position]) if claim.position in {None, position} else 0
            if is_wanted_here and units:
                claim.owed -= units
                self._reserve(claim, position, units)

    def balances(self) -> dict[Position, dict[str, int]]:
        """The accounts of every position that ever had stock."""
        accounts = {}
        for position, received in self.received.items():
            here = [claim for claim in self.of_offer(position[0]) if claim.position == position]
            accounts[position] = {
                "received": received,
                "free": self.free[position],
                "reserved": sum(claim.reserved for claim in here),
                "released": sum(claim.released for claim in here),
                "packed": sum(claim.packed for claim in here),
            }
            assert received == sum(accounts[position].values()) - received, f"units lost: {position}"
        return accounts


# ---------------------------------------------------------------- orders


@dataclass
class Known:
    """What is kept of an order."""

    event: Json
    offers: list[Offer]  # of the campaign revisions in force when it was placed
    sites: set[str] = field(default_factory=set)
    claimed: set[str] = field(default_factory=set)  # by the current revision
    frozen: set[str] = field(default_factory=set)  # tickets that the warehouse has spoken of


class Reference:
    """Feed it messages in arrival order, then ask."""

    def __init__(self, campaigns: list[Json], stock: list[tuple[str, str, str, int]]) -> None:
        self._revisions: dict[str, list[Json]] = defaultdict(list)
        for campaign in campaigns:
            self._revisions[campaign["campaign"]].append(campaign)
        for campaign_id, revisions in self._revisions.items():
            # Reading: the documents name no member for the instant at which a revision takes effect.
            if len(revisions) > 1 and not all("effective" in revision for revision in revisions):
                raise ValueError(f"{campaign_id}: of several revisions each needs its effective")
        self._orders: dict[str, Known] = {}
        self._ledger = Ledger(stock)

    # -------------------------------------------------- messages

    def order(self, event: Json) -> None:
        """A snapshot. Only a higher revision than the one known changes anything."""
        event = copy.deepcopy(event)
        known = self._orders.get(event["order"])
        if known is None:
            known = Known(event, self._offers_in_force(instant(event["placed_at"])))
            self._orders[event["order"]] = known
        elif event["revision"] <= known.event["revision"]:
            return  # a repeat, a conflict or a latecomer: the first in the log wins
        known.event = event
        known.sites |= {line.get("site", "main") for line in event["lines"]}
        self._claim(known)

    def released(self, order: str, ticket: str) -> None:
        """To the floor: what is reserved for the ticket can no longer be freed."""
        known = self._orders.get(order)
        if known is None or ticket in known.frozen:
            return
        site = site_of(order, ticket, known.sites)
        known.frozen.add(ticket)
        # A frozen ticket takes nothing more: units reserved later at this site lie on a ticket with another id.
        for claim in self._ledger.of_order(order).values():
            if claim.position and claim.position[2] == site and claim.reserved:
                claim.on_tickets[ticket] = claim.reserved
                claim.released += claim.reserved
                claim.reserved = 0

    def packed(self, order: str, ticket: str) -> None:
        """Into the box. The warehouse may say so without having said 'released'."""
        self.released(order, ticket)
        for claim in self._ledger.of_order(order).values():
            units = claim.on_tickets.pop(ticket, 0)
            claim.released -= units
            claim.packed += units

    # -------------------------------------------------- answers

    def outcomes(self) -> dict[tuple[str, str], Json]:
        """By order and offer: what the current revision claims, and what is held from earlier ones."""
        return {
            (order, offer): {
                "outcome": claim.outcome,
                "units": claim.held,
                "owed": claim.owed,
                "gift": claim.position[1] if claim.position else None,
                "site": claim.position[2] if claim.position else None,
                "reason": claim.reason,
            }
            for (order, offer), claim in self._ledger.claims.items()
            if claim.held or offer in self._orders[order].claimed
        }

    def balances(self) -> dict[Position, dict[str, int]]:
        """By offer, gift and site: received, free, reserved, released and packed."""
        return self._ledger.balances()

    def qualifying(self, order: str) -> dict[str, tuple[int, int, bool, bool]]:
        """By offer, of those met or nearly missed: value numerator, per, qualifies, near miss."""
        if order not in self._orders:
            return {}
        return {
            key: (verdict.value, verdict.per, verdict.qualifies, verdict.near_miss)
            for key, (_, verdict) in self._verdicts(self._orders[order]).items()
            if verdict.qualifies or verdict.near_miss
        }

    # -------------------------------------------------- judging and claiming

    def _offers_in_force(self, placed: datetime) -> list[Offer]:
        """Those of each campaign's highest revision that had taken effect. Price offers give nothing, so not those."""
        offers = []
        for revisions in self._revisions.values():
            effective = [
                revision
                for revision in revisions
                if "effective" not in revision or instant(revision["effective"]) <= placed
            ]
            if effective:
                latest = max(effective, key=lambda revision: revision.get("revision", 1))
                offers += [Offer(latest, body) for body in latest["offers"] if "gives" in body]
        return offers

    def _verdicts(self, known: Known) -> dict[str, tuple[Offer, Verdict]]:
        judged = ((offer, judge(offer, known.event)) for offer in known.offers)
        return {offer.key: (offer, verdict) for offer, verdict in judged if verdict}

    def _claim(self, known: Known) -> None:
        """Claim at the ledger what the snapshot wants, and 0 of everything else that was claimed before."""
        order = known.event["order"]
        groups: dict[tuple[str, str], list[tuple[Offer, Wish]]] = defaultdict(list)
        for offer, verdict in self._verdicts(known).values():
            wish = wish_for(offer, verdict, known.event)
            if wish:
                group = offer.body.get("group")
                groups[("group", group) if group else ("alone", offer.key)].append((offer, wish))
        known.claimed = set()
        for members in groups.values():
            self._claim_one_of(known, members)
        for offer_key, claim in self._ledger.of_order(order).items():
            if offer_key not in known.claimed:
                gone = replace(claim.wish, wanted=0, customer=known.event.get("customer"))
                self._ledger.settle(order, offer_key, gone)

    def _claim_one_of(self, known: Known, members: list[tuple[Offer, Wish]]) -> None:
        """Claim the holder, else the best; go to the next only where stock declined and the offer says so."""
        order = known.event["order"]
        held = {offer for offer, claim in self._ledger.of_order(order).items() if claim.live}
        # Reading: of several members that hold units (some waiting for the warehouse) the best keeps the claim.
        for offer, wish in sorted(members, key=lambda member: (member[0].key not in held, member[0].precedence)):
            if not offer.is_claimed_at_ledger:
                return  # given for certain, so there is no next
            claim = self._ledger.settle(order, offer.key, wish)
            known.claimed.add(offer.key)
            if not (claim.outcome == "declined" and claim.reason == NO_STOCK and offer.when_out == "next"):
                return


def wish_for(offer: Offer, verdict: Verdict, event: Json) -> Wish | None:
    """What the order claims of an offer; None where it wants nothing or no gift may go."""
    options: list[tuple[str, str]] = []
    if not offer.is_benefit:
        gifts = [offer.gives["gift"]]
        if offer.when_out == "substitute":
            gifts += offer.gives.get("otherwise") or []
        options = [(gift, site) for gift in gifts if cleared(offer.campaign, gift) for site in verdict.sites]
    if not verdict.wanted or (not options and not offer.is_benefit):
        return None
    return Wish(
        wanted=verdict.wanted,
        options=tuple(options),
        needs_stock=not offer.is_benefit,
        may_owe=offer.when_out == "owed",
        customer=event.get("customer"),
        per_customer=offer.caps.get("per_customer"),
        total=offer.caps.get("total"),
    )


def site_of(order: str, ticket: str, sites: set[str]) -> str:
    """The site of a ticket. Reading: its id is the order's, then the site, then perhaps a count, apart from each other.

    The documents give no form; any separators will do, and of two sites that fit the longer one is meant.
    """
    rest = ticket.removeprefix(order).lstrip("/:#.-_ ")
    fitting = [site for site in sites if rest == site or (rest.startswith(site) and not rest[len(site)].isalnum())]
    if not fitting:
        raise ValueError(f"ticket {ticket} of order {order}: none of the sites {sorted(sites)}")
    return max(fitting, key=len)
