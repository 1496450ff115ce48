"""The ledgers of some offers in memory, and the desk's choice and claims for them, without tickets and notices."""

from collections.abc import Callable, Collection, Mapping
from heapq import heappop, heappush
from typing import Any

from makeweight.adapters.local.memory import MemoryStore
from makeweight.domain.book import Book, Live
from makeweight.domain.campaigns import Offer
from makeweight.domain.choose import choose
from makeweight.domain.claims import Claim, HandledGift, Receipt, StockCommand, TransferIn
from makeweight.domain.moments import Instant
from makeweight.domain.orders import Order
from makeweight.domain.qualify import Evaluation, Judgement, evaluate
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced, value
from makeweight.planning.differing import Standing
from makeweight.stages.desk.state import unpaid_of
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.brief import settled_in_brief
from makeweight.stages.ledger.state import CLAIMS, SEPARATOR, ClaimState
from makeweight.stages.port import Message, Space, View

Stock = Receipt | StockCommand | HandledGift

# What the desk keeps of an order, by offer: a benefit that needs no ledger, until when it has to be paid, and a lapse.
GIVEN: Space[bool] = Space("given", bool)
UNPAID: Space[Instant] = Space("unpaid", Instant)
LAPSED: Space[bool] = Space("lapsed", bool)
STANDINGS: Space[Standing] = Space("standings", Standing)  # what comes of claims and benefits, by order
_HAS_BENEFIT = Standing("granted", 1)

Caps = Mapping[str, Offer]  # offers whose caps count
Layer = dict[str, dict[str, Any]]  # values by space and key; None is gone


class Kept(MemoryStore):
    """The ledger of one offer in memory, which knows what each order has of it.

    ``layered``: it also knows what was touched since the last mark.
    """

    def __init__(self, offer: str, *, layered: bool = True) -> None:
        super().__init__()
        self.offer = offer
        self.touched: dict[tuple[str, str], None] = {}
        self._layered = layered

    def put(self, space: Space[Any], key: str, kept: Any, due: Instant | None = None) -> None:
        """Set the value at a key."""
        name = space.name
        if self._layered:
            self.touched[name, key] = None
        if due is None and name in self._values and name not in self._sorted:
            self._values[name][key] = kept  # the ledger has nothing due, and this is most of what a rehearsal does
        else:
            super().put(space, key, kept, due)
        if space is CLAIMS:
            self._stand(kept.claim.order, kept)
        elif space is GIVEN:
            self.put(STANDINGS, key, _HAS_BENEFIT)

    def drop(self, space: Space[Any], key: str) -> None:
        """Forget a key."""
        if self._layered:
            self.touched[space.name, key] = None
        super().drop(space, key)
        if space is GIVEN:
            self._stand(key, self.claim_of(key))

    def _stand(self, order: str, state: ClaimState | None) -> None:
        if order in self.values(GIVEN):
            return
        standing = None if state is None else _standing(state)
        if standing is not None:
            self.put(STANDINGS, order, standing)
        elif order in self.standings:
            self.drop(STANDINGS, order)

    def claim_of(self, order: str) -> ClaimState | None:
        """What an order claims of the offer."""
        return self.get(CLAIMS, f"{self.offer}{SEPARATOR}{order}")

    @property
    def standings(self) -> dict[str, Standing]:
        """What each order has of the offer, by order; none of those that ask for nothing and have nothing."""
        return self.values(STANDINGS)

    def taken(self) -> Layer:
        """What was touched since the last mark, as it stands; None is gone."""
        found: Layer = {}
        for space, name in self.touched:
            found.setdefault(space, {})[name] = self._values.get(space, {}).get(name)
        self.touched.clear()
        return found

    def copy(self) -> "Kept":
        """Another store that begins with the same values."""
        return Kept.of(self.offer, {space: dict(kept) for space, kept in self._values.items()})

    @classmethod
    def of(cls, offer: str, values: Layer) -> "Kept":
        """A store that begins with these values, and keeps no layers."""
        other = cls(offer, layered=False)
        other._values = values
        return other


@value
class Chosen:
    """What an order's snapshot came to: offers that it meets, those that it had been given, claims and standby.

    ``beside`` are offers whose benefit needs no ledger, or that have to be paid in time, or were not. ``among`` is what
    it is worth to the offers that others may come before.
    """

    met: list[str]
    given: frozenset[str]
    claims: list[Claim]
    standby: list[Claim]
    beside: frozenset[str]
    among: list[Judgement]


