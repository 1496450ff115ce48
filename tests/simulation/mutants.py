"""Wrong hosts and wrong ledger layouts: the simulator must find fault with each within a stated number of seeds.

The hosts are the simulated one with a step moved or left out. The layouts are the real ledger with a table kept in
another way; what only the real layout promises (an entry for every input, accounts that agree at every log position)
is not asked of them: they must fail by what they say, or by where a run ends.
"""

from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from makeweight.domain.book import Book
from makeweight.domain.claims import Claim, Decision, Option
from makeweight.domain.entries import Settled
from makeweight.domain.values import replaced
from makeweight.stages.ledger import Ledger, fold
from makeweight.stages.ledger.settle import settle
from makeweight.stages.ledger.state import CLAIMS, OFFERS, OfferState, key
from makeweight.stages.port import Message, Output, Verdict
from tests.simulation.schedule import draw
from tests.simulation.worker import DESK, Host, Violation
from tests.simulation.world import World

# --- wrong hosts -----------------------------------------------------------------------------------------------------


class CommitsOffsetsEarly(Host):
    """The input offsets are committed once the log has the entries, before the outputs are acknowledged."""

    def batch(self, records, cut):
        """The steps, in the wrong order."""
        for step in super().batch(records, cut):
            if step == "logged":
                by_partition = {}
                for record in records:
                    by_partition.setdefault(record.partition, []).append(record)
                self.acknowledge(by_partition, {"applied": len(records)})
            yield step


class CommitsStoreEarly(Host):
    """The store is committed before the log has the entries."""

    def append(self, offsets, cut):
        """Commit, then append."""
        kept = {}
        for partition in offsets:
            lane = self.lanes[partition]
            kept[partition] = list(lane.new), dict(lane.subjects)
            lane.place()
            lane.commit({})
        yield "decided"
        for partition, (new, subjects) in kept.items():
            lane = self.lanes[partition]
            lane.new, lane.subjects = new, subjects
        yield from super().append(offsets, cut)

    def believe(self, offsets):
        """What is committed can't be taken back."""
        for partition in offsets:
            self.lanes[partition].new = []


class SaysInOneFlush(Host):
    """The outputs go out in the flush that appends to the log, before the offsets can be compared."""

    def append(self, offsets, cut):
        """Append and say."""
        yield from super().append(offsets, cut)
        for partition in offsets:
            self.world.say(self.lanes[partition].say())


class KeepsLanesAsTheyAre(Host):
    """Partitions that are kept over a rebalance are not caught up with the log."""

    def open(self, partitions, generation):
        """Remember which lanes were there before."""
        self.kept = partitions & set(self.lanes)
        super().open(partitions, generation)

    def catch_up(self, lanes):
        """Only the new ones."""
        super().catch_up(set(lanes) - self.kept)


@contextmanager
def everything_fits():
    """Every entry has its units, whatever its place in the log."""
    honest = fold._fits  # noqa: SLF001 - another version of the very function
    fold._fits = lambda *_: True  # noqa: SLF001 - as above
    try:
        yield
    finally:
        fold._fits = honest  # noqa: SLF001 - as above


class NothingIsVoid(Ledger):
    """Grants without cover are folded like any other."""

    def fold(self, store, entry):
        """Fold as if every entry had its units."""
        with everything_fits():
            return super().fold(store, entry)


# --- wrong layouts ---------------------------------------------------------------------------------------------------


class Counters(Ledger):
    """Counters without ids: a claim that comes again is counted again."""

    def decide(self, store, message, view):
        """A repeated claim is a claim."""
        body = message.body
        state = store.get(CLAIMS, key(body.offer, body.order)) if isinstance(body, Claim) else None
        if state is None or state.claim.number != body.number:
            return super().decide(store, message, view)
        offer = store.get(OFFERS, body.offer) or OfferState(body.offer)
        return Verdict("applied", [settle(store, body, None, offer, view.now)])

    def fold(self, store, entry):
        """The counters count; the row is what was decided last."""
        if isinstance(entry, Settled) and entry.cause is None:
            at = key(entry.claim.offer, entry.claim.order)
            state = store.get(CLAIMS, at)
            if state is not None and state.claim.number == entry.claim.number:
                store.drop(CLAIMS, at)
        return super().fold(store, entry)


@dataclass
class Moved:
    """A change of balances, apart from the decision that it follows from."""

    id: str
    claim: Claim
    moves: list
    at: Any


class TwoTables(Ledger):
    """Decisions in one table and balances in another, written one after the other."""

    def decide(self, store, message, view):
        """A decision, then its moves."""
        verdict = super().decide(store, message, view)
        entries = []
        for entry in verdict.entries:
            if isinstance(entry, Settled) and entry.moves:
                apart = Moved(f"{entry.id}:moved", entry.claim, entry.moves, entry.at)
                entries += [replaced(entry, moves=[], serves=0), apart]
            else:
                entries.append(entry)
        return replaced(verdict, entries=entries)

    def fold(self, store, entry):
        """Each table by its own entry."""
        if not isinstance(entry, Moved):
            with everything_fits():  # its moves stand in the other table
                return super().fold(store, entry)
        offer = entry.claim.offer
        free = fold._move(store, offer, entry.moves)  # noqa: SLF001 - the real ledger's, for its tables
        state = store.get(OFFERS, offer)
        fold._keep_offer(store, replaced(state, free_units=state.free_units + free), entry.moves, entry.at)  # noqa: SLF001 - as above
        return [("level", offer)]


