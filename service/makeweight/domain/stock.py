"""Stock of a gift at a site for one offer: accounts, moves between exactly two of them, and what they add up to."""

from collections.abc import Iterable
from enum import StrEnum

from makeweight.domain.values import hold, replaced, value


class Account(StrEnum):
    """Where units stand. ``outside`` and ``over_gift`` are the other side of what enters without stock of its own.

    Damage, counts, transfers and put-backs will bring accounts of their own.
    """

    OUTSIDE = "outside"
    FREE = "free"
    RESERVED = "reserved"
    RELEASED = "released"
    PACKED = "packed"
    OVER_GIFT = "over_gift"


@value
class Move:
    """Units of one gift at one site from one account to another."""

    source: Account
    target: Account
    gift: str
    site: str
    units: int


@value
class Balance:
    """Units by account for one offer, gift and site. ``received`` is what came in; ``over_gift`` went out uncovered."""

    offer: str
    gift: str
    site: str
    received: int = 0
    free: int = 0
    reserved: int = 0
    released: int = 0
    packed: int = 0
    over_gift: int = 0

    def after(self, move: Move) -> "Balance":
        """The balance with a move made. Checks S1 (no oversell), S4 (conservation) and S12 (nothing negative)."""
        hold(move.units > 0, "S12", f"a move of {move.units} units")
        changed = replaced(
            self,
            received=self.received + move.units * (move.source is Account.OUTSIDE),
            over_gift=self.over_gift + move.units * (move.source is Account.OVER_GIFT),
            free=self.free + _flow(move, Account.FREE),
            reserved=self.reserved + _flow(move, Account.RESERVED),
            released=self.released + _flow(move, Account.RELEASED),
            packed=self.packed + _flow(move, Account.PACKED),
        )
        changed.check()
        return changed

    def check(self) -> None:
        """Raise unless every account is at or above zero and the units add up."""
        out = self.reserved + self.released + self.packed
        where = f"{self.offer} {self.gift} {self.site}"
        hold(out <= self.received + self.over_gift, "S1", f"{where}: {out} units given out of {self.received}")
        hold(
            self.received + self.over_gift == self.free + out,
            "S4",
            f"{where}: {self.received} received are not {self.free} free and {out} given out",
        )
        hold(
            min(self.free, self.reserved, self.released, self.packed) >= 0,
            "S12",
            f"{where}: an account below zero",
        )


def _flow(move: Move, account: Account) -> int:
    return move.units * ((move.target is account) - (move.source is account))


def covered(moves: Iterable[Move], free: dict[tuple[str, str], int]) -> bool:
    """Whether the free stock, by (gift, site), has what the moves take from it, one after the other."""
    left = dict(free)
    for move in moves:
        at = (move.gift, move.site)
        left[at] = left.get(at, 0) + _flow(move, Account.FREE)
        if left[at] < 0:
            return False
    return True
