"""The ledger's log under a second writer that is late, and may run other code: every reader folds it, and alike.

A paused worker appends what it decided from a state that is long gone. Its entries stand in the log like any other;
what has no cover at its place is void. So no fold may fail (it would fail for every worker, for ever), no unit may be
given twice, and what claims hold must be what the accounts say, after every entry.
"""

from datetime import UTC, datetime
from itertools import product

from hypothesis import given
from hypothesis import strategies as st

from makeweight.adapters.local.memory import MemoryStore
from makeweight.contracts.codec import dumps
from makeweight.domain.book import Book
from makeweight.domain.claims import (
    Arrival,
    Claim,
    Count,
    Damage,
    HandledGift,
    Option,
    Receipt,
    TakenDown,
    Transfer,
    TransferIn,
)
from makeweight.domain.stock import Account, Balance, Move
from makeweight.domain.values import replaced
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.state import BALANCES, CLAIMS, CUSTOMERS, OFFERS, OWED, TRANSIT, key
from makeweight.stages.port import Message, View

NOW = datetime(2026, 11, 24, 10, tzinfo=UTC)
OFFER, ORDERS, GIFTS, SITES = "week/tin", ("A", "B", "C"), ("TIN", "BAG"), ("main", "north")
LEDGER, VIEW = Ledger(), View(Book(), NOW)

claims = st.builds(
    lambda order, revision, units, when_out, customer, options: Claim(
        f"{order}/{OFFER}/{revision}.0", order, OFFER, revision, 0, units, 1, NOW, options, when_out,
        customer_cap=3, customer=customer,
    ),
    st.sampled_from(ORDERS),
    st.integers(1, 4),
    st.integers(0, 3),
    st.sampled_from(["next", "substitute", "owed"]),
    st.sampled_from(["c", "d", None]),
    st.lists(st.builds(lambda g, s: Option(g, [s]), st.sampled_from(GIFTS), st.sampled_from(SITES)), min_size=1,
             max_size=2),
)  # fmt: skip
facts = st.builds(
    lambda number, order, gift, site, units, happened: HandledGift(
        f"{order}/w{number}/{OFFER}",
        order,
        OFFER,
        gift,
        site,
        units,
        happened,
        NOW,
        number % (units + 1) if happened == "put_back" else 0,
    ),
    st.integers(1, 20),
    st.sampled_from(ORDERS),
    st.sampled_from(GIFTS),
    st.sampled_from(SITES),
    st.integers(1, 3),
    st.sampled_from(["released", "packed", "short_picked", "put_back", "returned", "scrapped"]),
)
receipts = st.builds(
    lambda number, gift, site, units: Receipt(f"r{number}", OFFER, gift, site, units),
    st.integers(1, 6),
    st.sampled_from(GIFTS),
    st.sampled_from(SITES),
    st.integers(1, 4),
)
places = (st.just(OFFER), st.sampled_from(GIFTS), st.sampled_from(SITES), st.integers(0, 4))
names = st.integers(1, 12)
people = st.one_of(
    st.builds(lambda n, *place: Count(f"count{n}", *place, NOW), names, *places),
    st.builds(lambda n, *place: Damage(f"damage{n}", *place[:-1], max(1, place[-1]), NOW), names, *places),
    st.builds(lambda n, offer, gift, site, units, to_site: Transfer(
        f"t{n}", offer, gift, site, max(1, units), "week/pad" if to_site == site else offer, to_site, NOW
    ), names, *places, st.sampled_from(SITES)),
    st.builds(lambda n, offer, gift, site, units, from_site: TransferIn(
        f"in{n}", offer, gift, site, max(1, units), f"t{n}", "week/pad", from_site, NOW
    ), names, *places, st.sampled_from(SITES)),
    st.builds(lambda n, t, units: Arrival(f"a{n}", OFFER, f"t{t}", units, NOW), names, names, st.integers(0, 4)),
    st.builds(lambda n: TakenDown(f"down{n}", OFFER, NOW), names),
)  # fmt: skip
moves = st.builds(
    Move,
    st.sampled_from(list(Account)),
    st.sampled_from(list(Account)),
    st.sampled_from(GIFTS),
    st.sampled_from(SITES),
    st.integers(0, 3),
)
# What other code may get wrong in an entry beside granting what isn't there: figures that contradict each other.
mangled = st.fixed_dictionaries(
    {},
    optional={
        "moves": st.lists(moves, max_size=3),
        "units": st.integers(-3, 3),
        "owed": st.integers(0, 3),
        "serves": st.integers(0, 2),
    },
)
# Whether the command is aimed at where something is; then who decides: from how far back in the log the state is that
# it knows, whether it thinks stock has no end, and how it mangles what it writes.
steps = st.tuples(
    st.sampled_from([claims, claims, claims, facts, facts, facts, people, people, receipts]).flatmap(lambda kind: kind),
    st.booleans(),
    st.integers(0, 12) | st.just(0),
    st.booleans(),
    st.just({}) | mangled,
)


def folded(entries):
    """A store that has folded these entries."""
    store = MemoryStore()
    for entry in entries:
        LEDGER.fold(store, entry)
    return store


