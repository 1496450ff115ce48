"""What physically lies where: gift units that went out by what the warehouse said of its papers, beside the books.

The ledger's books add up by themselves. Whether they are true is another question: a unit is out if it was packed on
some paper and has not come back from it, and nothing else takes one out of the house or brings one in.
"""

from collections import Counter
from collections.abc import Iterable

from makeweight.domain.stock import Balance
from makeweight.stages.desk.state import OrderState

Place = tuple[str, str]  # offer and site: which gift of the offer it was is the ledger's to know


def gone(orders: Iterable[OrderState]) -> Counter[Place]:
    """Units that were packed and are still out, by the papers of the orders; waste that came back is not."""
    found: Counter[Place] = Counter()
    for state in orders:
        for frozen in state.frozen:
            for offer, units in frozen.done.items():
                found[offer, frozen.site] += units
    return found


def booked(balances: Iterable[Balance]) -> Counter[Place]:
    """Units that the books say are out."""
    found: Counter[Place] = Counter()
    for balance in balances:
        found[balance.offer, balance.site] += balance.packed - balance.restocked
    return found


def untrue(orders: Iterable[OrderState], balances: Iterable[Balance]) -> dict[Place, tuple[int, int]]:
    """Where the books don't say what is out: (out by the papers, out by the books). Empty if they are true.

    Only once the ledger has heard of everything that the warehouse said.
    """
    papers, books = gone(orders), booked(balances)
    return {at: (papers[at], books[at]) for at in sorted(papers.keys() | books.keys()) if papers[at] != books[at]}
