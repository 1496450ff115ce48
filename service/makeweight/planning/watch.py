"""What a person who watches needs beside the totals: a fold of both logs and of the notices, in the order of each.

It reads what was decided and decides nothing. Everything is bounded by offers, hours, units that are out and notices
that are open, never by how many orders there have been: what an order counted for before a change is asked of the log.
"""

from collections import Counter, deque
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from makeweight.domain.campaigns import SINCE_EVER
from makeweight.domain.counted import counted_lines, kept_goods
from makeweight.domain.entries import Booked, DeskEntry, Handled, Judged, LedgerEntry, Settled
from makeweight.domain.moments import Instant, seconds_between
from makeweight.domain.stock import Account, Move
from makeweight.domain.tickets import Notice
from makeweight.domain.values import value
from makeweight.planning.rejects import PutAside

HOUR_SECONDS = 3_600
LAGS_KEPT = 200  # the lag that is told is the median of so many
ARRIVALS_KEPT = 5_000  # enough to find that of so many orders none got what one in a hundred should have got
HOURS_KEPT = 24 * 7 * 9  # of orders, for the profile of a feed: eight weeks to learn from, and the one that runs
REJECTS_KEPT = 100  # those that are shown; how many there are is counted
WAITING_KEPT = 10_000  # orders of which an event was put aside: of a feed gone wrong, the latest
NOT_EXCEPTIONS = frozenset({"near_miss", "running_low", "exhausted"})
_OUT = frozenset({Account.RESERVED, Account.RELEASED})

Place = tuple[str, str, str]  # offer, gift, site


def hour_of(at: Instant) -> int:
    """The number of an instant's hour since 1970, in UTC."""
    return int(at.timestamp()) // HOUR_SECONDS


def instant_of_hour(hour: int) -> Instant:
    """The instant at which an hour begins."""
    return datetime.fromtimestamp(hour * HOUR_SECONDS, UTC)


@value
class Out:
    """Gift units that an order holds and that have not been packed."""

    units: int
    since: Instant


class Waiting(NamedTuple):
    """An order of which nothing was taken in since an event of it was put aside, and whether anything was before."""

    aside: PutAside
    is_known: bool

    def until(self, entry: Judged) -> bool:
        """Whether the order waits no more: its revision was taken in, or a later one. Without it, time has to tell."""
        revision = self.aside.revision
        return entry.at >= self.aside.at if revision is None else entry.order.revision >= revision


