"""Where an order stands with each offer, as numbers that can be added up over all orders."""

from collections.abc import Iterator
from typing import Literal, NamedTuple

from makeweight.domain.qualify import Judgement
from makeweight.domain.reasons import Reason
from makeweight.stages.desk.floor import kept_beyond
from makeweight.stages.desk.state import OrderState

Word = Literal[
    "qualified",
    "near_miss",
    "near_miss_gap",
    "units_wanted",
    "granted",
    "granted_units",
    "owed",
    "owed_units",
    "declined",
    "redeemed",
    "over_gift_units",
    "lines_on_offer",
    "lines_mispriced",
    "overcharged",
    "undercharged",
]


class Count(NamedTuple):
    """So much of something, for one offer; ``reason`` tells declines apart."""

    offer: str
    word: Word
    number: int
    reason: str = ""


def in_window(state: OrderState | None) -> dict[str, int]:
    """The campaigns in whose window the order counts, with their revisions."""
    return {} if state is None or state.order.status == "cancelled" else state.evaluation.campaigns


def standing(state: OrderState | None) -> list[Count]:
    """What the order adds to the totals of each offer; nothing if it is unknown."""
    if state is None:
        return []
    found: list[Count] = []
    for judged in state.evaluation.judgements:
        if judged.near_miss:
            found.append(Count(judged.offer, "near_miss", 1))
            found.append(Count(judged.offer, "near_miss_gap", judged.gap))
        elif judged.qualifies:
            found.append(Count(judged.offer, "qualified", 1))
            found.append(Count(judged.offer, "units_wanted", judged.asked))
            found.extend(_outcome(state, judged))
    for check in state.evaluation.prices:
        found.append(Count(check.offer, "lines_on_offer", 1))
        if check.due:
            found.append(Count(check.offer, "lines_mispriced", 1))
            found.append(Count(check.offer, "overcharged" if check.due > 0 else "undercharged", abs(check.due)))
    found.extend(Count(offer, "qualified", 1) for offer in {check.offer for check in state.evaluation.prices})
    for frozen in state.frozen:
        found.extend(Count(offer, "redeemed", 1) for offer, units in frozen.done.items() if units)
    if state.frozen:
        found.extend(Count(offer, "over_gift_units", units) for offer, units in kept_beyond(state).items())
    return found


def _outcome(state: OrderState, judged: Judgement) -> Iterator[Count]:
    if judged.offer in state.benefits:
        yield Count(judged.offer, "granted", 1)
        yield Count(judged.offer, "granted_units", 1)
        return
    wish = state.wishes.get(judged.offer)
    if wish is None or wish.claim.units == 0:
        reason = judged.reason or Reason.OUTRANKED
        yield Count(judged.offer, "declined", 1, reason)
        return
    answer = wish.answer
    if answer is None:
        return
    if answer.units:
        yield Count(judged.offer, "granted", 1)
        yield Count(judged.offer, "granted_units", answer.units)
    if answer.owed:
        yield Count(judged.offer, "owed", 1)
        yield Count(judged.offer, "owed_units", answer.owed)
    if not answer.units and not answer.owed and answer.reason is not None:
        yield Count(judged.offer, "declined", 1, answer.reason)