def decided(store, command, *, generous):
    """What a writer that knows this store makes of a command; a generous one takes units from nowhere."""
    verdict = LEDGER.decide(store, Message(command), VIEW)
    if not (generous and isinstance(command, Claim) and command.units and verdict.entries):
        return verdict.entries
    first, option = verdict.entries[0], command.options[0]
    move = Move(Account.FREE, Account.RESERVED, option.gift, option.sites[0], command.units)
    granted = {"outcome": "granted", "moves": [move], "units": command.units, "gift": option.gift}
    return [replaced(first, **granted, site=option.sites[0], owed=0, reason=None)] if first.kind == "settled" else []


def aimed(store, command):
    """A fact about what its order has, a count of where most is reserved, an arrival of what is on its way."""
    if isinstance(command, HandledGift):
        claim = store.get(CLAIMS, key(OFFER, command.order))
        has_any = claim is not None and claim.gift is not None
        return replaced(command, gift=claim.gift, site=claim.site) if has_any else command
    if isinstance(command, Count | Damage):
        most = max(store.values(BALANCES).values(), key=lambda b: b.reserved, default=None)
        return replaced(command, gift=most.gift, site=most.site) if most else command
    if isinstance(command, Arrival):
        return next((replaced(command, transfer=t.transfer) for t in store.values(TRANSIT).values()), command)
    return command


def mangle(entry, wrong):
    """An entry as other code wrote it; what an entry doesn't have can't be wrong in it."""
    return replaced(entry, **{name: what for name, what in wrong.items() if hasattr(entry, name)})


def check(store):
    """S1, S4, S12 of every balance, and S2: what the claims hold is what the accounts say."""
    held: dict[tuple[str, str], list[int]] = {}
    for claim in store.values(CLAIMS).values():
        given = claim.held + claim.came_back
        assert min(claim.reserved, claim.released, claim.packed, claim.owed, claim.came_back, claim.left) >= 0
        assert claim.reserved == 0 or given <= claim.claim.units
        assert claim.owed <= max(0, claim.claim.units - given)
        assert claim.outcome == ("granted" if given else "owed" if claim.owed else "declined")
        if claim.held:
            sums = held.setdefault((claim.gift, claim.site), [0, 0, 0])
            for place, units in enumerate((claim.reserved, claim.released, claim.packed)):
                sums[place] += units
    for balance in store.values(BALANCES).values():
        balance.check()
        reserved, released, _ = held.pop((balance.gift, balance.site), [0, 0, 0])
        assert (balance.reserved, balance.released) == (reserved, released)
        on_the_way = [
            t.units for t in store.values(TRANSIT).values() if (t.gift, t.site) == (balance.gift, balance.site)
        ]
        assert balance.in_transit == sum(on_the_way)
    assert not held
    owed = {claim.owed_key for claim in store.values(CLAIMS).values() if claim.owed}
    assert owed == set(store.values(OWED))
    offer = store.get(OFFERS, OFFER)
    if offer is not None:
        live = sum(claim.live for claim in store.values(CLAIMS).values())
        assert offer.live_units == live
        assert offer.owed_units == sum(claim.owed for claim in store.values(CLAIMS).values())
        assert offer.free_units == sum(b.free for b in store.values(BALANCES).values())
    assert all(kept.units >= 0 for kept in store.values(CUSTOMERS).values())


@given(st.integers(0, 4), st.lists(steps, max_size=25) | st.lists(steps, min_size=15, max_size=40))
def test_a_late_writer_harms_no_reader(stock, given_steps):
    """Any commands, decided from any past state, by the same code or by other code, in any order."""
    log, store = [], MemoryStore()
    for gift, site in product(GIFTS, SITES) if stock else ():
        log += decided(store, Receipt(f"first-{gift}-{site}", OFFER, gift, site, stock), generous=False)
        LEDGER.fold(store, log[-1])
    for drawn, aim, back, other, wrong in given_steps:
        command = aimed(store, drawn) if aim else drawn
        known = folded(log[: max(0, len(log) - back)]) if back else store
        for honest in decided(known, command, generous=other and back > 0):
            entry = mangle(honest, wrong) if other else honest
            log.append(entry)
            LEDGER.fold(store, entry)
            check(store)
    again = folded(log)
    for space in LEDGER.spaces:
        assert dumps(again.values(space)) == dumps(store.values(space))


def test_a_grant_without_cover_is_void():
    """One tin, two writers: the second grant in the log is a decline, counted as void, and nothing moves."""
    claim = Claim(f"A/{OFFER}/1.0", "A", OFFER, 1, 0, 1, 1, NOW, [Option("TIN", ["main"])])
    other = replaced(claim, id=f"B/{OFFER}/1.0", order="B")
    log = LEDGER.decide(MemoryStore(), Message(Receipt("r", OFFER, "TIN", "main", 1)), VIEW).entries
    known = folded(log)
    both = [LEDGER.decide(known, Message(one), VIEW).entries[0] for one in (claim, other)]
    store = folded([*log, both[0]])
    assert ("void", OFFER, other.id) in LEDGER.fold(store, both[1])
    assert [store.get(CLAIMS, key(OFFER, o)).outcome for o in ("A", "B")] == ["granted", "declined"]
    assert store.get(BALANCES, key(OFFER, "TIN", "main")) == Balance(OFFER, "TIN", "main", 1, 0, 1)
    assert LEDGER.say(store, ("void", OFFER, other.id)) == []
