"""What a page says of a change or a move: its preview, the command that does it, and the revisions that there are."""

import shlex
from collections.abc import Iterable, Sequence
from functools import partial
from html import escape
from typing import NamedTuple

from makeweight.adapters.board import cards, words
from makeweight.adapters.board.asking import localised, moment
from makeweight.domain.campaigns import SINCE_EVER, Campaign, Offer
from makeweight.planning.changing import Change
from makeweight.planning.differing import OfferChange
from makeweight.planning.moving import MovePreview, StockMove, left, served
from makeweight.planning.previewing import FIGURES, MAX_TOLD, Preview, figures, newly_owed, reach, verdict

_MADE = {
    "pause": "paused from {at}",
    "resume": "open again from {at}",
    "end": "ends at {at}",
    "cap": "other caps from {at}",
    "swap": "gives {gift} from {at}",
}


class Shown(NamedTuple):
    """A preview on the page: its heading and HTML, whether it may be done, the words for doing it, the command."""

    title: str
    html: str
    may: bool
    does: str
    sure: str
    never: str
    yes: str
    command: str


def of_change(change: Change, preview: Preview, offer: Offer, reached: Sequence[str]) -> Shown:
    """The preview of a change."""
    name = f"{preview.revision.campaign.campaign} revision {preview.revision.campaign.revision}"
    heading = title(change, preview)
    return Shown(
        heading,
        told(offer, preview),
        preview.refused is None,
        "Publish",
        f"Publish {name}? {heading}. {change.by}: {change.why}",
        "It is never taken back, only followed by another.",
        "Yes, publish it",
        command(change, reached),
    )


def of_move(move: StockMove, preview: MovePreview, reached: Sequence[str]) -> Shown:
    """The preview of a move of stock."""
    heading = moved(move)
    return Shown(
        heading,
        told_of_move(preview),
        True,
        "Move",
        f"Move {heading}? {move.by}: {move.why}",
        "It is not taken back, only followed by another move.",
        "Yes, move them",
        command_of_move(move, reached),
    )


def title(change: Change, preview: Preview) -> str:
    """What would become of which offer, and from when."""
    zone = preview.revision.campaign.zone
    made = _MADE[change.kind].format(at=moment(preview.revision.counts_from, zone), gift=change.gift)
    return f"{words.name(change.offer)}: {made}"