class Books:
    """The ledgers of some offers, and what the desk keeps beside them."""

    def __init__(self, stores: dict[str, Kept], noticed: Callable[[Instant], Any] | None = None) -> None:
        self.stores = stores
        self._ledger = Ledger()
        self._noticed = noticed or (lambda pay_by: pay_by)
        self._due: list[tuple[Any, Instant, str]] = []
        self._beside = False  # whether any store holds benefits, or what is unpaid
        for store in stores.values():
            self._beside = self._beside or bool(store.values(GIVEN))
            for order, pay_by in store.values(UNPAID).items():
                self._beside = True
                heappush(self._due, (self._noticed(pay_by), pay_by, order))

    def of(self, offer: str) -> Kept:
        """The store of an offer."""
        store = self.stores.get(offer)
        if store is None:
            store = self.stores[offer] = Kept(offer)
        return store

    def settle(self, body: Claim | Stock, at: Instant) -> list[TransferIn]:
        """Let the ledger take in a message, and the other half of a transfer, which is returned."""
        view = View(_NO_BOOK, at)
        todo: list[Any] = [body]
        for message in todo:
            store = self.of(message.offer)
            for entry in self._ledger.decide(store, Message(message), view).entries:
                for subject in self._ledger.fold(store, entry):
                    if subject[0] == "transfer":
                        todo += [said.body for said in self._ledger.say(store, subject)]
        return todo[1:]

    def _settle(self, claim: Claim, at: Instant) -> None:
        if not settled_in_brief(self.of(claim.offer), claim, at):
            self.settle(claim, at)

    def claim_of(self, offer: str, order: str) -> ClaimState | None:
        """What an order claims of an offer."""
        store = self.stores.get(offer)
        return None if store is None else store.claim_of(order)

    def due(self, until: Any) -> tuple[Any, list[str]] | None:
        """The orders for which the time to pay has passed first, each once, and when that is noticed; None if none has.

        ``until`` is told in what ``noticed`` makes of an instant; so is when it is noticed.
        """
        if not self._due or self._due[0][0] > until:
            return None
        first = self._due[0][0] if isinstance(until, int) else until
        found: dict[str, None] = {}
        while self._due and self._due[0][0] <= first:
            found[heappop(self._due)[2]] = None
        return first, list(found)

    def lapse(self, event: Order, live: Live, offers: Collection[str], at: Instant) -> None:
        """What an order was not paid for in time is judged no more, and the rest anew."""
        late = []
        for offer in offers:
            store = self.stores.get(offer)
            pay_by = store.get(UNPAID, event.order) if store is not None else None
            if store is not None and pay_by is not None and pay_by <= at:
                store.put(LAPSED, event.order, True)
                late.append(offer)
        if late:
            self.judge_anew(event, live, offers, at)

    def judge_anew(self, event: Order, live: Live, offers: Collection[str], at: Instant, **how: Any) -> "Chosen":
        """Judge the same snapshot once more."""
        known = self._known(event.order, offers).values()
        steps = [state.claim.step for state in known if state.claim.revision == event.revision]
        return self.judge(event, live, offers, at, step=max(steps, default=0) + 1, **how)

    def judge(self, event: Order, live: Live, offers: Collection[str], at: Instant, **how: Any) -> "Chosen":
        """Judge an order's snapshot and settle what it claims.

        ``offers`` are those that it may have claims on. As the desk does: what it claims no more is claimed with 0, and
        the next of a group has its turn where the first is out of stock.
        """
        order, step = event.order, int(how.get("step", 0))
        known = self._known(order, offers)
        lapsed = [o for o in offers if (s := self.stores.get(o)) is not None and s.get(LAPSED, order)]
        evaluation: Evaluation = how.get("evaluation") or evaluate(event, live, how.get("released_at"), lapsed)
        given = _given(known)
        choice = choose(event, evaluation, live, given)
        unpaid = unpaid_of(choice.evaluation)
        self._note(order, offers, choice.benefits, unpaid)
        self._claim(event, choice.claims, choice.standby, known, step, at)
        met = [j for j in evaluation.judgements if j.qualifies]
        among = [j for j in met if live.offers[j.offer].group is not None or live.offers[j.offer].value_used == "once"]
        beside = frozenset([*choice.benefits, *unpaid, *lapsed])
        return Chosen([j.offer for j in met], given, choice.claims, choice.standby, beside, among)

    def choose_again(
        self, event: Order, chosen: "Chosen", offers: Collection[str], caps: Caps, still: Collection[str] | None,
        at: Instant,
    ) -> bool:  # fmt: skip
        """Settle what an order claimed when it was judged before, with other caps; False if it must be judged anew.

        What it chooses depends on what it has been given; caps come after that. ``still`` are the offers that it still
        meets, None if all: the next of a group has its turn where the first is met no longer.
        """
        # Tens of thousands of orders go through here while somebody waits: what most don't need is asked for first.
        known = self._known(event.order, offers)
        if chosen.beside and not chosen.beside.isdisjoint(offers):
            return False
        if (known or chosen.given) and _given(known) != chosen.given.intersection(offers):
            return False
        claims = [claim for claim in chosen.claims if claim.offer in offers]
        standby = [claim for claim in chosen.standby if claim.offer in offers] if chosen.standby else []
        if still is not None and not _left_away(claims, standby, still):
            return False
        if self._beside:
            self._note(event.order, offers, {}, {})
        if caps:
            claims = [_capped(claim, caps) for claim in claims]
            standby = [_capped(claim, caps) for claim in standby] if standby else []
        self._claim(event, claims, standby, known, 0, at)
        return True

    def _known(self, order: str, offers: Collection[str]) -> dict[str, ClaimState]:
        known = {}
        for offer in offers:
            store = self.stores.get(offer)
            state = None if store is None else store.claim_of(order)
            if state is not None:
                known[offer] = state
        return known

    def _claim(
        self, event: Order, wanted: list[Claim], standby: list[Claim], known: dict[str, ClaimState], step: int,
        at: Instant,
    ) -> None:  # fmt: skip
        claims = [_numbered(claim, step) for claim in wanted] if step else list(wanted)
        asked = {claim.offer for claim in claims} if known else ()
        for offer, state in sorted(known.items()):
            if offer not in asked:
                customer = event.customer or state.claim.customer
                nothing = replaced(state.claim, revision=event.revision, units=0, customer=customer)
                claims.append(_numbered(nothing, step))
        for claim in claims:
            self._settle(claim, at)
        if standby:
            self._follow(claims, standby, at)

    def _note(self, order: str, offers: Collection[str], benefits: dict[str, str], unpaid: dict[str, Instant]) -> None:
        for offer in offers:
            store = self.stores.get(offer)
            if store is not None:
                if offer not in benefits and order in store.values(GIVEN):
                    store.drop(GIVEN, order)
                if offer not in unpaid and order in store.values(UNPAID):
                    store.drop(UNPAID, order)
        self._beside = self._beside or bool(benefits or unpaid)
        for offer in benefits:
            self.of(offer).put(GIVEN, order, True)
        for offer, pay_by in unpaid.items():
            self.of(offer).put(UNPAID, order, pay_by)
        for pay_by in unpaid.values():
            heappush(self._due, (self._noticed(pay_by), pay_by, order))

    def _follow(self, claims: list[Claim], standby: list[Claim], at: Instant) -> None:
        """The next of a group, where the one before it was declined for want of stock."""
        step = max(claim.step for claim in claims)
        tried = {claim.offer for claim in claims if claim.units}
        todo = list(claims)
        while todo:
            claim = todo.pop(0)
            state = self.claim_of(claim.offer, claim.order)
            if (
                state is None
                or claim.group is None
                or claim.when_out != "next"
                or (state.outcome, state.reason) != ("declined", Reason.NO_STOCK)
            ):
                continue
            after = next((c for c in standby if c.group == claim.group and c.offer not in tried), None)
            if after is not None:
                step += 1
                tried.add(after.offer)
                todo.append(_numbered(after, step))
                self._settle(todo[-1], at)


