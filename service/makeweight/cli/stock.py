"""``makeweight stock``: what people say of gift stock, handed to the ledger."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from makeweight import bootstrap
from makeweight.adapters.kafka.administration import KafkaProblem
from makeweight.adapters.local.database import DatabaseError
from makeweight.bootstrap import kafka as distributed
from makeweight.cli.console import UNAVAILABLE, err, fail, out, read_settings
from makeweight.contracts.problems import WireError
from makeweight.domain.claims import Arrival, Count, Damage, StockCommand, TakenDown, Transfer
from makeweight.domain.moments import Instant

HELP = """Say what became of gift stock: counted, damaged, sent elsewhere, arrived; or that an announcement is gone.

[bold]Examples[/bold]

  makeweight stock count week/tin TIN main 52 --state shop-state

  makeweight stock transfer week/tin TIN main 20 --to-site south --id van-7 --kafka broker:9092
"""
_HANDED = """

It is handed to the ledger, whether the service is running or not. With an --id and --at of yours it may be said again,
and counts once; what the ledger refuses is put aside with its reason, as any input is.

[bold]Example[/bold]

"""
COUNT_HELP = f"""What lies there by hand, the units on the floor among them.{_HANDED}
  makeweight stock count week/tin TIN main 52
"""
DAMAGE_HELP = f"""Units that can't be given any more.{_HANDED}
  makeweight stock damage week/tin TIN main 4
"""
TRANSFER_HELP = f"""Free units go to another offer, another site, or both.{_HANDED}
  makeweight stock transfer week/tin TIN main 20 --to-site south --id van-7
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
State = Annotated[Path | None, typer.Option(help="Directory of the service's database.")]
Kafka = Annotated[str | None, typer.Option("--kafka", help="Brokers of the distributed service.")]


def _moment(at: str | None) -> Instant:
    if at is None:
        return bootstrap.wall_clock()
    try:
        read = datetime.fromisoformat(at)
    except ValueError:
        raise fail(f"--at {at!r}: expected a date and time, such as 2026-11-24T14:20:00Z") from None
    if read.tzinfo is None:
        raise fail(f"--at {at!r} has no zone; add Z or an offset")
    return read


def _name(given: str | None, kind: str, at: Instant) -> str:
    return given or f"{kind}-{at:%Y%m%dT%H%M%S.%f%z}"


def _hand(command: StockCommand, state: Path | None, kafka: str | None) -> None:
    settings = read_settings(state=state, kafka=kafka)
    try:
        if settings.kafka and state is None:
            distributed.hand_to_ledger(settings, command, bootstrap.wall_clock)
        else:
            bootstrap.hand_to_ledger(settings, command)
    except WireError as error:
        raise fail(str(error)) from None
    except (DatabaseError, KafkaProblem) as error:
        raise fail(str(error), UNAVAILABLE) from None
    out.print(f"{command.kind} {command.id} of {command.offer}: handed to the ledger", markup=False)
    where = f"state: {settings.state}" if state is not None or not settings.kafka else f"kafka: {settings.kafka}"
    err.print(where, style="dim", markup=False)


@stock.command(help=COUNT_HELP)
def count(
    offer: Offer,
    gift: Gift,
    site: Site,
    units: Units,
    name: Name = None,
    at: At = None,
    state: State = None,
    kafka: Kafka = None,
) -> None:
    """What lies there by hand."""
    when = _moment(at)
    _hand(Count(_name(name, "count", when), offer, gift, site, units, when), state, kafka)


@stock.command(help=DAMAGE_HELP)
def damage(
    offer: Offer,
    gift: Gift,
    site: Site,
    units: Units,
    name: Name = None,
    at: At = None,
    state: State = None,
    kafka: Kafka = None,
) -> None:
    """Units that can't be given any more."""
    when = _moment(at)
    _hand(Damage(_name(name, "damage", when), offer, gift, site, units, when), state, kafka)


@stock.command(help=TRANSFER_HELP)
def transfer(
    offer: Offer,
    gift: Gift,
    site: Site,
    units: Units,
    to_offer: Annotated[str | None, typer.Option(help="The other offer; the same if left out.")] = None,
    to_site: Annotated[str | None, typer.Option(help="The other site; the same if left out.")] = None,
    name: Name = None,
    at: At = None,
    state: State = None,
    kafka: Kafka = None,
) -> None:
    """Free units go elsewhere."""
    when = _moment(at)
    sent = Transfer(_name(name, "transfer", when), offer, gift, site, units, to_offer or offer, to_site or site, when)
    _hand(sent, state, kafka)


@stock.command(help=ARRIVED_HELP)
def arrived(
    offer: Offer,
    sent: Annotated[str, typer.Argument(help="The transfer's id.")],
    units: Units,
    name: Name = None,
    at: At = None,
    state: State = None,
    kafka: Kafka = None,
) -> None:
    """What was on its way is there."""
    when = _moment(at)
    _hand(Arrival(_name(name, "arrival", when), offer, sent, units, when), state, kafka)


@stock.command("taken-down", help=TAKEN_DOWN_HELP)
def taken_down(offer: Offer, name: Name = None, at: At = None, state: State = None, kafka: Kafka = None) -> None:
    """The announcement is gone."""
    when = _moment(at)
    _hand(TakenDown(_name(name, "taken-down", when), offer, when), state, kafka)
