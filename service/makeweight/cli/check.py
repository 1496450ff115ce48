"""``makeweight check``: a draft campaign, before it is published."""

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any

import typer

from makeweight import bootstrap
from makeweight.adapters.documents.files import FileErrors
from makeweight.bootstrap import kafka as distributed
from makeweight.cli.console import REFUSED, err, fail, out, say_json
from makeweight.cli.reach import Kafka, State, reaching
from makeweight.domain.campaigns import Campaign, Offer
from makeweight.domain.orders import Order
from makeweight.domain.reasons import Reason, amount, measured
from makeweight.planning.checking import Check, Checked
from makeweight.planning.trials import SOME_ITEM, Edge, Together

HELP = """Check drafts: each offer in plain words and at its edges, what the same goods earn, and what is wrong.

Nothing is written. With --state or --kafka they are held against what is published there too; with --stock against the
stock that they will have. Exit code 1 if something of them would give nothing.

[bold]Examples[/bold]

  makeweight check ink-week.yaml winter.yaml --stock stock.csv

  makeweight check ink-week.yaml --state shop-state --json
"""


def check(
    campaigns: Annotated[list[Path], typer.Argument(help="Campaign files.")],
    stock: Annotated[Path | None, typer.Option(help="The stock file that will be published with them.")] = None,
    state: State = None,
    kafka: Kafka = None,
    json: Annotated[bool, typer.Option("--json", help="All of it as JSON on stdout.")] = False,
) -> None:
    """Check draft campaigns."""
    published: Iterable[Campaign] = ()
    if state is not None or kafka is not None:
        with reaching(state, kafka) as reached:
            home = distributed if reached.on_kafka else bootstrap
            published = home.book_of(reached.settings)
    try:
        found = bootstrap.check_files(campaigns, stock, published)
    except FileErrors as error:
        raise fail(str(error)) from None
    if json:
        say_json(_as_json(found))
    else:
        _show(found)
        if stock is None:
            err.print("stock is not looked at; name the file with --stock", style="dim")
    if found.wrong:
        raise typer.Exit(REFUSED)


def _show(found: Check) -> None:
    for one in found.offers:
        out.print(one.offer.key, style="bold", markup=False)
        out.print(f"  says: {one.offer.says}", markup=False, emoji=False)
        for sentence in one.words:
            out.print(f"  {sentence}", markup=False)
        if one.edges:
            told = "; ".join(_edge(one.offer, edge) for edge in one.edges)
            out.print(f"  An order with {told}.", markup=False)
        out.print()
    benefits = {one.offer.key for one in found.offers if one.offer.kind == "benefit"}
    # That a gift's order has its carriage free too is no news; that it has not would be.
    pairs = [pair for pair in found.together if pair.misses or not benefits.intersection(pair.offers)]
    if pairs:
        out.print("Earned by the same goods", style="bold")
        for pair in pairs:
            out.print(f"  {_beside(pair)}", markup=False)
        out.print()
    if found.untried:
        out.print(f"{found.untried:,} more pairs of offers are not looked at; check fewer at once", style="yellow")
    for finding in found.findings:
        style = "red" if finding.weight == "wrong" else "yellow"
        out.print(f"{finding.weight}: {finding.about}: {finding.sentence}", style=style, markup=False)
    looks = len(found.findings) - found.wrong
    out.print(f"{found.wrong} wrong, {looks} to look at" if found.findings else "nothing was found against it")


def _edge(offer: Offer, edge: Edge) -> str:
    worth = measured(edge.worth, "total" if offer.by == "any" else offer.by, offer.currency)
    if not edge.earns:
        return f"{worth} earns nothing{', a near miss' if edge.near else ''}"
    return f"{worth} earns {'it' if offer.benefit else edge.earns}"


def _beside(pair: Together) -> str:
    """What an order whose goods earn two offers gets of them."""
    missed = []
    for key, reason in pair.misses.items():
        why = {Reason.OUTRANKED: "comes first", Reason.VALUE_USED: "used up its value"}.get(reason)
        named = f"{pair.winners[key]} {why}" if why and key in pair.winners else reason.replace("_", " ")
        missed.append(f"not {key} ({named})")
    gets = ", ".join([*pair.gets, *missed]) if missed else "both"
    return f"{' and '.join(pair.offers)}: an order with {_goods(pair.order)} gets {gets}"


def _goods(order: Order) -> str:
    (line,) = order.lines
    of = [line.brand] if line.brand else []
    of += line.categories if line.sku == SOME_ITEM else [line.sku]
    units = f"{line.units} x " if line.units > 1 else ""
    return f"{units}{', '.join(of) or 'any goods'} for {amount(line.total_charged, order.currency)}"


def _as_json(found: Check) -> dict[str, Any]:
    return {
        "offers": [_offer(one) for one in found.offers],
        "together": [
            {"offers": list(pair.offers), "such_as": _goods(pair.order), "gets": pair.gets, "misses": pair.misses,
             "winners": pair.winners}
            for pair in found.together
        ],
        "findings": [vars(one) for one in found.findings],
    }  # fmt: skip


def _offer(one: Checked) -> dict[str, Any]:
    edges = [{"worth": edge.worth, "earns": edge.earns, "near_miss": edge.near} for edge in one.edges]
    return {"offer": one.offer.key, "says": one.offer.says, "words": one.words, "edges": edges}
