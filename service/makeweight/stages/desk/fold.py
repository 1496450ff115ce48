"""How the desk's entries change its state; the only place where it changes."""

from zlib import crc32

from makeweight.domain.claims import Claim
from makeweight.domain.entries import (
    Answered,
    DeskEntry,
    Judged,
    Lapsed,
    NotPutBack,
    Overdue,
    Redressed,
    Reported,
    Superseded,
)
from makeweight.domain.moments import Instant
from makeweight.domain.values import InvariantViolation, replaced
from makeweight.stages.desk import floor
from makeweight.stages.desk.facts import found_anew
from makeweight.stages.desk.state import ORDERS, Fact, Frozen, OrderState, Wish, unpaid_of, withdrawn
from makeweight.stages.desk.telling import notices, told_of_floor
from makeweight.stages.desk.tickets import (
    open_contents,
    opened_after,
    paper_of,
    papers_after,
    released_ticket,
)
from makeweight.stages.port import Store, Subject

LEFT = frozenset({"short_picked", "put_back", "returned", "scrapped"})  # what the ledger's ``Decision.left`` counts


def fold(store: Store, entry: DeskEntry) -> list[Subject]:
    """Apply one entry and name what there is to say because of it."""
    if isinstance(entry, Judged):
        return _judged(store, entry)
    if isinstance(entry, Answered):
        return _answered(store, entry)
    if isinstance(entry, Reported):
        return _reported(store, entry)
    if isinstance(entry, Overdue):
        return _overdue(store, entry)
    if isinstance(entry, Lapsed):
        return _lapsed(store, entry)
    if isinstance(entry, Redressed):
        return _redressed(store, entry)
    if isinstance(entry, NotPutBack):
        return _not_put_back(store, entry)
    return _superseded(store, entry)


def _keep(store: Store, state: OrderState) -> None:
    store.put(ORDERS, state.order.order, state, state.due_at())


def _known(store: Store, order: str) -> OrderState:
    state = store.get(ORDERS, order)
    if state is None:
        raise InvariantViolation("S10", f"an entry of order {order} stands before the order itself")
    return state


def _judged(store: Store, entry: Judged) -> list[Subject]:
    event = entry.order
    old = store.get(ORDERS, event.order)
    revision = str(event.revision)
    if old is not None and (revision in old.digests or event.revision < old.order.revision):
        return []  # first in the log wins, whoever wrote what comes later
    if old is None:
        state = OrderState(
            order=event,
            digests={revision: entry.digest},
            evaluation=entry.evaluation,
            first_at=entry.at,
            judged_at=entry.at,
            wishes={claim.offer: Wish(claim) for claim in entry.claims},
            standby=entry.standby,
            benefits=entry.benefits,
            gifts=entry.gifts,
            blocked=entry.blocked,
            withheld=entry.withheld,
            unpaid=unpaid_of(entry.evaluation),
            trail=crc32(entry.id.encode()),
        )
    else:
        state = replaced(
            old,
            order=event,
            digests={**old.digests, revision: entry.digest},
            evaluation=entry.evaluation,
            judged_at=entry.at,
            **old.after(entry.id),
            wishes=_claimed(old, entry.claims + _unseen(old, entry)),
            standby=entry.standby,
            benefits=entry.benefits,
            gifts={**old.gifts, **entry.gifts},
            blocked=entry.blocked,
            withheld=entry.withheld,
            unpaid=unpaid_of(entry.evaluation),
            overdue=0,
            overdue_at=None,
        )
    subjects: list[Subject] = [("claims", event.order)] if state.wishes else []
    return _changed(store, state, entry.at, *subjects, ("ticket", event.order), ("notices", event.order, ""))


def _unseen(state: OrderState, entry: Judged) -> list[Claim]:
    """Offers claimed since the state that the writer of the entry knew: its revision doesn't ask for them."""
    seen = {claim.offer for claim in entry.claims}
    return [] if seen >= state.wishes.keys() else withdrawn(state, entry.order, seen)


def _claimed(state: OrderState, claims: list[Claim]) -> dict[str, Wish]:
    wishes = dict(state.wishes)
    for claim in claims:
        old = wishes.get(claim.offer)
        wishes[claim.offer] = Wish(claim) if old is None else replaced(old, claim=claim)
    return wishes