class LastArrivalWins(Ledger):
    """One row for an order and offer, written by whichever claim came last."""

    def decide(self, store, message, view):
        """A lower number is as good as any."""
        body = message.body
        state = store.get(CLAIMS, key(body.offer, body.order)) if isinstance(body, Claim) else None
        if state is None or body.number >= state.claim.number:
            return super().decide(store, message, view)
        offer = store.get(OFFERS, body.offer) or OfferState(body.offer)
        return Verdict("applied", [settle(store, body, state, offer, view.now)])

    def fold(self, store, entry):
        """The row's number is no reason to keep it."""
        if isinstance(entry, Settled) and entry.cause is None:
            at = key(entry.claim.offer, entry.claim.order)
            state = store.get(CLAIMS, at)
            if state is not None and state.claim.number > entry.claim.number:
                store.put(CLAIMS, at, replaced(state, claim=replaced(state.claim, revision=0)))
        return super().fold(store, entry)


class ForgetsDeclines(Ledger):
    """A decline is said and not recorded, so its repeat is a claim like any other."""

    def __init__(self):
        self._answers = {}

    def decide(self, store, message, view):
        """Only what is given is written down."""
        verdict = super().decide(store, message, view)
        entries = verdict.entries
        body = message.body
        known = isinstance(body, Claim) and store.get(CLAIMS, key(body.offer, body.order))
        if not isinstance(body, Claim) or known or not entries or entries[0].outcome != "declined":
            return verdict
        self._answers[body.id] = entries[0]
        return Verdict("applied", [], [("declined", body.id)])

    def say(self, store, subject):
        """A decline is said from the answer alone."""
        if subject[0] != "declined":
            return super().say(store, subject)
        entry, claim = self._answers[subject[1]], self._answers[subject[1]].claim
        decision = Decision(
            f"{claim.id}/1",
            claim.order,
            claim.offer,
            claim.revision,
            claim.step,
            1,
            "declined",
            0,
            entry.figures,
            entry.at,
            reason=entry.reason,
        )
        return [Output("decisions", decision.id, claim.order, decision)]


class ReadsTheCampaign(Ledger):
    """Caps and gifts are those of the campaign at the time of the decision, not those that the claim carries."""

    def decide(self, store, message, view):
        """Look the offer up."""
        body = message.body
        offer = _latest(view.book, body.offer) if isinstance(body, Claim) else None
        if offer is not None and body.options:
            sites = body.options[0].sites
            names = (offer.gift, *offer.otherwise)
            options = [Option(name, sites, name != offer.gift) for name in names]
            body = replaced(body, options=options, total_cap=offer.total_cap, customer_cap=offer.customer_cap)
        return super().decide(store, Message(body, message.digest), view)


def _latest(book: Book, name):
    campaign = book.latest(name.partition("/")[0])
    return next((offer for offer in campaign.offers if offer.key == name), None) if campaign else None


# --- all of them -----------------------------------------------------------------------------------------------------


@dataclass
class Mutant:
    """What is wrong, and within how many seeds it must show."""

    within: int
    host: type = Host
    ledger: type = Ledger
    layout: bool = False

    def world(self, schedule):
        """A world in which it takes the real one's place."""
        if self.layout:  # they must fail by themselves, not because of a worker with other code
            schedule = schedule._replace(operations=[o for o in schedule.operations if o[0] != "old"])
        return World(schedule, {"desk": DESK, "ledger": self.ledger()}, self.host, layout=self.layout)

    def play(self, seed):
        """One run."""
        self.world(draw(seed)).play()

    def seeds(self, first=0):
        """How many seeds it took until a violation, and the violation; None if none came up in time."""
        for number in range(self.within):
            try:
                self.play(first + number)
            except Violation as violation:
                return number + 1, violation
        return None


MUTANTS = {
    # what is wrong                                                 within    of 400 seeds it failed in
    "input offsets committed before the outputs are acknowledged": Mutant(100, host=CommitsOffsetsEarly),  # 19
    "store committed before the log is acknowledged": Mutant(200, host=CommitsStoreEarly),  # 20
    "outputs said in the flush of the log": Mutant(500, host=SaysInOneFlush),  # 3
    "kept partitions not caught up": Mutant(500, host=KeepsLanesAsTheyAre),  # 13
    "grants without cover are not void": Mutant(50, ledger=NothingIsVoid),  # 62
    "counters without ids": Mutant(50, ledger=Counters, layout=True),  # 208
    "decisions and balances written apart": Mutant(100, ledger=TwoTables, layout=True),  # 44
    "the last arrival wins": Mutant(300, ledger=LastArrivalWins, layout=True),  # 9
    "declines not recorded": Mutant(200, ledger=ForgetsDeclines, layout=True),  # 9
    "campaign read at the decision": Mutant(50, ledger=ReadsTheCampaign, layout=True),  # 91
}
CONTROL = Mutant(300, layout=True)  # nothing is wrong with it: it must not fail


def main():
    """Print how many seeds each took."""
    for name, mutant in {**MUTANTS, "nothing": CONTROL}.items():
        found = mutant.seeds()
        took = f"{found[0]} seeds, {str(found[1])[:80]}" if found else f"not in {mutant.within} seeds"
        print(f"{name:60} {took}")


if __name__ == "__main__":
    main()
