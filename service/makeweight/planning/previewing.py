"""What a change would come to before anything is published, told alike on the command line and on a page."""

from collections.abc import Callable, Sequence
from dataclasses import field

from makeweight.domain.moments import Instant
from makeweight.domain.values import value
from makeweight.planning.changing import Document, Revision
from makeweight.planning.differing import Difference, Figures, OrderChange

Reviser = Callable[[Document, Instant], Revision]  # of the latest document, at an instant
MAX_TOLD = 20  # newly owed orders told one by one
FIGURES = ("orders", "units", "owed units", "declined", "left")


@value
class Preview:
    """What a change would come to, before anything is published.

    ``newest`` is when the latest order that is known was placed. Where that lies before ``revision.counts_from``, the
    change reaches no order that is known: figures are those so far, and nothing is guessed of what is to come.
    ``owed`` are orders that are newly owed by a change in the customer's favour that counts from an instant that has
    passed; others keep what they have, even where these had come first. ``refused`` says why the change can't be
    published as it is. ``again`` makes the revision once more when it is published. Without a rehearsal there is no
    ``difference``.
    """

    revision: Revision
    again: Reviser
    difference: Difference | None = None
    newest: Instant | None = None
    owed: list[OrderChange] = field(default_factory=list)
    refused: str | None = None


def figures(before: Figures, after: Figures) -> list[tuple[int, int]]:
    """What an offer came to without the change and with it, in the order of ``FIGURES``."""
    return [
        (before.granted_orders, after.granted_orders),
        (before.granted_units, after.granted_units),
        (before.owed_units, after.owed_units),
        (before.declined_orders, after.declined_orders),
        (sum(before.free_units.values()), sum(after.free_units.values())),
    ]


def reach(preview: Preview, at: Callable[[Instant], str]) -> str:
    """How far the orders that are known tell anything, in a sentence; ``at`` words an instant."""
    assert preview.difference is not None
    since, newest = preview.revision.counts_from, preview.newest
    if newest is None or newest < since:
        known = f"the newest was placed {at(newest)}" if newest else "none is known"
        return f"No order is known that was placed at {at(since)} or later: {known}."
    orders = len({one.order for one in preview.difference.orders})
    return f"Counted from {at(since)}: {orders} of the orders so far stand otherwise."


def newly_owed(owed: Sequence[OrderChange]) -> list[str]:
    """The first orders that are newly owed, a line each."""
    told = []
    for one in owed[:MAX_TOLD]:
        units = one.after.units + one.after.owed if one.after else 0
        told.append(f"newly owed: {one.order} {units} of {one.offer}")
    return told


def verdict(preview: Preview, at: Callable[[Instant], str]) -> str:
    """Whether it may be published, and from when it would be in force, in a sentence without its stop."""
    revision = preview.revision
    name = f"{revision.campaign.campaign} revision {revision.campaign.revision}"
    if preview.refused is not None:
        return f"{name} could not be published: {preview.refused}"
    return f"{name} would be in force from {at(revision.effective)}; nothing is published"