def _changed(
    store: Store,
    state: OrderState,
    at: Instant,
    *subjects: Subject,
    answered: str | None = None,
    moved: bool = True,
    of_floor: bool = False,
) -> list[Subject]:
    """Derive what follows from the new state (open tickets, notices) and keep it.

    ``moved`` is false where what the tickets carry can't have changed, ``of_floor`` true where nothing has but what the
    warehouse has in its hands.
    """
    papers: list[str] = []
    as_ordered = not state.frozen or floor.as_ordered(state)
    if not as_ordered:
        state, papers = floor.reviewed(state, at)
    told = state.notices
    if not as_ordered or (told_of_floor(state) if of_floor else _tells(state)):
        told = notices(state, at, answered, as_ordered=as_ordered)
    if moved:
        contents = open_contents(state)
        opened = opened_after(state, contents)
        state = replaced(state, notices=told, opened=opened, papers=papers_after(state, opened, contents))
    else:
        state = replaced(state, notices=told)
    _keep(store, state)
    said: list[Subject] = [("paper", state.order.order, ticket) for ticket in papers]
    return [*subjects, *(paper for paper in said if paper not in subjects)] if papers else list(subjects)


def _tells(state: OrderState) -> bool:
    """Whether there may be anything to tell of an order, the floor aside."""
    evaluation = state.evaluation
    return bool(state.wishes or state.notices or evaluation.judgements or evaluation.prices or state.benefits)


def _answered(store: Store, entry: Answered) -> list[Subject]:
    state = _known(store, entry.order)
    answer = entry.decision
    wish = state.wishes.get(answer.offer)
    known = (wish.answer.number, wish.answer.edition) if wish is not None and wish.answer is not None else ((0, 0), 0)
    if wish is None or answer.number != wish.claim.number or known >= (answer.number, answer.edition):
        return []  # first in the log wins
    wishes = {**state.wishes, answer.offer: replaced(wish, answer=answer)}
    for claim in entry.claims:
        other = wishes.get(claim.offer)
        wishes[claim.offer] = Wish(claim) if other is None else replaced(other, claim=claim)
    state = replaced(state, **state.after(entry.id), wishes=wishes)
    subjects: list[Subject] = [("claims", entry.order)] if entry.claims else []
    subjects += [("ticket", entry.order), ("notices", entry.order, answer.offer)]
    if wish.claim.benefit:
        subjects.append(("notices", entry.order, "shipping"))
    before = (wish.answer.gift, wish.answer.site) if wish.answer is not None and wish.held else None
    heard = wish.answer.left if wish.answer is not None else 0
    moved = answer.units != wish.held or answer.left != heard
    moved = moved or (answer.units > 0 and (answer.gift, answer.site) != before)
    if not state.frozen:
        return _changed(store, state, entry.at, *subjects, answered=answer.offer, moved=moved)
    # What is on the floor is measured against what the order now holds and wants of every offer.
    said = _changed(store, state, entry.at, *subjects, moved=moved)
    return [*said, ("notices", entry.order, "")] if _moved(store, state) else said


def _reported(store: Store, entry: Reported) -> list[Subject]:
    state = _known(store, entry.order)
    event = entry.fact
    if event.event in state.facts:
        return []  # first in the log wins
    if entry.trail not in (None, state.trail):
        entry = found_anew(state, entry)
    frozen, known = list(state.frozen), len(state.frozen)
    at = next((i for i, f in enumerate(frozen) if f.ticket == event.ticket), None)
    if at is None:
        at = len(frozen)
        paper = paper_of(state, event.ticket, event.edition)
        printed = released_ticket(state, entry.site, entry.lines, entry.paper, paper)
        named = {line.offer: line.gift for line in printed.gift_lines}
        frozen.append(
            Frozen(event.ticket, entry.site, entry.lines, entry.paper, printed, printed=named, since=event.at)
        )
    handled = {command.offer: command.units for command in entry.gifts}
    frozen[at] = floor.after(frozen[at], event, handled, entry.over)
    facts = {**state.facts, event.event: Fact(entry.digest, entry.gifts)}
    left = dict(state.left)
    for command in entry.gifts:
        if command.happened in LEFT:
            left[command.offer] = left.get(command.offer, 0) + command.units
    state = replaced(state, **state.after(entry.id), frozen=frozen, facts=facts, left=left)
    subjects: list[Subject] = [("commands", entry.order, event.event)] if entry.gifts else []
    subjects.append(("paper", entry.order, event.ticket))
    moved = len(frozen) > known or event.happened in floor.LEAVING  # packing moves nothing off a paper or onto one
    said = _changed(store, state, entry.at, *subjects, ("ticket", entry.order), moved=moved, of_floor=True)
    return [*said, ("notices", entry.order, "" if _moved(store, state) else event.event)]


