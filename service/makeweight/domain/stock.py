"""Stock of a gift at a site for one offer: accounts, moves between exactly two of them, and what they add up to."""

from enum import StrEnum

from makeweight.domain.machines import UNITS
from makeweight.domain.values import InvariantViolation, hold, value


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


_LEGAL = frozenset((Account(source), Account(target)) for source, target in UNITS.pairs())


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
        """The balance with a move made. Checks S1 (no oversell), S4 (conservation) and S12 (nothing negative).

        A move that the table of units doesn't have breaks S4: the figures may add up, and no longer say what happened.
        """
        hold(move.units > 0, "S12", "a move of no units")
        units, source, target = move.units, move.source, move.target
        if (source, target) not in _LEGAL:
            raise InvariantViolation(
                "S4", f"{self.offer} {self.gift} {self.site}: no move leads from {source} to {target}"
            )
        changed = Balance(
            self.offer,
            self.gift,
            self.site,
            self.received + units * (source == Account.OUTSIDE),
            self.free + units * ((target == Account.FREE) - (source == Account.FREE)),
            self.reserved + units * ((target == Account.RESERVED) - (source == Account.RESERVED)),
            self.released + units * ((target == Account.RELEASED) - (source == Account.RELEASED)),
            self.packed + units * ((target == Account.PACKED) - (source == Account.PACKED)),
            self.over_gift + units * (source == Account.OVER_GIFT),
        )
        changed.check()
        return changed

    def check(self) -> None:
        """Raise unless every account is at or above zero and the units add up."""
        out = self.reserved + self.released + self.packed
        came = self.received + self.over_gift
        if out <= came and came == self.free + out and min(self.free, self.reserved, self.released, self.packed) >= 0:
            return
        where = f"{self.offer} {self.gift} {self.site}"
        hold(out <= came, "S1", f"{where}: {out} units given out of {came}")
        hold(came == self.free + out, "S4", f"{where}: {came} units came in, {self.free} are free and {out} given out")
        raise InvariantViolation("S12", f"{where}: an account below zero")
