"""What orders, campaigns and stock must come to, worked out a second time and from the documents alone.

Written without sight of the core, so that a mistake would have to be made twice to go unseen. It holds everything in
plain dictionaries, scans them whole for each question, and knows no log, no message and no restart: one order event is
judged, claimed and settled before the next is looked at, as in the embedded run.

    reference_campaigns  an offer and its campaign              which gift may go with which order
    reference_judging    what an offer makes of a snapshot      the value, whether it qualifies, what is wanted
    reference_floor      what a fact about a ticket is      the papers on the floor
    reference_ledger     what a claim comes to                  caps, stock, what is owed, the warehouse and people
    Reference            orders in arrival order; which offer of a group is claimed; what time and returns change

Where the documents leave something open, the reading taken here is marked with 'Reading:' where it is made.
"""

import copy
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from tests.support.reference_campaigns import Json, Offer, instant
from tests.support.reference_floor import Floor, happened
from tests.support.reference_judging import (
    CAUTION,
    DESTINATION,
    UNPAID,
    VALUE_USED,
    Judged,
    LineKey,
    goods_of,
    judge_all,
    kept,
    proration,
)
from tests.support.reference_ledger import (
    CAMPAIGN_CAP,
    CUSTOMER_CAP,
    NO_STOCK,
    NOT_WANTED,
    Claim,
    Ledger,
    Position,
    Wish,
)

__all__ = [
    "CAMPAIGN_CAP",
    "CAUTION",
    "CUSTOMER_CAP",
    "DESTINATION",
    "NOT_WANTED",
    "NO_STOCK",
    "UNPAID",
    "VALUE_USED",
    "Reference",
    "proration",
]


@dataclass
class Known:
    """What is kept of an order."""

    event: Json
    offers: list[Offer]  # of the campaign revisions in force when it was placed
    sites: set[str] = field(default_factory=set)
    claimed: set[str] = field(default_factory=set)  # by the current revision
    frozen: set[str] = field(default_factory=set)  # tickets that the warehouse has spoken of
    released_at: datetime | None = None  # when the first of them went to the floor
    floor: Floor = field(default_factory=Floor)
    lapsed: set[str] = field(default_factory=set)  # offers whose time to pay has passed

    @property
    def topped_up(self) -> set[LineKey]:
        """Late goods that may count. Reading: by the instants that the shop and the warehouse say, whatever came first.

        So what was added before the first release counts on after it, else the release would take the gift away.
        """
        late = {each.late_key for each in goods_of(self.event) if each.late_key}
        return {key for key in late if self.released_at is None or instant(key[1]) < self.released_at}

    def judged(self) -> dict[str, Judged]:
        """Every offer on the current snapshot."""
        return judge_all(self.offers, self.event, goods_of(self.event), self.topped_up, self.lapsed)


