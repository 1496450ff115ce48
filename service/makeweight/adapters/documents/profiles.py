"""Profile files: JSON of a profile of demand and what it was learnt from."""

from pathlib import Path

from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.contracts.codec import dumps
from makeweight.contracts.problems import WireError
from makeweight.planning.learnt import LEARNT, Learnt

HINT = "make it anew with `makeweight profile`"


def read_profile(path: Path) -> Learnt:
    """The profile of a file; ``FileErrors`` says what is wrong with it."""
    try:
        return LEARNT.loads(path.read_bytes())
    except OSError as error:
        raise FileErrors([FileError(path, None, f"cannot be read: {error.strerror}")]) from None
    except WireError as error:
        raise FileErrors([FileError(path, None, f"is no profile: {error.sentence}; {HINT}")]) from None


def write_profile(path: Path, learnt: Learnt) -> None:
    """Write a profile; ``FileErrors`` where the file can't be written."""
    profile = learnt.profile
    kept = {
        "profile": {"zone": profile.zone, "weights": profile.weights, "day_variance": profile.day_variance},
        "orders": learnt.orders,
        "start": learnt.start,
        "end": learnt.end,
    }
    try:
        path.write_bytes(dumps(kept) + b"\n")
    except OSError as error:
        raise FileErrors([FileError(path, None, f"cannot be written: {error.strerror}")]) from None
