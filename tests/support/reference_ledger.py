"""Stock and claims, worked out from the documents alone: the reference's other half.

    Wish      all that a claim carries
    Claim     what the ledger knows of one order and offer
    Accounts  the counters of one gift of one offer at one site
    Ledger    what a claim comes to, what the warehouse did with the gifts, what people say of the stock

Where the documents leave something open, the reading taken here is marked with 'Reading:' where it is made.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

Position = tuple[str, str, str]  # offer key, gift, site

NOT_WANTED = "not_wanted"
CUSTOMER_CAP = "customer_cap"
CAMPAIGN_CAP = "campaign_cap"
NO_STOCK = "no_stock"


@dataclass
class Wish:
    """All that a claim carries: the ledger never reads campaigns."""

    wanted: int
    options: tuple[tuple[str, str], ...]  # gift and site, in order of preference; none for a benefit
    needs_stock: bool
    may_owe: bool
    customer: str | None
    per_customer: int | None
    total: int | None

    @property
    def first_gift(self) -> str | None:
        """What the customer is to have if all is well."""
        return self.options[0][0] if self.options else None


@dataclass
class Claim:
    """What the ledger knows of one order and offer. All its units are of one gift at one site."""

    offer: str
    wish: Wish
    position: Position | None = None
    reserved: int = 0
    released: int = 0
    packed: int = 0  # and not come back
    owed: int = 0
    came_back: int = 0  # given once, so never granted again, but of no cap's count
    scrapped: int = 0  # of those
    over_gifted: int = 0  # packed when the order no longer wanted them
    reserved_since: int = 0
    owed_since: tuple[int, int] = (0, 0)
    shortened_by: str | None = None
    last: Position | None = None  # where its units lay, when it has none
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
    def lacks(self) -> int:
        """Units wanted and neither given nor promised."""
        return max(0, self.wish.wanted - self.live - self.came_back)

    @property
    def outcome(self) -> str:
        """What the order is told. Reading: a gift that came back was granted all the same."""
        return "granted" if self.held or self.came_back else "owed" if self.owed else "declined"

    @property
    def reason(self) -> str | None:
        """Why there is less than was wanted. Reading: units owed are units out of stock, until they are served.

        And what is no longer wanted is told so, though the warehouse still has it.
        """
        if not self.wish.wanted:
            return NOT_WANTED
        return NO_STOCK if self.owed else self.shortened_by

    def leave_tickets(self, units: int) -> None:
        """Released units that are gone are on no ticket. Reading: the oldest ticket is the one they were on."""
        for ticket in list(self.on_tickets):
            gone = min(units, self.on_tickets[ticket])
            self.on_tickets[ticket] -= gone
            units -= gone

    def settle_place(self) -> None:
        """A claim that holds nothing is nowhere, and may be served from anywhere."""
        self.last = self.position or self.last
        if not self.held:
            self.position = None


@dataclass
class Accounts:
    """Of one position: where its units stand, but for those that claims hold, and what went in and out."""

    free: int = 0
    quarantine: int = 0
    in_transit: int = 0
    received: int = 0
    restocked: int = 0  # went out, or was never booked, and lies on the shelf
    count_gain: int = 0
    transferred_in: int = 0
    over_gift: int = 0  # packed though the books had none: it must have come in
    packed: int = 0  # all that ever went out, come back or not
    damaged: int = 0
    count_loss: int = 0
    transferred_out: int = 0

    @property
    def came_in(self) -> int:
        """Rule 2.23, what adds to the stock. There is no opening: the first receipt is it."""
        return self.received + self.restocked + self.count_gain + self.transferred_in + self.over_gift

    @property
    def went_out(self) -> int:
        """Rule 2.23, what takes from it."""
        return self.packed + self.damaged + self.count_loss + self.transferred_out


class Ledger:
    """Stock and claims. Every offer keeps its own, so offers never compete here."""

    def __init__(self, stock: Iterable[tuple[str, str, str, int]], *, swaps: bool = True) -> None:
        self.claims: dict[tuple[str, str], Claim] = {}
        self.accounts: dict[Position, Accounts] = defaultdict(Accounts)
        self._transfers: dict[str, tuple[Position, int]] = {}  # under way: where to, and how many were sent
        self._swaps = swaps
        self._turn = 0
        for offer, gift, site, units in stock:
            self.receive(offer, gift, site, units)

    def of_offer(self, offer: str) -> list[Claim]:
        """The claims of an offer, first made first."""
        return [claim for (_, its_offer), claim in self.claims.items() if its_offer == offer]

    def of_order(self, order: str) -> dict[str, Claim]:
        """The claims of an order by offer."""
        return {offer: claim for (its_order, offer), claim in self.claims.items() if its_order == order}

    def _now(self) -> int:
        self._turn += 1
        return self._turn

    # -------------------------------------------------- a claim

    def settle(self, order: str, offer: str, wish: Wish) -> Claim:
        """Bring a claim to a new level."""
        claim = self.claims.setdefault((order, offer), Claim(offer, wish))
        before, claim.wish, claim.shortened_by = claim.wish, wish, None
        if wish.wanted and self._swaps and self._is_to_be_swapped(claim, before):
            self._swap(claim)
        elif claim.lacks or (claim.owed and wish.wanted > claim.held + claim.came_back):
            self._ask_anew(claim)
        else:
            self._shrink(claim)
        return claim

    def _ask_anew(self, claim: Claim) -> None:
        """What is still to come, as one wish. Reading: what it was owed may now be had from elsewhere, and is tried."""
        promised, since = claim.owed, claim.owed_since
        claim.owed = 0
        self._grow(claim, claim.lacks, promised)
        # Reading: what was promised before stays promised, whatever the offer now does when it is out.
        claim.owed = max(claim.owed, min(promised, claim.lacks + claim.owed))
        if claim.owed and promised:
            claim.owed_since = since

    def _is_to_be_swapped(self, claim: Claim, before: Wish) -> bool:
        """It may hold what it holds no longer, or the customer now asks for another; and all is still on the shelf."""
        if not claim.position or claim.held != claim.reserved:
            return False
        _, gift, site = claim.position
        if (gift, site) not in claim.wish.options:
            return True
        asked = claim.wish.first_gift
        # Reading: one free unit is enough to try; whether it has enough the choice of a position says, as always.
        is_free = any(self.accounts[claim.offer, name, at].free for name, at in claim.wish.options if name == asked)
        return asked not in {before.first_gift, gift} and is_free

    def _swap(self, claim: Claim) -> None:
        """Give back and take anew, as one step: nobody else is served in between."""
        old, promised, had_owed = claim.position, claim.owed, claim.owed_since if claim.owed else None
        had = claim.live
        assert old is not None
        self.accounts[old].free += claim.reserved
        claim.reserved = claim.owed = 0
        claim.settle_place()
        # Reading: nothing is taken back for a cap, of a customer whom it has only now or of any other.
        self._grow(claim, claim.lacks, had)
        # Reading: what was promised before stays promised, whatever the offer now does when it is out.
        claim.owed = max(claim.owed, min(promised, claim.lacks + claim.owed))
        if claim.owed and had_owed:
            claim.owed_since = had_owed
        self._serve_owed(old)

    def _shrink(self, claim: Claim) -> None:
        """Owed units go first, then reserved ones; what left the shelf waits for the warehouse."""
        given = claim.held + claim.came_back
        claim.owed = max(0, claim.wish.wanted - given)
        freed = min(claim.reserved, max(0, given - claim.wish.wanted))
        claim.reserved -= freed
        position = claim.position
        claim.settle_place()
        if position and freed:
            self.accounts[position].free += freed
            self._serve_owed(position)

    def _grow(self, claim: Claim, more: int, had: int = 0) -> None:
        """The checks in their order; the last one that took something away is the reason. No cap asks what it had."""
        wish, allowed, had = claim.wish, more, min(had, more)
        others = self.of_offer(claim.offer)
        if wish.customer and wish.per_customer is not None:
            used = sum(other.live for other in others if other.wish.customer == wish.customer)
            if max(had, wish.per_customer - used) < allowed:
                allowed, claim.shortened_by = max(had, wish.per_customer - used), CUSTOMER_CAP
        if wish.total is not None:
            used = sum(other.live for other in others)
            if max(had, wish.total - used) < allowed:
                allowed, claim.shortened_by = max(had, wish.total - used), CAMPAIGN_CAP
        if not wish.needs_stock:
            claim.reserved += allowed
            return
        missing = allowed - self._take(claim, allowed)
        if missing and wish.may_owe:
            self._owe(claim, missing)
        elif missing:
            claim.shortened_by = NO_STOCK

    def _owe(self, claim: Claim, units: int, since: int = 0) -> None:
        """A claim that is owed some already keeps its place in the queue."""
        if not claim.owed:
            claim.owed_since = (self._now(), since)
        claim.owed += units

    def _take(self, claim: Claim, units: int) -> int:
        """Reserve as much of the units as one position gives."""
        options = [(claim.offer, gift, site) for gift, site in claim.wish.options]
        positions = [claim.position] if claim.position else options
        if not positions:
            return 0
        enough = [position for position in positions if self.accounts[position].free >= units]
        # `max` gives the first of equals, which is the more preferred one.
        best = enough[0] if enough else max(positions, key=lambda position: self.accounts[position].free)
        taken = min(units, self.accounts[best].free)
        if taken:
            self._reserve(claim, best, taken)
        return taken

    def _reserve(self, claim: Claim, position: Position, units: int) -> None:
        self.accounts[position].free -= units
        claim.reserved += units
        claim.position = position
        claim.reserved_since = self._now()
        assert self.accounts[position].free >= 0, f"oversold: {position}"

    def _serve_owed(self, position: Position) -> None:
        """Free units go to owed claims, oldest first, as far as they reach."""
        offer, gift, site = position
        waiting = [claim for claim in self.of_offer(offer) if claim.owed]
        for claim in sorted(waiting, key=lambda claim: claim.owed_since):
            # Reading: rule 2.24 puts a substitute before sending later, so any option serves.
            is_wanted_here = (gift, site) in claim.wish.options
            # Reading: one entitlement is one gift line, so units that joined those held elsewhere would split it.
            units = min(claim.owed, self.accounts[position].free) if claim.position in {None, position} else 0
            if is_wanted_here and units:
                claim.owed -= units
                self._reserve(claim, position, units)

    def _take_again(self, claim: Claim, units: int) -> None:
        """Units that left and are still wanted: from its options, else they are owed, whatever the offer says.

        Reading: no more than what left, so no cap is asked again; what it was owed before it looks for as well.
        """
        wanted = min(units, claim.lacks)
        if wanted:
            self._owe(claim, wanted)
        claim.owed -= self._take(claim, claim.owed)

    # -------------------------------------------------- the warehouse

    def fact(self, claim: Claim, happened: str, units: int, site: str | None = None, boxed: int = 0) -> None:
        """What the warehouse did with units of a claim, as far as it fits. Without a site: where they lay.

        Of units that are put back, ``boxed`` come out of the box.
        """
        # Reading: a fact of a claim that never held anything, and names no gift, speaks of the gift it wants first.
        offer, gift, at = claim.position or claim.last or (claim.offer, *claim.wish.options[0])
        position = (offer, gift, site or at)
        own = claim if claim.position == position else None
        match happened:
            case "released":
                self._released(own, units)
            case "packed":
                self._packed(own, position, units)
            case "short_picked":
                self._short_picked(claim, own, position, units)
            case "put_back":
                self._put_back(claim, own, position, units - boxed, boxed)
            case "returned" | "scrapped":
                self._returned(own, position, units, is_saleable=happened == "returned")
            case other:
                raise ValueError(f"happened: {other}")

    def _released(self, own: Claim | None, units: int) -> None:
        if own:
            out = min(units, own.reserved)
            own.reserved -= out
            own.released += out
            own.on_tickets[""] = own.on_tickets.get("", 0) + out

    def _packed(self, own: Claim | None, position: Position, units: int) -> None:
        """Never refused. Reading: what goes out beyond the order's own units gives it no more than it has."""
        accounts = self.accounts[position]
        if own:
            from_floor = min(units, own.released)
            own.leave_tickets(from_floor)
            self.pack_released(own, from_floor)
            from_shelf = min(units - from_floor, own.reserved)
            own.reserved -= from_shelf
            self._pack_own(own, from_shelf)
            units -= from_floor + from_shelf
        from_free = min(units, accounts.free)
        accounts.free -= from_free
        accounts.over_gift += units - from_free
        accounts.packed += units

    def pack_released(self, claim: Claim, units: int) -> None:
        """Units of a paper on the floor go out."""
        claim.released -= units
        self._pack_own(claim, units)

    def _pack_own(self, claim: Claim, units: int) -> None:
        if not units:
            return
        assert claim.position is not None
        claim.packed += units
        self.accounts[claim.position].packed += units
        beyond = max(0, claim.packed + claim.came_back - claim.wish.wanted)
        claim.over_gifted += min(units, beyond)

    def _short_picked(self, claim: Claim, own: Claim | None, position: Position, units: int) -> None:
        """The bin was empty: all that should lie there waits for a count, and the order tries elsewhere."""
        accounts = self.accounts[position]
        accounts.quarantine += accounts.free
        accounts.free = 0
        left = self._leave(own, units) if own else 0
        accounts.quarantine += left
        claim.settle_place()
        self._take_again(claim, left)

    def _leave(self, claim: Claim, units: int) -> int:
        """Units off the floor, else off the shelf; how many there were."""
        from_floor = min(units, claim.released)
        claim.released -= from_floor
        claim.leave_tickets(from_floor)
        from_shelf = min(units - from_floor, claim.reserved)
        claim.reserved -= from_shelf
        return from_floor + from_shelf

    def _put_back(self, claim: Claim, own: Claim | None, position: Position, loose: int, boxed: int) -> None:
        """On the shelf again. Out of the box: it had gone out. Off the floor: it was in the house all the time.

        Reading: what lay on the floor and is not booked there is booked on the shelf, so nothing is to be booked.
        """
        accounts = self.accounts[position]
        from_floor = min(loose, own.released) if own else 0
        from_box = min(boxed, own.packed) if own else 0
        if own:
            own.released -= from_floor
            own.leave_tickets(from_floor)
            own.packed -= from_box
            own.over_gifted = max(0, own.over_gifted - from_box)
        accounts.restocked += boxed
        accounts.free += from_floor + boxed
        claim.settle_place()
        self._take_again(claim, from_floor + from_box)
        # Reading: what the order doesn't take again is there for those who wait, whether it took some or none.
        self._serve_owed(position)

    def _returned(self, own: Claim | None, position: Position, units: int, *, is_saleable: bool) -> None:
        """The customer sent it back. Reading: what was not packed can't come back, a count will find it."""
        back = min(units, own.packed) if own else 0
        if not own or not back:
            return
        own.packed -= back
        own.came_back += back
        accounts = self.accounts[position]
        accounts.restocked += back  # so that scrap, too, came in before it is written off
        if is_saleable:
            accounts.free += back
        else:
            own.scrapped += back
            accounts.damaged += back
        own.settle_place()
        self._serve_owed(position)

    # -------------------------------------------------- people

    def receive(self, offer: str, gift: str, site: str, units: int) -> None:
        """Stock comes in."""
        position = (offer, gift, site)
        self.accounts[position].received += units
        self.accounts[position].free += units
        self._serve_owed(position)

    def count(self, offer: str, gift: str, site: str, units: int) -> int:
        """What lies there by hand; gives the shortage that the books can't explain.

        Reading: a count settles the quarantine. What is there beyond all that is free or an order's comes out of it,
        the rest of it is lost; only what it doesn't hold is a gain.
        """
        position = (offer, gift, site)
        accounts = self.accounts[position]
        difference = units - self._orders_units(position) - accounts.free
        found = min(accounts.quarantine, max(0, difference))
        accounts.count_loss += accounts.quarantine - found
        accounts.quarantine = 0
        accounts.free += found
        if difference >= 0:
            accounts.count_gain += difference - found
            accounts.free += difference - found
            self._serve_owed(position)
            return 0
        lost = self._lose(position, -difference)
        accounts.count_loss += lost
        return -difference - lost

    def _orders_units(self, position: Position) -> int:
        return sum(claim.reserved + claim.released for claim in self._holders(position))

    def _holders(self, position: Position) -> list[Claim]:
        return [claim for claim in self.of_offer(position[0]) if claim.position == position]

    def _lose(self, position: Position, units: int) -> int:
        """Off the free stock, then off the newest reservations, which become owed; gives how many there were.

        Reading: a claim is as new as its last reservation, and of those that lose theirs the older waits before the
        newer; what another site or a substitute has they get at once.
        """
        accounts = self.accounts[position]
        lost = min(units, accounts.free)
        accounts.free -= lost
        turn = self._now()
        hit = []
        for claim in sorted(self._holders(position), key=lambda claim: -claim.reserved_since):
            broken = min(units - lost, claim.reserved)
            if broken:
                claim.reserved -= broken
                claim.owed_since = claim.owed_since if claim.owed else (turn, claim.reserved_since)
                claim.owed += broken
                claim.settle_place()
                lost += broken
                hit.append(claim)
        for claim in reversed(hit):
            claim.owed -= self._take(claim, claim.owed)
        return lost

    def damage(self, offer: str, gift: str, site: str, units: int) -> bool:
        """Written off: free ones, then the newest reservations, quarantined ones last; more is refused whole."""
        position = (offer, gift, site)
        accounts = self.accounts[position]
        reserved = sum(claim.reserved for claim in self._holders(position))
        if units > accounts.free + reserved + accounts.quarantine:
            return False
        accounts.quarantine -= units - self._lose(position, units)
        accounts.damaged += units
        return True

    def transfer(self, name: str, source: Position, target: Position, units: int) -> bool:
        """From free stock to another offer or site. Elsewhere it is under way until it arrives."""
        assert source[1] == target[1], "a gift stays the gift it is"
        if units > self.accounts[source].free:
            return False
        self.accounts[source].free -= units
        self.accounts[source].transferred_out += units
        there = self.accounts[target]
        # Reading: it is the other offer's from when it is told of it, so what is under way stands in its books.
        there.transferred_in += units
        if source[2] == target[2]:
            there.free += units
            self._serve_owed(target)
        else:
            there.in_transit += units
            self._transfers[name] = (target, units)
        return True

    def arrived(self, name: str, units: int) -> None:
        """Counted on arrival: fewer than were sent are lost. Reading: more are a gain, and it arrives once."""
        target, sent = self._transfers.pop(name, (None, 0))
        if target is None:
            return
        there = self.accounts[target]
        there.in_transit -= sent
        there.free += units
        there.count_loss += max(0, sent - units)
        there.count_gain += max(0, units - sent)
        self._serve_owed(target)

    # -------------------------------------------------- answers

    def balances(self) -> dict[Position, dict[str, int]]:
        """The accounts of every position that ever had stock."""
        found = {}
        for position, accounts in self.accounts.items():
            here = self._holders(position)
            one = {
                **vars(accounts),
                "reserved": sum(claim.reserved for claim in here),
                "released": sum(claim.released for claim in here),
            }
            if not any(one.values()):
                continue
            found[position] = one
            assert min(one.values()) >= 0, f"below zero: {position}"
            stands = sum(one[name] for name in ("free", "reserved", "released", "quarantine", "in_transit"))
            assert accounts.came_in - accounts.went_out == stands, f"units lost: {position}"
        return found
