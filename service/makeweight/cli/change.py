"""``makeweight change``: an offer is paused, resumed, ended, capped or given another gift, with a preview."""

import inspect
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Annotated, Any, NamedTuple

import typer
from rich.table import Table

from makeweight.adapters.documents import yaml
from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.adapters.documents.publishing import Published
from makeweight.bootstrap import tune_collector
from makeweight.bootstrap.changing import (
    Changes,
    owing_distributed,
    preview_distributed,
    preview_move_distributed,
    publish_distributed,
    redress_distributed,
)
from makeweight.cli.console import REFUSED, err, fail, instant, out, progress, say_json
from makeweight.cli.reach import Kafka, Reached, State, reaching
from makeweight.cli.stock import hand
from makeweight.domain.moments import Instant
from makeweight.planning.changing import Change, ChangeRefused, Correction
from makeweight.planning.differing import Difference, Figures, OrderChange
from makeweight.planning.moving import StockMove, check_said, left, served
from makeweight.planning.previewing import FIGURES, Preview, figures, newly_owed, reach, verdict

HELP = """Change an offer of a running service: published as its campaign's next revision, with who says so and why.

What it would come to is told first: the day's orders are judged once more as far as the change touches them. With
--preview that is all; nothing is published.

[bold]Examples[/bold]

  makeweight change pause ink-week/ink-sampler --why "bin counted: 12 left" --by M.Byrne --state shop-state

  makeweight change end ink-week/ink-sampler --at 2026-11-24T16:00:00Z --why recall --by M.Byrne --preview
"""
_TOLD = """

It counts for orders that are placed from --at on, or as soon as may be: no order loses what it was promised. With
--preview an instant that has passed may be asked too: what if this had been done then?

[bold]Example[/bold]

"""
PAUSE_HELP = f"""No order can have the offer until it is resumed.{_TOLD}
  makeweight change pause week/tin --why "ran short" --by M.Byrne
"""
RESUME_HELP = f"""Orders can have a paused offer again.{_TOLD}
  makeweight change resume week/tin --why "20 more came" --by M.Byrne
"""
END_HELP = f"""The offer ends at an instant, earlier than it said, or later.{_TOLD}
  makeweight change end week/tin --at 2026-11-24T16:00:00Z --why "sold out by then" --by M.Byrne
"""
CAP_HELP = f"""At most so many units in all, or to a customer; `none` takes the cap away.{_TOLD}
  makeweight change cap week/tin --total 450 --customer none --why "more came" --by M.Byrne
"""
SWAP_HELP = f"""Give another gift: one of the campaign's, or one whose facts a YAML file tells.{_TOLD}
  makeweight change swap week/tin MUG --facts mug.yaml --why "tins are dented" --by M.Byrne
"""
CORRECT_HELP = """Publish a page that is in the customer's favour, and name the orders that it would have given more.

A lower threshold, a higher cap, a wider scope, a later end: what was announced, and set up wrongly. The page takes
effect as any does; orders placed from --since until then are listed as newly owed, and `makeweight change redress`
gives it to them. What would take anything from an order is refused.

[bold]Example[/bold]

  makeweight change correct ink-week.yaml --since 2026-11-24T08:00:00Z --why "said 40, set 50" --by M.Byrne --json
"""

REDRESS_HELP = """Give orders what a correction owes them: have each judged by the campaign's latest revision.

Those that were placed from --since until it took effect, and would get more by it. Each is judged once; said again it
finds those that came late. A revision that takes anything from anybody redresses nobody.

[bold]Example[/bold]

  makeweight change redress ink-week --since 2026-11-24T08:00:00Z
"""

MOVE_HELP = """Free gift units go to another offer, another site, or both; who is owed there is served at once.

What would come of it now is told first. Units on their way to another site are counted when they arrive
(`makeweight stock arrived`).

[bold]Example[/bold]

  makeweight change move week/tin TIN main 20 --to-offer week/mug --why "mugs ran out" --by M.Byrne --preview
"""

change = typer.Typer(no_args_is_help=True, help=HELP, rich_markup_mode="rich")
Offer = Annotated[str, typer.Argument(help="The offer, as campaign/offer.")]
Why = Annotated[str, typer.Option(help="Why, for whoever reads it later.")]
By = Annotated[str, typer.Option(help="Who answers for it.")]
At = Annotated[str | None, typer.Option("--at", help="From when, with its zone; as soon as may be if left out.")]
Show = Annotated[
    bool | None,
    typer.Option("--preview/--no-preview", help="Tell only what it would come to; or publish without telling."),
]
Json = Annotated[bool, typer.Option("--json", help="The preview and what was done, as JSON on stdout.")]
Cap = Annotated[str | None, typer.Option(help="Units, or none.")]


class Told(NamedTuple):
    """Who says so, why, and from when."""

    by: str
    why: str
    at: Instant | None


