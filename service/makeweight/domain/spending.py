"""Offers that let a value count once: each that is given uses up what it asks, and the next has what is left."""

from collections.abc import Callable

from makeweight.domain.book import Live
from makeweight.domain.campaigns import Basis, Offer
from makeweight.domain.counted import Counted, counted_lines, kept_goods
from makeweight.domain.orders import Order
from makeweight.domain.qualify import INELIGIBLE, Evaluation, Judgement, is_near_miss
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced


class Purse:
    """The values of an order's lines, and what is left of them.

    A line has two values, charged and before discounts. What is used of one is used of the other in proportion, rounded
    up, so that nothing counts twice for offers that look at it differently.
    """

    def __init__(self, counted: Counted) -> None:
        numbers = counted.numbers()
        self._whole: dict[Basis, dict[int, int]] = {
            "charged": dict(zip(numbers, counted.charged, strict=True)),
            "before_discount": dict(zip(numbers, counted.before, strict=True)),
        }
        self._left = {basis: dict(values) for basis, values in self._whole.items()}
        self._after: list[tuple[str, dict[Basis, dict[int, int]]]] = []  # what each offer left, in their order

    @property
    def worth(self) -> int:
        """What all lines together were charged, used or not."""
        return sum(self._whole["charged"].values())

    def left(self, offer: Offer, lines: list[int]) -> dict[int, int]:
        """What is left of lines for an offer, by their numbers; wholly used ones are left out."""
        left, whole = self._left[offer.basis], self._whole[offer.basis]
        return {n: left[n] for n in lines if n in left and (left[n] or not whole[n])}

    def use(self, offer: Offer, lines: list[int]) -> None:
        """Use up what the offer asks, in line order."""
        other: Basis = "before_discount" if offer.basis == "charged" else "charged"
        asked = offer.threshold + int(offer.strict)
        for number, left in self.left(offer, lines).items():
            taken = min(left, asked)
            if not taken:
                continue
            share = -(-taken * self._whole[other][number] // self._whole[offer.basis][number])
            self._left[offer.basis][number] -= taken
            self._left[other][number] -= min(share, self._left[other][number])
            asked -= taken
        self._after.append((offer.key, {basis: dict(values) for basis, values in self._left.items()}))

    def winner(self, offer: Offer, lines: list[int]) -> str | None:
        """The offer that left less of some lines than this one asks: without it, and those after it, it was met."""
        asked = offer.threshold + int(offer.strict)
        return next(
            (key for key, left in self._after if sum(left[offer.basis].get(n, 0) for n in lines) < asked),
            None,
        )


def spent(order: Order, evaluation: Evaluation, live: Live, may_have: Callable[[Offer, Judgement], bool]) -> Evaluation:
    """The evaluation once each value has counted for one offer only, of those that let it.

    They come in their order of precedence. One that is met only by what is used already is declined, and its worth is
    what was left; one that is nearly met is so by what is left, or not at all. One that the order ``may_have`` not,
    since its gift is withheld, uses nothing.
    """
    once = [
        j for j in evaluation.judgements if live.offers[j.offer].value_used == "once" and j.reason not in INELIGIBLE
    ]
    if len(once) < 2:  # noqa: PLR2004 - one alone shares its value with nobody
        return evaluation
    once.sort(key=lambda j: live.offers[j.offer].precedence())
    counted = counted_lines(order)
    purse = Purse(counted)
    found: dict[str, Judgement | None] = {}
    users: set[str] = set()
    for judged in once:
        offer = live.offers[judged.offer]
        left = purse.left(offer, judged.lines)
        worth = sum(left.values())
        met = worth >= offer.threshold + int(offer.strict)
        if judged.qualifies and not met:
            winner = purse.winner(offer, judged.lines)
            found[offer.key] = replaced(judged, worth=worth, reason=Reason.VALUE_USED, winner=winner, kept=None)
            continue
        if worth != judged.worth:
            near = judged.qualifies or is_near_miss(worth, 1, offer.threshold)
            found[offer.key] = replaced(judged, worth=worth, lines=list(left)) if near else None
        if judged.qualifies and may_have(offer, judged):
            users.add(offer.key)
            purse.use(offer, judged.lines)
    told = [found.get(j.offer, j) for j in evaluation.judgements]
    judgements = [j for j in told if j is not None]
    if any(j.kept for j in once):
        lines = {j.offer: j.lines for j in once if j.qualifies}
        judgements = _kept_once(Purse(kept_goods(counted)), live, judgements, lines, users)
    return replaced(evaluation, judgements=judgements)


def _kept_once(
    purse: Purse, live: Live, judgements: list[Judgement], lines: dict[str, list[int]], users: set[str]
) -> list[Judgement]:
    """What the kept goods earn: their value counts once too, for the same offers in the same order."""
    units: dict[str, int] = {}
    mine = {j.offer: j for j in judgements if j.offer in lines and j.reason is not Reason.VALUE_USED}
    for key, earning in lines.items():  # in their order of precedence
        offer = live.offers[key]
        if key not in mine:
            continue
        left = sum(purse.left(offer, earning).values())
        met = purse.worth > 0 and left >= offer.threshold + int(offer.strict)
        if met and key in users:
            purse.use(offer, earning)
        units[key] = mine[key].wanted if met else 0
    return [
        replaced(j, kept=replaced(j.kept, units=units[j.offer])) if j.kept and j.offer in units else j
        for j in judgements
    ]