class Reference:
    """Feed it messages in arrival order, then ask. `swaps` off: a claim keeps the gift and the site that it holds."""

    def __init__(self, campaigns: list[Json], stock: list[tuple[str, str, str, int]], *, swaps: bool = True) -> None:
        self._revisions: dict[str, list[Json]] = defaultdict(list)
        for campaign in campaigns:
            self._revisions[campaign["campaign"]].append(campaign)
        for campaign_id, revisions in self._revisions.items():
            # Reading: the documents name no member for the instant at which a revision takes effect.
            if len(revisions) > 1 and not all("effective" in revision for revision in revisions):
                raise ValueError(f"{campaign_id}: of several revisions each needs its effective")
        self._orders: dict[str, Known] = {}
        self._ledger = Ledger(stock, swaps=swaps)

    # -------------------------------------------------- messages: orders and time

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
        known.sites |= {site for offer in known.offers for site in offer.gives.get("own_parcel") or ()}
        self._claim(known)

    def time(self, now: str | datetime) -> None:
        """Time passes. Reading: at the instant by which it was to be paid, an unpaid claim lapses."""
        for known in self._orders.values():
            judged = known.judged()
            unpaid = {key: one.pay_by for key, one in judged.items() if one.pay_by and one.reason != UNPAID}
            # Reading: also what is not claimed for another reason, which may pass.
            late = {key for key, pay_by in unpaid.items() if pay_by <= instant(now)}
            if late:
                # Reading: a lapsed offer is claimed again only by a snapshot that was paid in time.
                known.lapsed |= late
                self._claim(known)

    # -------------------------------------------------- messages: the warehouse

    def ticket_fact(
        self,
        order: str,
        ticket: str,
        what: str,
        site: str,
        at: datetime,
        named: Mapping[str, int] | None = None,
        spoilt: Iterable[str] = (),
    ) -> None:
        """A fact about a real ticket: all of its gifts, or the named units of them."""
        known = self._orders[order]
        claims = self._ledger.of_order(order)
        if ticket not in known.floor.papers:
            paper = known.floor.freeze(ticket, site, known.event, claims, known.judged())
            # Reading: a fact is about a paper on the floor, so the first one of any kind is the release.
            known.released_at = min(known.released_at or at, at)
            for offer, sheet in paper.gifts.items():
                self._ledger.fact(claims[offer], "released", sheet.left, site)
        happened(self._ledger, claims, known.floor.papers[ticket], what, named, spoilt)

    def released(self, order: str, ticket: str, at: str | None = None) -> None:
        """To the floor: what is reserved for the ticket can no longer be freed."""
        known = self._orders.get(order)
        if known is None or ticket in known.frozen:
            return
        site = site_of(order, ticket, known.sites)
        known.frozen.add(ticket)
        known.released_at = known.released_at or instant(at or known.event["revised_at"])
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
            self._ledger.pack_released(claim, claim.on_tickets.pop(ticket, 0))

    def gift_fact(self, order: str, offer: str, what: str, units: int, site: str | None = None, boxed: int = 0) -> None:
        """Released, packed, short_picked, put_back, returned (saleable) or scrapped: of one offer's gift, in units."""
        if what in ("released", "packed"):
            known = self._orders[order]
            known.released_at = known.released_at or instant(known.event["revised_at"])
        self._ledger.fact(self._ledger.claims[order, offer], what, units, site, boxed)

    # -------------------------------------------------- messages: people and their stock

    def receive(self, offer: str, gift: str, site: str, units: int) -> None:
        """Stock comes in, and serves those who wait."""
        self._ledger.receive(offer, gift, site, units)

    def count(self, offer: str, gift: str, site: str, units: int) -> int:
        """What lies there by hand; gives the shortage that stays unexplained."""
        return self._ledger.count(offer, gift, site, units)

    def damage(self, offer: str, gift: str, site: str, units: int) -> bool:
        """Written off; False where it is refused."""
        return self._ledger.damage(offer, gift, site, units)

    def transfer(self, name: str, source: Position, target: Position, units: int) -> bool:
        """From (offer, gift, site) to another; False where it is refused."""
        return self._ledger.transfer(name, source, target, units)

    def arrived(self, name: str, units: int) -> None:
        """What came of a transfer, as counted there."""
        self._ledger.arrived(name, units)

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
                "came_back": claim.came_back,
            }
            for (order, offer), claim in self._ledger.claims.items()
            if claim.held or offer in self._orders[order].claimed
        }

    def balances(self) -> dict[Position, dict[str, int]]:
        """By offer, gift and site: where units stand, and what went in and out."""
        return self._ledger.balances()

    def qualifying(self, order: str) -> dict[str, tuple[int, int, bool, bool]]:
        """By offer, of those met or nearly missed: value numerator, per, qualifies, near miss.

        Reading: the value alone decides; where the gift may not go or the order is not paid in time, `told` says so.
        """
        if order not in self._orders:
            return {}
        verdicts = {key: one.verdict for key, one in self._orders[order].judged().items()}
        return {
            key: (verdict.value, verdict.per, verdict.qualifies, verdict.near_miss)
            for key, verdict in verdicts.items()
            if verdict.qualifies or verdict.near_miss
        }

    def told(self, order: str) -> dict[str, tuple[str, str | None]]:
        """By offer that is met but not claimed: the reason, and the offer that used the value."""
        found = self._orders[order].judged()
        return {key: (one.reason, one.winner) for key, one in found.items() if one.reason}

    def pay_by(self, order: str) -> dict[str, datetime]:
        """By offer that is wanted though the order is not paid: until when it stands."""
        found = self._orders[order].judged()
        return {key: one.pay_by for key, one in found.items() if one.is_wanted and one.pay_by}

    def kept(self, order: str) -> dict[str, tuple[int, int]]:
        """Of an order with returns, by gift offer that it meets: units the goods kept earn, and the refund."""
        known = self._orders[order]
        return kept(known.offers, known.event, known.topped_up, known.lapsed)

    def clawback(self, order: str) -> dict[str, int]:
        """By offer: what of the refund it is about, for gifts that went out, that the rest does not earn, and not back.

        Reading: with gift back the whole refund waits for the gift, since without it there is no full one, and scrap is
        not back; to deduct the stated value, any gift that came is. What is deducted for all offers together is no more
        than the refund, in the order of their names.
        """
        known = self._orders[order]
        advice: dict[str, int] = {}
        left: int | None = None
        for offer in sorted(known.offers, key=lambda offer: offer.key):
            claim = self._ledger.claims.get((order, offer.key))
            earned, refund = self.kept(order).get(offer.key, (0, 0))
            if claim is None or offer.clawback == "none":
                continue
            missing = claim.packed + (claim.scrapped if offer.clawback == "gift_back" else 0)
            place = claim.position or claim.last
            units = max(0, missing - earned)
            if place and units and refund:
                if offer.clawback == "gift_back":
                    advice[offer.key] = refund
                    continue
                left = refund if left is None else left
                amount = min(units * (offer.gift(place[1]).get("stated_value") or 0), left)
                left -= amount
                if amount > 0:
                    advice[offer.key] = amount
        return advice

    def over_gifts(self) -> dict[tuple[str, str], int]:
        """By order and offer: units packed when the order no longer wanted them, and not put back."""
        return {key: claim.over_gifted for key, claim in self._ledger.claims.items() if claim.over_gifted}

    # -------------------------------------------------- claiming

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

    def _claim(self, known: Known) -> None:
        """Claim at the ledger what the snapshot wants, and 0 of everything else that was claimed before."""
        order = known.event["order"]
        groups: dict[tuple[str, str], list[tuple[Offer, Wish]]] = defaultdict(list)
        judged = known.judged()
        for offer in known.offers:
            if offer.key in judged and judged[offer.key].is_wanted:
                group = offer.body.get("group")
                wish = wish_for(judged[offer.key], known.event)
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

        def holds(claim: Claim) -> bool:
            # Reading: a gift that came back was given, so its offer keeps the claim and no other takes its turn.
            return bool(claim.live or claim.came_back)

        held = {offer for offer, claim in self._ledger.of_order(order).items() if holds(claim)}
        # Reading: of several members that hold units (some waiting for the warehouse) the best keeps the claim.
        for offer, wish in sorted(members, key=lambda member: (member[0].key not in held, member[0].precedence)):
            if not offer.is_claimed_at_ledger:
                return  # given for certain, so there is no next
            claim = self._ledger.settle(order, offer.key, wish)
            known.claimed.add(offer.key)
            if not (claim.outcome == "declined" and claim.reason == NO_STOCK and offer.when_out == "next"):
                return


def wish_for(one: Judged, event: Json) -> Wish:
    """What the order claims of an offer."""
    offer = one.offer
    return Wish(
        wanted=one.verdict.wanted,
        options=tuple((gift, site) for gift in one.gifts for site in one.verdict.sites),
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