class Watch:
    """The fold. ``desk``, ``ledger`` and ``notice`` take what happened; the members are what it comes to."""

    def __init__(self) -> None:
        self.watermark: Instant | None = None
        self.handled_at: Instant = SINCE_EVER
        self.lags: deque[float] = deque(maxlen=LAGS_KEPT)
        self.arrivals: deque[Instant] = deque(maxlen=ARRIVALS_KEPT)  # of orders that are new
        self.orders_by_hour: Counter[int] = Counter()
        self.revenue: Counter[str] = Counter()  # by campaign of all orders in it, and by offer of those that qualify
        self.units_by_hour: dict[Place, Counter[int]] = {}
        self.customers: dict[str, Counter[str]] = {}
        self.out: dict[tuple[str, str], Out] = {}
        self.granted_at: dict[str, Instant] = {}
        self.exceptions: dict[str, Notice] = {}
        self.low: set[str] = set()
        self.spans_out: dict[str, list[tuple[Instant, Instant | None]]] = {}
        self.rejects: deque[PutAside] = deque(maxlen=REJECTS_KEPT)
        self.rejects_count = 0
        self.waiting: dict[str, Waiting] = {}  # by order

    # --- the desk's log ----------------------------------------------------------------------------------------

    def desk(self, entry: DeskEntry, before: Judged | None) -> None:
        """An entry of the desk; ``before`` is how it had judged the same order last."""
        self.handled_at = max(self.handled_at, entry.at)
        if not isinstance(entry, Judged):
            return
        told_at = max(entry.order.placed_at, entry.order.revised_at)
        waits = self.waiting.get(entry.order.order)
        if waits is not None:
            if waits.until(entry):
                del self.waiting[entry.order.order]
            else:
                self.waiting[entry.order.order] = waits._replace(is_known=True)
        # An order that is dated into the future is no reason to believe that all before it are here.
        told_at = min(told_at, entry.at)
        self.watermark = told_at if self.watermark is None else max(self.watermark, told_at)
        self.lags.append(seconds_between(told_at, entry.at))
        if before is None:
            self.arrivals.append(entry.at)
            self._placed(hour_of(entry.order.placed_at))
        else:
            self._earned(before, -1)
        self._earned(entry, 1)

    def _placed(self, hour: int) -> None:
        self.orders_by_hour[hour] += 1
        if len(self.orders_by_hour) > 2 * HOURS_KEPT:
            for old in sorted(self.orders_by_hour)[:-HOURS_KEPT]:
                del self.orders_by_hour[old]

    def _earned(self, entry: Judged, sign: int) -> None:
        """The net merchandise revenue: what is charged for goods, after discounts, without what came back."""
        evaluation = entry.evaluation
        if entry.order.status == "cancelled" or not evaluation.campaigns:
            return
        revenue = sum(kept_goods(counted_lines(entry.order)).charged)
        for campaign in evaluation.campaigns:
            self.revenue[campaign] += sign * revenue
        for judged in evaluation.judgements:
            if judged.qualifies:
                self.revenue[judged.offer] += sign * revenue

    # --- the ledger's log --------------------------------------------------------------------------------------

    def ledger(self, entry: LedgerEntry) -> None:
        """An entry of the ledger."""
        self.handled_at = max(self.handled_at, entry.at)
        if isinstance(entry, Settled):
            self._settled(entry)
        elif isinstance(entry, Handled):
            self._moved(entry.command.offer, entry.command.order, entry.moves, entry.at)
        elif isinstance(entry, Booked):
            for order, units in entry.owed.items():
                self._holds(entry.command.offer, order, -units, entry.at)

    def _settled(self, entry: Settled) -> None:
        claim = entry.claim
        if entry.units > 0:
            self.granted_at[claim.offer] = entry.at
        if entry.units and claim.customer is not None:
            taken = self.customers.setdefault(claim.offer, Counter())
            taken[claim.customer] += entry.units
            if taken[claim.customer] <= 0:
                del taken[claim.customer]
        hour = hour_of(claim.placed_at)
        for move in entry.moves:
            units = _asked(move)
            if units:
                self.units_by_hour.setdefault((claim.offer, move.gift, move.site), Counter())[hour] += units
        self._moved(claim.offer, claim.order, entry.moves, entry.at)

    def _moved(self, offer: str, order: str, moves: Iterable[Move], at: Instant) -> None:
        units = sum(m.units * ((m.target in _OUT) - (m.source in _OUT)) for m in moves)
        self._holds(offer, order, units, at)

    def _holds(self, offer: str, order: str, units: int, at: Instant) -> None:
        known = self.out.get((offer, order))
        left = units + (known.units if known else 0)
        if left > 0:
            self.out[offer, order] = Out(left, known.since if known else at)
        elif known:
            del self.out[offer, order]

    # --- notices -----------------------------------------------------------------------------------------------

    def notice(self, said: Notice) -> None:
        """A notice as it was said: the newest level of an id is the one that counts."""
        known = self.exceptions.get(said.id)
        if known is not None and (said.revision, said.edition) < (known.revision, known.edition):
            return
        if said.kind not in NOT_EXCEPTIONS:
            if said.amount:
                self.exceptions[said.id] = said
            else:
                self.exceptions.pop(said.id, None)
        elif said.offer is not None and said.kind == "running_low":
            (self.low.add if said.amount else self.low.discard)(said.offer)
        elif said.offer is not None and said.kind == "exhausted":
            self._ran_out(said.offer, said.at, gone=bool(said.amount))

    def _ran_out(self, offer: str, at: Instant, *, gone: bool) -> None:
        spans = self.spans_out.setdefault(offer, [])
        is_out = bool(spans) and spans[-1][1] is None
        if gone and not is_out:
            spans.append((at, None))
        elif not gone and is_out:
            spans[-1] = (spans[-1][0], at)

    # --- rejects -----------------------------------------------------------------------------------------------

    def reject(self, one: PutAside, judged: Judged | None) -> None:
        """An input that was put aside; ``judged`` is how the order that it names was judged last, if it names one."""
        self.rejects.append(one)
        self.rejects_count += 1
        waits = Waiting(one, judged is not None)
        if one.topic != "orders" or not one.key or (judged is not None and waits.until(judged)):
            return
        self.waiting.pop(one.key, None)  # the latest stands last
        self.waiting[one.key] = waits
        if len(self.waiting) > WAITING_KEPT:
            del self.waiting[next(iter(self.waiting))]

    # --- questions ---------------------------------------------------------------------------------------------

    def lag_seconds(self) -> float | None:
        """The median time from what an order tells to its being handled, over the latest; None before the first."""
        ordered = sorted(self.lags)
        return ordered[len(ordered) // 2] if ordered else None

    def orders_since(self, at: Instant) -> int:
        """How many orders came after an instant; of the latest ``ARRIVALS_KEPT``."""
        count = 0
        for arrived in reversed(self.arrivals):
            if arrived <= at:
                break
            count += 1
        return count

    def units_of(self, offer: str) -> Counter[int]:
        """The units of an offer that were asked for, of all its gifts and sites, by the hour of placing."""
        found: Counter[int] = Counter()
        for place, by_hour in self.units_by_hour.items():
            if place[0] == offer:
                found.update(by_hour)
        return found

    def not_packed(self, now: Instant, within: timedelta) -> dict[str, list[str]]:
        """Orders that have held gift units for longer than that without their being packed, by offer, oldest first."""
        late = sorted((out.since, offer, order) for (offer, order), out in self.out.items() if now - out.since > within)
        found: dict[str, list[str]] = {}
        for _, offer, order in late:
            found.setdefault(offer, []).append(order)
        return found


def _asked(move: Move) -> int:
    """What a move says of demand: units taken for an order, and those that an order gave back."""
    if move.source is Account.FREE and move.target is Account.RESERVED:
        return move.units
    if move.source is Account.RESERVED and move.target is Account.FREE:
        return -move.units
    return 0
