"""S9: the inputs that stand in a log, decided again in the log's order, give the log's entries again.

Nothing ambient may decide: what is asked again sees the campaigns as they are at the end of the run. It is asked of
runs in which one code wrote the logs, one writer at a time, and no append was torn: elsewhere an entry may have been
decided from a state that is not the one before it, and the fold is what makes that right.
"""

from makeweight.domain.claims import Tick
from makeweight.domain.entries import (
    Answered,
    Booked,
    Handled,
    Judged,
    Lapsed,
    NotPutBack,
    Overdue,
    Received,
    Redressed,
    Reported,
    Settled,
)
from makeweight.stages.port import Message, View
from tests.simulation.lane import JournalStore
from tests.simulation.worker import Violation

UNLIKE = frozenset({"slow member", "late wake-up", "old code", "crash: appending"})


def check(world):
    """Replay every log of a run to which this applies."""
    if UNLIKE.isdisjoint(world.faults):
        for (stage, _), log in world.broker.logs.items():
            _replay(world.stages[stage], log, world.book)


def _replay(stage, log, book):
    store, at = JournalStore(stage), 0
    while at < len(log):
        entry = log[at]
        message = _input(entry)
        found = [entry] if message is None else stage.decide(store, message, View(book, entry.at)).entries
        if found != log[at : at + len(found)] or not found:
            raise Violation("S9", f"decided again, {entry.id} is {found}, not {log[at : at + max(1, len(found))]}")
        for one in found:
            stage.fold(store, one)
        at += len(found)


def _input(entry):  # noqa: PLR0911 - one for each kind of entry
    """What an entry was made of; None where the log does not have it: what came too late and changed nothing."""
    match entry:
        case Judged():
            return Message(entry.order, entry.digest)
        case Answered():
            return Message(entry.decision)
        case Reported():
            return Message(entry.fact, entry.digest)
        case Redressed():
            return Message(entry.redress)
        case Overdue() | Lapsed() | NotPutBack():
            return Message(Tick("again", entry.at))
        case Settled():
            return Message(entry.claim)
        case Received():
            return Message(entry.receipt)
        case Handled() | Booked():
            return Message(entry.command)
        case _:
            return None
