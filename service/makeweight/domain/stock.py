"""Stock of a gift at a site for one offer: accounts, moves between exactly two of them, and what they add up to."""

from enum import StrEnum

from makeweight.domain.machines import UNITS
from makeweight.domain.values import InvariantViolation, hold, value


class Account(StrEnum):
    """Where units stand. Five accounts are of stock; the others are the other side of what comes in and goes out."""

    OUTSIDE = "outside"
    FREE = "free"
    RESERVED = "reserved"
    RELEASED = "released"
    PACKED = "packed"
    OVER_GIFT = "over_gift"
    QUARANTINE = "quarantine"
    IN_TRANSIT = "in_transit"
    DAMAGED = "damaged"
    COUNTED = "counted"
    ELSEWHERE = "elsewhere"
    SHELF = "shelf"


# What a move adds to a balance, by the account that it leaves and by the one that it comes to. An account of stock is
# one figure that goes up and down; of the others it is counted how much they gave and how much they took.
_LEAVES = {
    Account.OUTSIDE: ("received", 1),
    Account.FREE: ("free", -1),
    Account.RESERVED: ("reserved", -1),
    Account.RELEASED: ("released", -1),
    Account.PACKED: ("restocked", 1),
    Account.OVER_GIFT: ("over_gift", 1),
    Account.QUARANTINE: ("quarantine", -1),
    Account.IN_TRANSIT: ("in_transit", -1),
    Account.COUNTED: ("count_gain", 1),
    Account.ELSEWHERE: ("transferred_in", 1),
    Account.SHELF: ("restocked", 1),
}
_COMES = {
    Account.FREE: "free",
    Account.RESERVED: "reserved",
    Account.RELEASED: "released",
    Account.PACKED: "packed",
    Account.QUARANTINE: "quarantine",
    Account.IN_TRANSIT: "in_transit",
    Account.DAMAGED: "damaged",
    Account.COUNTED: "count_loss",
    Account.ELSEWHERE: "transferred_out",
}
# Keyed by text, which hashes faster than a member of an enumeration that equals it.
_EFFECTS = {(source, target): (*_LEAVES[Account(source)], _COMES[Account(target)]) for source, target in UNITS.pairs()}


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
    """What stands at one gift and site of an offer, and all that came in and went out.

    ``free``, ``reserved``, ``released``, ``quarantine`` and ``in_transit`` are stock; the rest only grows. ``packed``
    is all that went out with orders, ``over_gift`` the part of it that never came in, ``restocked`` what came back
    from orders or was put back and was none's, also where it came back as waste and is ``damaged``.
    """

    offer: str
    gift: str
    site: str
    received: int = 0
    free: int = 0
    reserved: int = 0
    released: int = 0
    packed: int = 0
    over_gift: int = 0
    restocked: int = 0
    count_gain: int = 0
    count_loss: int = 0
    damaged: int = 0
    transferred_in: int = 0
    transferred_out: int = 0
    quarantine: int = 0
    in_transit: int = 0

    def after(self, move: Move) -> "Balance":
        """The balance with a move made. Checks S1 (no oversell), S4 (conservation) and S12 (nothing negative).

        A move that the table of units doesn't have breaks S4: the figures may add up, and no longer say what happened.
        """
        units = move.units
        effect = _EFFECTS.get((move.source, move.target))
        if units <= 0:
            raise InvariantViolation("S12", "a move of no units")
        if effect is None:
            raise InvariantViolation(
                "S4", f"{self.offer} {self.gift} {self.site}: no move leads from {move.source} to {move.target}"
            )
        leaves, sign, comes = effect
        changed = object.__new__(Balance)
        members = changed.__dict__
        members.update(self.__dict__)
        members[leaves] += sign * units
        members[comes] += units
        changed.check()
        return changed

    def check(self) -> None:
        """Raise unless every account is at or above zero and the units add up."""
        free, reserved, released, packed = self.free, self.reserved, self.released, self.packed
        quarantine, in_transit = self.quarantine, self.in_transit
        came = self.received + self.over_gift + self.restocked + self.count_gain + self.transferred_in
        came -= self.damaged + self.count_loss + self.transferred_out
        if (
            came == free + reserved + released + packed + quarantine + in_transit
            and free >= 0
            and reserved >= 0
            and released >= 0
            and quarantine >= 0
            and in_transit >= 0
        ):
            return
        where = f"{self.offer} {self.gift} {self.site}"
        out = reserved + released + packed
        left = free + quarantine + in_transit
        hold(out <= came, "S1", f"{where}: {out} units given out of {came}")
        hold(came == left + out, "S4", f"{where}: {came} units came in, {left} are left and {out} given out")
        raise InvariantViolation("S12", f"{where}: an account below zero")