_NO_BOOK = Book()


def _given(known: Mapping[str, ClaimState]) -> frozenset[str]:
    return frozenset(offer for offer, state in known.items() if state.outcome != "declined")


def _left_away(claims: list[Claim], standby: list[Claim], still: Collection[str]) -> bool:
    """Leave away offers that are met no longer; False if what comes in their place is not known from before."""
    standby[:] = [claim for claim in standby if claim.offer in still]
    for place, claim in reversed(list(enumerate(claims))):
        if claim.offer not in still:
            del claims[place]
            if claim.group is not None:
                after = next((c for c in standby if c.group == claim.group), None)
                if claim.when_out != "next" or (after is not None and after.benefit is not None):
                    return False
                if after is not None:
                    claims.insert(place, after)
                    standby.remove(after)
    return True


def _capped(claim: Claim, caps: Caps) -> Claim:
    offer = caps.get(claim.offer)
    return claim if offer is None else replaced(claim, customer_cap=offer.customer_cap, total_cap=offer.total_cap)


def _numbered(claim: Claim, step: int) -> Claim:
    return replaced(claim, id=f"{claim.order}/{claim.offer}/{claim.revision}.{step}", step=step)


def _standing(state: ClaimState) -> Standing | None:
    held, owed = state.held, state.owed
    if not (held or owed or state.claim.units):
        return None
    return Standing(state.outcome, held, owed, state.gift if held else None)
