"""The warehouse's papers, worked out from the documents alone: what a fact about a ticket says of each gift on it.

A ticket that the warehouse has spoken of is frozen: it carries what was reserved at its site then, and nothing more.

Where the documents leave something open, the reading taken here is marked with 'Reading:' where it is made.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

from tests.support.reference_campaigns import Json
from tests.support.reference_judging import Judged
from tests.support.reference_ledger import Claim, Ledger


@dataclass
class Sheet:
    """Units of one gift on a paper, and how many of them are in the box."""

    left: int
    packed: int = 0


@dataclass
class Paper:
    """What is on a frozen ticket, by offer and by the number of a line."""

    site: str
    gifts: dict[str, Sheet] = field(default_factory=dict)
    lines: dict[int, int] = field(default_factory=dict)


class Floor:
    """The papers of one order."""

    def __init__(self) -> None:
        self.papers: dict[str, Paper] = {}

    def freeze(
        self, ticket: str, site: str, event: Json, claims: Mapping[str, Claim], judged: Mapping[str, Judged]
    ) -> Paper:
        """The paper of a ticket, as it is when the warehouse first speaks of it."""
        paper = self.papers.get(ticket)
        if paper is not None:
            return paper
        absent = {line["number"] for line in self._open_lines(event) if line.get("back_ordered")}
        paper = Paper(site)
        for offer, claim in claims.items():
            here = claim.position is not None and claim.position[2] == site
            if here and claim.reserved and not (offer in judged and self._waits(judged[offer], event, absent)):
                paper.gifts[offer] = Sheet(claim.reserved)
        for line in self._open_lines(event):
            if line.get("site", "main") == site and line["number"] not in absent:
                paper.lines[line["number"]] = _live(line) - self._on_paper(line["number"])
        self.papers[ticket] = paper
        return paper

    def _on_paper(self, number: int) -> int:
        return sum(paper.lines.get(number, 0) for paper in self.papers.values())

    def _open_lines(self, event: Json) -> list[Json]:
        if event["status"] == "cancelled":
            return []
        return [line for line in event["lines"] if _live(line) > self._on_paper(line["number"])]

    @staticmethod
    def _waits(one: Judged, event: Json, absent: Collection[int]) -> bool:
        """Rule 2.21. Reading: it waits where goods that earned it are to come and none of them is there or gone."""
        earning = set(one.verdict.earning)
        here = {line["number"] for line in event["lines"] if _live(line)} - set(absent)
        is_to_wait = one.offer.gives.get("back_orders", "wait") == "wait"
        return is_to_wait and bool(earning & set(absent)) and not earning & here


def _live(line: Json) -> int:
    return int(line["units"]) - int(line.get("cancelled_units", 0))


def happened(
    ledger: Ledger,
    claims: Mapping[str, Claim],
    paper: Paper,
    what: str,
    named: Mapping[str, int] | None,
    spoilt: Iterable[str],
) -> None:
    """A fact about all that is on a paper, or about the named units of it; spoilt gifts are not saleable.

    Reading: what comes back had gone out, and what leaves a paper was on the floor, whether anybody said so or not.
    """
    for offer, sheet in paper.gifts.items():
        claim, units = claims[offer], sheet.left if named is None else named.get(offer, 0)
        unpacked = sheet.left - sheet.packed
        match what:
            case "released":
                continue
            case "packed" | "dispatched":
                # Reading: a dispatch says how many are out in all, so of those only what nobody packed is news.
                units = min(units - (sheet.packed if named and what == "dispatched" else 0), unpacked)
                units = max(0, units)
                sheet.packed += units
                _tell(ledger, claim, "packed", units, paper.site)
                continue
            case "short_picked":
                units = min(units, unpacked)
                _tell(ledger, claim, what, units, paper.site)
            case "put_back":
                units = min(units, sheet.left)
                # Reading: what is not in the box goes back first.
                _tell(ledger, claim, what, units, paper.site, max(0, units - unpacked))
            case "gift_returned":
                units = min(units, sheet.left)
                fresh = max(0, units - sheet.packed)
                _tell(ledger, claim, "packed", fresh, paper.site)
                sheet.packed += fresh - units
                _tell(ledger, claim, "scrapped" if offer in spoilt else "returned", units, paper.site)
        sheet.left -= units
        sheet.packed = min(sheet.packed, sheet.left)
    if what == "put_back" and named is None:
        paper.lines.clear()


def _tell(ledger: Ledger, claim: Claim, what: str, units: int, site: str, boxed: int = 0) -> None:
    if units > 0:
        ledger.fact(claim, what, units, site, boxed)
