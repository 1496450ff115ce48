"""The least that makes a line of an order worth enough, when all its lines share a discount."""

from makeweight.domain.money import prorate

# Lines shared out in one search: the least amount is exact where fewer are enough, and beyond that one that surely is.
LOOKS = 100_000


class Search:
    """How much more of one line of goods lets any of some goals be reached, when all lines share a discount.

    A goal is places of lines that count together, and what they must be worth without their shares. Shares are rounded
    to whole minor units, by which one minor unit more can be worth less: so each amount is looked at, from the first
    that the exact shares allow. More of one line also takes from the shares of the others, and may lift one of them.
    """

    def __init__(self, weights: list[int], discount: int, goals: list[tuple[list[int], int]]) -> None:
        self.weights, self.discount, self.goals = weights, discount, goals
        self.total = sum(weights)
        self.looks = LOOKS // len(weights)
        self.nothing = max(1, discount - self.total + 1)  # below that the discount takes everything
        still = [self._still(places[0], asked) for places, asked in goals if len(places) == 1 and discount]
        self.still = min((least for least in still if least is not None), default=None)

    def least(self, at: int) -> tuple[int, bool]:
        """The least to add to the line at a place, and whether a goal with that line in it is reached then."""
        first = self.bound(at)
        if not self.discount:
            return first, True
        for more in range(first, self._grown(at, -1)):
            self.looks -= 1
            if self.looks < 0:
                break
            grown = [weight + more if i == at else weight for i, weight in enumerate(self.weights)]
            shares = prorate(self.discount, grown)
            met = [places for places, asked in self.goals if sum(grown[i] - shares[i] for i in places) >= asked]
            if met:
                return more, any(at in places for places in met)
        return self._grown(at, -1), True

    def bound(self, at: int) -> int:
        """No less than this can be enough; it is exact where nothing is shared."""
        grown = self._grown(at, 1)
        return grown if self.still is None else min(grown, self.still)

    def _grown(self, at: int, side: int) -> int:
        """The least with which a goal that the line is in is reached at best (1) or whatever is rounded (-1).

        Each rounded share lies within less than 1 of the exact one, and together they are the discount: lines are worth
        their exact value within the smaller number of those that count and those that don't.
        """
        places, asked = next((p, asked) for p, asked in self.goals if at in p)
        own = sum(self.weights[i] for i in places)
        if not self.discount:
            return max(1, asked - own)
        asked -= side * min(len(places), len(self.weights) - len(places))
        least, most = self.nothing, max(self.nothing, asked + self.discount)
        while least < most:
            more = (least + most) // 2
            left = self.total + more - self.discount
            if (own + more) * left >= asked * (self.total + more):
                most = more
            else:
                least = more + 1
        return least

    def _still(self, place: int, asked: int) -> int | None:
        """The least that, added elsewhere, may leave a line so much less of the discount that it reaches a goal."""
        weight = self.weights[place]
        if weight < asked:
            return None
        return max(self.nothing, -(-weight * self.discount // (weight - asked + 1)) - self.total)