def _make(asked: Change | Correction, *, only: bool | None, json: bool, state: Path | None, kafka: str | None) -> None:
    """Preview a change and publish it, or one of both."""
    with reaching(state, kafka) as reached:
        try:
            preview, published = _made(reached, asked, only=only)
        except ChangeRefused as error:
            raise fail(f"{error}; {reached.where}", REFUSED) from None
        except FileErrors as error:
            raise fail(str(error), REFUSED) from None
    if json:
        say_json(_as_json(preview, published))
    else:
        _show(preview, published)
    err.print(reached.where, style="dim", markup=False)


def _made(reached: Reached, asked: Change | Correction, *, only: bool | None) -> tuple[Preview, Published | None]:
    rehearse = only is not False
    if rehearse:
        tune_collector()
    if reached.on_kafka:
        with progress("entries read") as told:
            preview = preview_distributed(reached.settings, asked, progress=told, rehearse=rehearse)
        return preview, None if only else publish_distributed(reached.settings, preview)
    with closing(Changes(reached.settings)) as changes:
        preview = changes.preview(asked, rehearse=rehearse)
        return preview, None if only else changes.publish(preview)


def _as_json(preview: Preview, published: Published | None) -> dict[str, Any]:
    revision, difference = preview.revision, preview.difference
    return {
        "campaign": revision.campaign.campaign,
        "revision": revision.campaign.revision,
        "by": revision.campaign.published_by,
        "why": revision.campaign.why,
        "counts_from": revision.counts_from,
        "effective": published.effective_at if published else revision.effective,
        "published": published is not None,
        "refused": preview.refused,
        "newest_order": preview.newest,
        "offers": difference.offers if difference else None,
        "orders_differing": len({one.order for one in difference.orders}) if difference else None,
        "newly_owed": preview.owed,
    }


def _show(preview: Preview, published: Published | None) -> None:
    revision, difference = preview.revision, preview.difference
    name = f"{revision.campaign.campaign} revision {revision.campaign.revision}"
    if difference is not None:
        out.print(_table(difference))
        out.print(reach(preview, _z))
    _name_owed(preview.owed)
    if published is not None:
        out.print(f"{name}: published, in force from {published.effective_at}", markup=False)
    else:
        out.print(verdict(preview, _z), markup=False)


def _table(difference: Difference) -> Table:
    table = Table(box=None, header_style="bold", padding=(0, 2, 0, 0))
    for head in ("offer", *FIGURES):
        table.add_column(head, justify="left" if head == "offer" else "right")
    for one in difference.offers:
        table.add_row(one.offer, *_columns(one.before, one.after))
    return table


def _columns(before: Figures, after: Figures) -> list[str]:
    return [f"{was:,}" if was == now else f"{was:,} → {now:,}" for was, now in figures(before, after)]


def _z(at: Instant) -> str:
    return at.isoformat(timespec="seconds").replace("+00:00", "Z")


def _makes(kind: str, told: str) -> Callable[[Callable[..., Change]], Callable[..., None]]:
    """Make a command of a function that builds a change; the options that all share are added."""

    def command_of(build: Callable[..., Change]) -> Callable[..., None]:
        def made(
            why: Why, by: By, at: At = None, preview: Show = None, state: State = None, kafka: Kafka = None,
            json: Json = False, **given: object,
        ) -> None:  # fmt: skip
            said = Told(by, why, instant("--at", at) if at is not None else None)
            _make(build(said, **given), only=preview, json=json, state=state, kafka=kafka)

        own = list(inspect.signature(build).parameters.values())[1:]
        shared = [p for p in inspect.signature(made).parameters.values() if p.kind is not p.VAR_KEYWORD]
        every = [p.replace(kind=inspect.Parameter.KEYWORD_ONLY) for p in [*own, *shared]]
        made.__signature__ = inspect.Signature(every)  # type: ignore[attr-defined]
        made.__doc__ = build.__doc__
        return change.command(kind, help=told)(made)

    return command_of


@_makes("pause", PAUSE_HELP)
def pause(told: Told, offer: Offer) -> Change:
    """No order can have the offer until it is resumed."""
    return Change("pause", offer, told.by, told.why, told.at)


@_makes("resume", RESUME_HELP)
def resume(told: Told, offer: Offer) -> Change:
    """Orders can have a paused offer again."""
    return Change("resume", offer, told.by, told.why, told.at)


@_makes("end", END_HELP)
def end(told: Told, offer: Offer) -> Change:
    """The offer ends at an instant."""
    return Change("end", offer, told.by, told.why, told.at)


@_makes("cap", CAP_HELP)
def cap(told: Told, offer: Offer, total: Cap = None, customer: Cap = None) -> Change:
    """At most so many units."""
    given = (("total", "--total", total), ("per_customer", "--customer", customer))
    caps = {name: _units(option, text) for name, option, text in given if text is not None}
    return Change("cap", offer, told.by, told.why, told.at, caps)