def told(offer: Offer, preview: Preview) -> str:
    """The table and the sentences of a preview."""
    parts, at = list[str](), partial(moment, zone=offer.zone)
    if preview.difference is not None:
        columns = {"Offer": False} | {name.capitalize(): True for name in FIGURES}
        parts.append(cards.table("Without the change, and with it", columns, map(_row, preview.difference.offers)))
        parts.append(f"<p>{escape(reach(preview, at))}</p>")
    owed = newly_owed(preview.owed)
    if owed:
        more = len(preview.owed) - len(owed)
        lines = [*owed, f"and {words.number(more)} more"] if more else owed
        parts.append(f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>")
    kind = "verdict refused" if preview.refused is not None else "verdict"
    parts.append(f'<p class="{kind}">{escape(localised(verdict(preview, at), offer))}.</p>')
    return "".join(parts)


def moved(move: StockMove) -> str:
    """How many of what go from where to where."""
    what, source, target = (
        f"{words.number(move.units)} of {move.gift}",
        words.name(move.offer),
        words.name(move.to_offer),
    )
    if move.to_offer == move.offer:
        return f"{what} for {source}, from {move.site} to {move.to_site}"
    if move.to_site == move.site:
        return f"{what} at {move.site}, from {source} to {target}"
    return f"{what}, from {source} at {move.site} to {target} at {move.to_site}"


def told_of_move(preview: MovePreview) -> str:
    """The table and the sentences of a preview of a move."""
    columns = {"Offer": False} | {name.capitalize(): True for name in FIGURES}
    table = cards.table("Without the move, and with it", columns, map(_row, preview.difference.offers))
    orders, lines = served(preview, words.name), left(preview, words.name)
    lines += orders[:MAX_TOLD]
    if len(orders) > MAX_TOLD:
        lines.append(f"and {words.number(len(orders) - MAX_TOLD)} more")
    elif not orders:
        lines.append("no order would be served by it now")
    items = "".join(f"<li>{escape(line[:1].upper() + line[1:])}</li>" for line in lines)
    return f'{table}<ul>{items}</ul><p class="verdict">Nothing is done yet.</p>'


def _row(one: OfferChange) -> str:
    cells = "".join(
        f'<td role="cell" class="number" data-label="{name}">{_pair(*pair)}</td>'
        for name, pair in zip(FIGURES, figures(one.before, one.after), strict=True)
    )
    return f'<tr role="row"><th role="rowheader" scope="row">{escape(words.name(one.offer))}</th>{cells}</tr>'


def _pair(was: int, now: int) -> str:
    if was == now:
        return words.number(was)
    arrow = '<span aria-hidden="true"> → </span><span class="unseen"> becomes </span>'
    return f"<span>{words.number(was)}{arrow}<strong>{words.number(now)}</strong></span>"


def command(change: Change, reached: Sequence[str]) -> str:
    """The command that publishes a change, ready for a shell."""
    parts = ["makeweight", "change", change.kind, change.offer]
    if change.kind == "swap":
        parts.append(change.gift)
    options = {"total": "--total", "per_customer": "--customer"}
    for name, units in change.caps.items():
        parts += [options[name], "none" if units is None else str(units)]
    if change.at is not None:
        parts += ["--at", change.at.isoformat().replace("+00:00", "Z")]
    return shlex.join([*parts, "--why", change.why, "--by", change.by, *reached])


def command_of_move(move: StockMove, reached: Sequence[str]) -> str:
    """The command that carries out a move, ready for a shell."""
    parts = ["makeweight", "change", "move", move.offer, move.gift, move.site, str(move.units)]
    if move.to_offer != move.offer:
        parts += ["--to-offer", move.to_offer]
    if move.to_site != move.site:
        parts += ["--to-site", move.to_site]
    return shlex.join([*parts, "--why", move.why, "--by", move.by, *reached])


def arrival(move: StockMove, name: str, reached: Sequence[str]) -> str:
    """The command that says that what was sent to another site is there, ready for a shell."""
    return shlex.join(["makeweight", "stock", "arrived", move.to_offer, name, str(move.units), *reached])


def done(said: str, line: str = "") -> str:
    """What has been done, and the command by which what follows is said, if any."""
    follows = f'<p>Once they are there:</p><code class="command">{escape(line)}</code>' if line else ""
    return f'<div id="done" class="done" role="status" tabindex="-1"><p>{escape(said)}</p>{follows}</div>'


def put_aside(said: str) -> str:
    """That what was to be done was put aside."""
    return f'<div id="done" class="trouble" role="alert" tabindex="-1"><p>{escape(said)}</p></div>'


def revisions(campaigns: Iterable[Campaign]) -> str:
    """The latest revision of each campaign, who published it, why, and from when it counts."""
    columns = {"Campaign": False, "Revision": True, "In force from": False, "By": False, "Why": False}
    rows = [_revision(one) for one in campaigns]
    return cards.table("Latest revisions", columns, rows, "desk") if rows else "<p>No campaign is published.</p>"


def _revision(one: Campaign) -> str:
    since = "" if one.effective_at == SINCE_EVER else moment(one.effective_at, one.zone)
    return (
        f'<tr role="row"><th role="rowheader" scope="row">{escape(one.title)}</th>'
        f'<td role="cell" class="number" data-label="revision">{one.revision}</td>'
        f'<td role="cell" data-label="in force from">{escape(since)}</td>'
        f'<td role="cell" data-label="by">{escape(one.published_by)}</td>'
        f'<td role="cell" class="why" data-label="why">{escape(one.why)}</td></tr>'
    )
