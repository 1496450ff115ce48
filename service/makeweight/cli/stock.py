"""``makeweight stock``: what people say of gift stock, handed to the ledger."""

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, NamedTuple

import typer

from makeweight import bootstrap
from makeweight.bootstrap import kafka as distributed
from makeweight.cli.console import err, fail, instant, out
from makeweight.cli.reach import Kafka, State, reaching
from makeweight.contracts.problems import WireError
from makeweight.domain.claims import Arrival, Count, Damage, StockCommand, TakenDown, Transfer
from makeweight.domain.moments import Instant
from makeweight.planning.changing import ChangeRefused
from makeweight.planning.moving import check_named, named

HELP = """Say what became of gift stock: counted, damaged, sent elsewhere, arrived; or that an announcement is gone.

[bold]Examples[/bold]

  makeweight stock count week/tin TIN main 52 --state shop-state

  makeweight stock transfer week/tin TIN main 20 --to-site south --by M.Byrne --why "south runs short"
"""
_HANDED = """

It is handed to the ledger, whether the service is running or not. With an --id and --at of yours it may be said again,
and counts once; what the ledger refuses is put aside with its reason, as any input is: see `makeweight rejects`.

[bold]Example[/bold]

"""
COUNT_HELP = f"""What lies there by hand, the units on the floor among them.{_HANDED}
  makeweight stock count week/tin TIN main 52
"""
DAMAGE_HELP = f"""Units that can't be given any more.{_HANDED}
  makeweight stock damage week/tin TIN main 4
"""
TRANSFER_HELP = f"""Free units go to another offer, another site, or both.{_HANDED}
  makeweight stock transfer week/tin TIN main 20 --to-site south --id van-7 --by M.Byrne --why "south runs short"
"""
ARRIVED_HELP = f"""Of a transfer to another site, so many units are there; no more of it will come.{_HANDED}
  makeweight stock arrived week/tin van-7 20
"""
TAKEN_DOWN_HELP = f"""The announcement of an offer is gone from wherever it was shown.{_HANDED}
  makeweight stock taken-down week/tin --at 2026-11-24T14:20:00Z
"""

stock = typer.Typer(no_args_is_help=True, help=HELP, rich_markup_mode="rich")
Offer = Annotated[str, typer.Argument(help="The offer, as campaign/offer.")]
Gift = Annotated[str, typer.Argument(help="The gift.")]
Site = Annotated[str, typer.Argument(help="The site.")]
Units = Annotated[int, typer.Argument(help="How many.")]
Name = Annotated[str | None, typer.Option("--id", help="A name of yours; made of the instant if left out.")]
At = Annotated[str | None, typer.Option("--at", help="When, with its zone; now if left out.")]


Why = Annotated[str, typer.Option(help="Why, for whoever reads it later.")]
By = Annotated[str, typer.Option(help="Who answers for it.")]


class Stamp(NamedTuple):
    """By which id something is said, when it was so, who says it, and why."""

    id: str
    at: Instant
    by: str
    why: str


def stamped(kind: str, name: str | None, at: str | None, by: str, why: str) -> Stamp:
    """What is said of stock, by an id of its own unless one is given, and now unless it is said when."""
    when = bootstrap.wall_clock() if at is None else instant("--at", at)
    return Stamp(name or named(kind, when), when, by, why)


def hand(command: StockCommand, state: Path | None, kafka: str | None) -> None:
    """Hand what is said to the ledger of the service that is meant, and say so."""
    try:
        with reaching(state, kafka) as reached:
            check_named(command, (distributed if reached.on_kafka else bootstrap).book_of(reached.settings))
            if reached.on_kafka:
                distributed.hand_to_ledger(reached.settings, command, bootstrap.wall_clock)
            else:
                bootstrap.hand_to_ledger(reached.settings, command)
    except (ChangeRefused, WireError) as error:
        raise fail(str(error)) from None
    out.print(f"{command.kind} {command.id} of {command.offer}: handed to the ledger", markup=False)
    text = f"if the ledger puts it aside, `makeweight rejects --key {command.offer}` says why"
    err.print(f"{text}; {reached.where}", style="dim", markup=False)


def _says(kind: str, told: str) -> Callable[[Callable[..., StockCommand]], Callable[..., None]]:
    """Make a command of a function that builds what is said from its stamp; the options that all share are added."""

    def command_of(build: Callable[..., StockCommand]) -> Callable[..., None]:
        def said(
            name: Name = None, at: At = None, by: By = "", why: Why = "",
            state: State = None, kafka: Kafka = None, **given: object,
        ) -> None:  # fmt: skip
            hand(build(stamped(kind, name, at, by, why), **given), state, kafka)

        own = list(inspect.signature(build).parameters.values())[1:]
        shared = [p for p in inspect.signature(said).parameters.values() if p.kind is not p.VAR_KEYWORD]
        # The command line is read off the signature: what is the build's own stands first, its arguments in order.
        said.__signature__ = inspect.Signature([*own, *shared])  # type: ignore[attr-defined]
        said.__doc__ = build.__doc__
        return stock.command(kind, help=told)(said)

    return command_of


@_says("count", COUNT_HELP)
def count(stamp: Stamp, offer: Offer, gift: Gift, site: Site, units: Units) -> Count:
    """What lies there by hand."""
    return Count(stamp.id, offer, gift, site, units, *stamp[1:])


@_says("damage", DAMAGE_HELP)
def damage(stamp: Stamp, offer: Offer, gift: Gift, site: Site, units: Units) -> Damage:
    """Units that can't be given any more."""
    return Damage(stamp.id, offer, gift, site, units, *stamp[1:])


@_says("transfer", TRANSFER_HELP)
def transfer(
    stamp: Stamp,
    offer: Offer,
    gift: Gift,
    site: Site,
    units: Units,
    to_offer: Annotated[str | None, typer.Option(help="The other offer; the same if left out.")] = None,
    to_site: Annotated[str | None, typer.Option(help="The other site; the same if left out.")] = None,
) -> Transfer:
    """Free units go elsewhere."""
    if not (stamp.by and stamp.why):
        raise fail("a transfer says who answers for it and why: add --by NAME --why TEXT")
    return Transfer(stamp.id, offer, gift, site, units, to_offer or offer, to_site or site, *stamp[1:])


@_says("arrived", ARRIVED_HELP)
def arrived(
    stamp: Stamp, offer: Offer, sent: Annotated[str, typer.Argument(help="The transfer's id.")], units: Units
) -> Arrival:
    """What was on its way is there."""
    return Arrival(stamp.id, offer, sent, units, *stamp[1:])


@_says("taken-down", TAKEN_DOWN_HELP)
def taken_down(stamp: Stamp, offer: Offer) -> TakenDown:
    """The announcement is gone."""
    return TakenDown(stamp.id, offer, *stamp[1:])