def _units(option: str, text: str) -> int | None:
    if text == "none":
        return None
    if not (text.isascii() and text.isdigit()):
        raise fail(f"{option} {text!r}: expected a number of units, or none")
    return int(text)


@_makes("swap", SWAP_HELP)
def swap(
    told: Told,
    offer: Offer,
    gift: Annotated[str, typer.Argument(help="The gift to give instead.")],
    facts: Annotated[Path | None, typer.Option(help="YAML with the members of a gift that is new.")] = None,
) -> Change:
    """Give another gift."""
    found = None
    if facts is not None:
        found = _page(facts)
        found = {"gift": gift, **found}
        if found["gift"] != gift:
            raise fail(f"{facts}: these are the facts of {found['gift']!r}, not of {gift!r}")
    return Change("swap", offer, told.by, told.why, told.at, gift=gift, facts=found)


@change.command(help=CORRECT_HELP)
def correct(
    page: Annotated[Path, typer.Argument(help="The campaign's page as it should have been.")],
    since: Annotated[str, typer.Option(help="From when it should have counted, with its zone.")],
    why: Why,
    by: By,
    preview: Show = None,
    state: State = None,
    kafka: Kafka = None,
    json: Json = False,
) -> None:
    """Publish a page that is in the customer's favour."""
    asked = Correction(_page(page), instant("--since", since), by, why)
    _make(asked, only=preview, json=json, state=state, kafka=kafka)


@change.command(help=REDRESS_HELP)
def redress(
    campaign: Annotated[str, typer.Argument(help="The campaign's id.")],
    since: Annotated[str, typer.Option(help="From when its latest revision should have counted, with its zone.")],
    preview: Annotated[bool, typer.Option("--preview", help="Name the orders, and do nothing.")] = False,
    state: State = None,
    kafka: Kafka = None,
    json: Json = False,
) -> None:
    """Give orders what a correction owes them."""
    at = instant("--since", since)
    with reaching(state, kafka) as reached:
        try:
            if reached.on_kafka:
                with progress("entries read") as told:
                    owing = owing_distributed(reached.settings, campaign, at, progress=told)
                count = 0 if preview else redress_distributed(reached.settings, owing)
            else:
                with closing(Changes(reached.settings)) as changes:
                    owing = changes.owing(campaign, at)
                    count = 0 if preview else changes.redress(owing)
        except ChangeRefused as error:
            raise fail(f"{error}; {reached.where}", REFUSED) from None
    name = f"{campaign} revision {owing.campaign.revision}"
    if json:
        say_json({"revision": owing.campaign.revision, "since": at, "owed": owing.owed, "handed_to_the_desk": count})
        return
    _name_owed(owing.owed)
    done = f"{count} orders handed to the desk, to be judged by it" if not preview else "nothing is done"
    out.print(f"{name}: {done}", markup=False)
    err.print(reached.where, style="dim", markup=False)


@change.command(help=MOVE_HELP)
def move(
    offer: Offer,
    gift: Annotated[str, typer.Argument(help="The gift.")],
    site: Annotated[str, typer.Argument(help="The site.")],
    units: Annotated[int, typer.Argument(min=1, help="How many.")],
    why: Why,
    by: By,
    to_offer: Annotated[str | None, typer.Option(help="The other offer; the same if left out.")] = None,
    to_site: Annotated[str | None, typer.Option(help="The other site; the same if left out.")] = None,
    preview: Annotated[bool, typer.Option("--preview", help="Tell what would come of it, and do nothing.")] = False,
    state: State = None,
    kafka: Kafka = None,
) -> None:
    """Free units go to another offer or site."""
    asked = StockMove(offer, gift, site, units, to_offer or offer, to_site or site, by, why)
    try:
        check_said(asked)  # before the day is read
    except ChangeRefused as error:
        raise fail(str(error)) from None
    tune_collector()
    with reaching(state, kafka) as reached:
        try:
            if reached.on_kafka:
                with progress("entries read") as told:
                    found = preview_move_distributed(reached.settings, asked, progress=told)
            else:
                with closing(Changes(reached.settings)) as changes:
                    found = changes.preview_move(asked)
        except ChangeRefused as error:
            raise fail(f"{error}; {reached.where}", REFUSED) from None
    out.print(_table(found.difference))
    for line in (*left(found), *served(found)):
        out.print(line, markup=False)
    if preview:
        out.print("nothing is done", markup=False)
    else:
        hand(found.transfer, state, kafka)


def _name_owed(owed: list[OrderChange]) -> None:
    told = newly_owed(owed)
    for line in told:
        out.print(line, markup=False)
    if len(owed) > len(told):
        out.print(f"and {len(owed) - len(told)} more; --json names them all")


def _page(path: Path) -> dict[str, Any]:
    try:
        document, _ = yaml.load(path)
    except FileError as error:
        raise fail(str(error)) from None
    if not isinstance(document, dict):
        raise fail(f"{path}: expected members and their values, one a line")
    return document
