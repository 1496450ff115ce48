"""Commands to the ledger as they come from a topic or from a person: read, and held to the limits of what may be said.

Claims and facts of the warehouse are the program's own; receipts, counts, damage, transfers and arrivals are typed by
people, so their names are looked at as well.
"""

from makeweight.contracts.events import NOT_TEXT
from makeweight.contracts.messages import COMMAND
from makeweight.contracts.orders import MAX_UNITS
from makeweight.contracts.problems import WireError
from makeweight.domain.claims import Arrival, Claim, Command, Count, HandledGift, TakenDown, Tick, Transfer

MAX_NAME = 400  # characters; the ledger's own names hold an offer's and an order's, of 120 characters a part
NAMES = ("id", "offer", "gift", "site", "transfer", "to_offer", "to_site", "from_offer", "from_site")
TOLD = ("by", "why")  # may be left out
MAX_TOLD = 500
OFFERS = ("offer", "to_offer", "from_offer")


def read_command(body: bytes) -> Command:
    """Read a command; ``WireError`` says what is wrong with it."""
    command = COMMAND.loads(body)
    if isinstance(command, Tick):
        return command
    if not isinstance(command, TakenDown):
        # None wanted, none found and none arrived are things to say; none received is not.
        _check_least(command.units, 0 if isinstance(command, Claim | Count | Arrival) else 1)
    if isinstance(command, HandledGift) and not 0 <= command.packed <= command.units:
        raise WireError("malformed", f"packed is {command.packed}; expected 0 to {command.units}, as many as units")
    if isinstance(command, Claim | HandledGift):
        return command
    if not isinstance(command, TakenDown) and command.units > MAX_UNITS:
        raise WireError("malformed", f"units is {command.units}; expected at most {MAX_UNITS}")
    _check_names(command)
    if isinstance(command, Transfer) and (command.to_offer, command.to_site) == (command.offer, command.site):
        raise WireError("malformed", "to_offer and to_site are where the units are; expected another offer or site")
    return command


def _check_least(units: int, least: int) -> None:
    if units < least:
        raise WireError("malformed", f"units is {units}; expected at least {least}")


def _check_names(command: Command) -> None:
    for name in NAMES:
        text = command.__dict__.get(name)
        if text is None:
            continue
        if not 0 < len(text) <= MAX_NAME or NOT_TEXT.search(text):
            raise WireError("malformed", f"{name} is empty, too long, or holds characters that are no text")
        if name in OFFERS and text.count("/") != 1:
            raise WireError("malformed", f"{name} is {text!r}; expected campaign/offer")
    for name in TOLD:
        text = command.__dict__.get(name) or ""
        if len(text) > MAX_TOLD or NOT_TEXT.search(text):
            raise WireError("malformed", f"{name} is too long, or holds characters that are no text")