def _moved(store: Store, before: OrderState) -> bool:
    """Whether a notice was opened or closed, or is about more or less, since the state before."""
    after = _known(store, before.order.order).notices
    if after is before.notices:
        return False
    known = {id_: old.amount for id_, old in before.notices.items()}
    return any(known.get(id_) != new.amount for id_, new in after.items())


def _overdue(store: Store, entry: Overdue) -> list[Subject]:
    state = _known(store, entry.order)
    if state.order.revision != entry.revision or state.overdue >= entry.count:
        return []
    again = state.look_again
    state = replaced(state, **state.after(entry.id), overdue=entry.count, overdue_at=entry.at, look_again=False)
    # A host that died over a lapse said neither its claims nor what it takes off a paper.
    papers: list[Subject] = [("paper", entry.order, frozen.ticket) for frozen in state.frozen]
    told: list[Subject] = [("notices", entry.order, "")] if papers or again else []
    return _changed(store, state, entry.at, ("claims", entry.order), *papers, ("ticket", entry.order), *told)


def _lapsed(store: Store, entry: Lapsed) -> list[Subject]:
    """What was to be paid and was not: its claims are withdrawn, and what was simply given is so no more."""
    state = _known(store, entry.order)
    if state.order.revision != entry.revision or state.unpaid.keys().isdisjoint(entry.offers):
        return []  # another revision has come, or it has lapsed already
    return _judged_anew(store, replaced(state, lapsed=sorted({*state.lapsed, *entry.offers})), entry)


def _redressed(store: Store, entry: Redressed) -> list[Subject]:
    """A correction gives the order more: it is judged by that from now on."""
    state = _known(store, entry.order)
    known = state.evaluation.campaigns.get(entry.redress.campaign, 0)
    if state.order.revision != entry.revision or known >= entry.redress.revision:
        return []  # another revision has come, which is to be redressed itself, or it has been already
    return _judged_anew(store, state, entry)


def _judged_anew(store: Store, state: OrderState, entry: Lapsed | Redressed) -> list[Subject]:
    """The same revision of an order, judged once more."""
    seen = {claim.offer for claim in entry.claims}
    # What was claimed since the state that the writer of the entry knew is withdrawn as well.
    unseen = withdrawn(state, state.order, seen, max([state.step + 1, *(claim.step for claim in entry.claims)]))
    wishes = dict(state.wishes)
    for claim in entry.claims + unseen:
        known = wishes.get(claim.offer)
        if known is None or claim.number > known.claim.number:
            wishes[claim.offer] = Wish(claim) if known is None else replaced(known, claim=claim)
    state = replaced(
        state,
        **state.after(entry.id),
        evaluation=entry.evaluation,
        unpaid=unpaid_of(entry.evaluation),
        wishes=wishes,
        standby=entry.standby,
        benefits=entry.benefits,
        gifts={**state.gifts, **entry.gifts},
        blocked=entry.blocked,
        withheld=entry.withheld,
        overdue_at=entry.at,  # the answers to what is withdrawn are waited for from now on
        look_again=True,
    )
    order = entry.order
    return _changed(store, state, entry.at, ("claims", order), ("ticket", order), ("notices", order, ""))


def _not_put_back(store: Store, entry: NotPutBack) -> list[Subject]:
    state = _known(store, entry.order)
    frozen = [
        replaced(f, alerted=True) if f.ticket == entry.ticket and f.asked_at == entry.asked_at else f
        for f in state.frozen
    ]
    if frozen == state.frozen:
        return []  # it was put back meanwhile, or told before
    state = replaced(state, **state.after(entry.id), frozen=frozen, overdue_at=entry.at, look_again=True)
    order = entry.order
    return _changed(store, state, entry.at, ("ticket", order), ("notices", order, entry.ticket), moved=False)


def _superseded(store: Store, entry: Superseded) -> list[Subject]:
    state = _known(store, entry.order)
    if entry.digest:
        _keep(store, replaced(state, digests={**state.digests, entry.what: entry.digest}))
    return []
