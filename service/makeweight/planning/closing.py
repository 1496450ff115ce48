"""Closing a campaign's books: when the figures are final, and how they may change afterwards.

A final report is made only once the watermark, the newest instant that any order has told, has passed the end of the
window by the lateness that is allowed. What comes later still makes a restated report that names each difference from
the one before; no report is ever changed silently (common practice of the trade; no source).
"""

import hashlib
from collections.abc import Iterator, Mapping
from copy import deepcopy
from dataclasses import field
from datetime import timedelta
from typing import Any, Literal

from makeweight.contracts.codec import Codec, canonical
from makeweight.domain.moments import Instant
from makeweight.domain.values import value

Status = Literal["early", "final", "restated"]
Leaf = int | str | None
EARLY_EDITION = 0


class OtherBooks(ValueError):
    """The earlier report can't be of the books that are to be closed; the message says why."""


@value
class Report:
    """What a campaign came to, at an edition; 0 while it is early.

    ``differences`` are the figures that differ from the edition before, by name: what they were, and what they are.
    """

    status: Status
    edition: int
    ends: Instant
    watermark: Instant | None
    lateness_seconds: int
    figures: dict[str, Any]
    sha256: str
    differences: dict[str, tuple[Leaf, Leaf]] = field(default_factory=dict)


REPORT: Codec[Report] = Codec(Report)


def close(
    figures: Mapping[str, Any],
    ends: Instant,
    watermark: Instant | None,
    lateness: timedelta,
    earlier_report: Report | None = None,
) -> Report:
    """The report on these figures, after the one that was made last, if any.

    The earlier report itself where it is closed and nothing differs. Books that were closed stay closed, whatever
    lateness is allowed later. ``OtherBooks`` if the earlier one is of another window, knows of later orders, or isn't
    what its hash says.
    """
    closed = None
    if earlier_report is not None:
        _check(earlier_report, ends, watermark)
        closed = earlier_report if earlier_report.status != "early" else None
    told: dict[str, tuple[Leaf, Leaf]] = {}
    status: Status
    if closed is not None:
        told = differences(closed.figures, figures)
        if not told:
            return closed
        status, edition = "restated", closed.edition + 1
    elif watermark is not None and watermark > ends + lateness:
        status, edition = "final", EARLY_EDITION + 1
    else:
        status, edition = "early", EARLY_EDITION
    kept = deepcopy(dict(figures))
    return Report(status, edition, ends, watermark, int(lateness.total_seconds()), kept, figures_hash(kept), told)


def figures_hash(figures: Mapping[str, Any]) -> str:
    """SHA-256 of the figures in their RFC 8785 form."""
    return hashlib.sha256(canonical(figures)).hexdigest()


def differences(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, tuple[Leaf, Leaf]]:
    """The figures that differ, by their path with dots; None for one that is not there."""
    one, other = dict(_leaves(before)), dict(_leaves(after))
    missing = object()
    names = (name for name in one.keys() | other.keys() if one.get(name, missing) != other.get(name, missing))
    return {".".join(name): (one.get(name), other.get(name)) for name in sorted(names)}


def _leaves(figures: Mapping[str, Any], path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Leaf]]:
    for name, kept in figures.items():
        if isinstance(kept, Mapping):
            yield from _leaves(kept, (*path, name))
        else:
            yield (*path, name), kept


def _check(earlier: Report, ends: Instant, watermark: Instant | None) -> None:
    if earlier.sha256 != figures_hash(earlier.figures):
        raise OtherBooks(f"edition {earlier.edition} is not what its hash says: its figures were changed by hand")
    if earlier.ends != ends:
        text = f"edition {earlier.edition} is of a window that ends {earlier.ends.isoformat()}, this one ends"
        raise OtherBooks(f"{text} {ends.isoformat()}; close it into a report of its own")
    if earlier.watermark is not None and (watermark is None or watermark < earlier.watermark):
        text = f"edition {earlier.edition} knows of orders up to {earlier.watermark.isoformat()}, and this state"
        known = f"up to {watermark.isoformat()}" if watermark is not None else "none"
        raise OtherBooks(f"{text} knows {known}: it is older, or another one")
