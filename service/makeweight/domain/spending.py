"""Offers that let a value count once: each that is given uses up what it asks, and the next has what is left."""

from collections.abc import Callable

from makeweight.domain.book import Live
from makeweight.domain.campaigns import Basis, Offer
from makeweight.domain.orders import Order
from makeweight.domain.qualify import INELIGIBLE, Counted, Evaluation, Judgement, counted_lines, kept_goods
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
        self._users: dict[str, set[int]] = {}

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
            self._users.setdefault(offer.key, set()).add(number)
            asked -= taken

    def first_user(self, lines: list[int]) -> str | None:
        """The offer that was the first to use something of some lines."""
        return next((offer for offer, used in self._users.items() if not used.isdisjoint(lines)), None)


def spent(order: Order, evaluation: Evaluation, live: Live, may_have: Callable[[Offer, Judgement], bool]) -> Evaluation:
    """The evaluation once each value has counted for one offer only, of those that let it.

    They come in their order of precedence; one that the order ``may_have`` not, since its gift is withheld, uses
    nothing. One that is met only by what is used already is declined, and its worth is what was left.
    """
    once = [
        j
        for j in evaluation.judgements
        if j.qualifies and live.offers[j.offer].value_used == "once" and j.reason not in INELIGIBLE
    ]
    if len(once) < 2:  # noqa: PLR2004 - one alone shares its value with nobody
        return evaluation
    once.sort(key=lambda j: live.offers[j.offer].precedence())
    counted = counted_lines(order)
    purse = Purse(counted)
    found: dict[str, Judgement] = {}
    for judged in once:
        offer = live.offers[judged.offer]
        if not may_have(offer, judged):
            continue
        left = purse.left(offer, judged.lines)
        worth = sum(left.values())
        if worth < offer.threshold + int(offer.strict):
            winner = purse.first_user(judged.lines)
            found[offer.key] = replaced(judged, worth=worth, reason=Reason.VALUE_USED, winner=winner)
            continue
        purse.use(offer, judged.lines)
        if worth != judged.worth:
            found[offer.key] = replaced(judged, worth=worth, lines=list(left))
        else:
            found[offer.key] = judged
    if any(j.kept for j in once):
        found = _kept_once(Purse(kept_goods(counted)), live, found, {j.offer: j.lines for j in once})
    return replaced(evaluation, judgements=[found.get(j.offer, j) for j in evaluation.judgements])


def _kept_once(
    purse: Purse, live: Live, found: dict[str, Judgement], lines: dict[str, list[int]]
) -> dict[str, Judgement]:
    """What the kept goods earn: their value counts once too, for the same offers in the same order."""
    told = dict(found)
    for key, judged in found.items():
        if judged.kept is None or judged.reason is Reason.VALUE_USED:
            continue
        offer = live.offers[key]
        met = sum(purse.left(offer, lines[key]).values()) >= offer.threshold + int(offer.strict)
        if met:
            purse.use(offer, lines[key])
        told[key] = replaced(judged, kept=replaced(judged.kept, units=judged.wanted if met else 0))
    return told
