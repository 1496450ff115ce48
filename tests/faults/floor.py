"""The shop and the warehouse under attack: orders, what the floor does with their tickets, and what becomes of stock.

Everything of it is said in good order; that it reaches the service in another is what the faults are for. Nobody here
knows what the service made of it, so some of what is said is about tickets that there are not, or units that aren't
free: that is put aside.
"""

import json
from datetime import timedelta

from makeweight.contracts.codec import dumps
from makeweight.contracts.events import FULFILMENT_TYPE, ORDER_TYPE
from makeweight.domain.claims import Arrival, Count, Damage, Receipt, TakenDown, Transfer
from tests.support import week

COMMAND = "ledger-command"  # beside the types of events: what people say of stock
SITES = ("main", "S")
CAMPAIGN = week.CAMPAIGN.replace("when_out: owed", "when_out: owed\n    clawback: deduct")
GIFTS = (
    ("week/tin", "TIN"), ("week/tin", "BAG"), ("week/pad", "PAD"), ("week/brush", "BRUSH"), ("week/mug", "MUG"),
)  # fmt: skip
OFFERS = ("week/tin", "week/pad", "week/brush", "week/mug")
EVERY = 8  # orders to one thing that is said of stock
SOON = 60  # orders until something happens on the floor: the time that it takes the service to hear of an order, mostly
COURSES = {
    "packed": 30, "dispatched": 10, "kept": 10, "intercepted": 12, "cancelled": 12, "short": 14, "undone": 6,
    "returned": 14, "late": 10,
}  # fmt: skip
SENT_TO_FLOOR = 0.6


def stock(sold):
    """The opening stock as people publish it, for about so many orders: everything is to run short."""
    rows = [row.split(",") for row in week.STOCK.splitlines()[1:]]
    shares = {"main": 3, "S": 1}
    return "gift,site,units,offer\n" + "".join(
        f"{gift},{site},{max(1, int(units) * sold * share // 1_200)},{offer}\n"
        for gift, _, units, offer in rows
        for site, share in shares.items()
    )


def day(rng, orders):
    """Everything that is said, as (type, data), in the order in which it is."""
    events = []
    for number in range(orders):
        events += _Course(rng, number, orders).play()
        if number % EVERY == 0:
            events += _said_of_stock(rng, number)
    return [event for _, event in sorted(events, key=lambda one: one[0])]


class _Course:
    """What becomes of one order."""

    def __init__(self, rng, number, orders):
        self.rng, self.number, self.orders = rng, number, orders
        self.order, self.revision, self.facts = f"O{number:04d}", 0, 0
        self.events = []
        self.lines = []

    def play(self):
        """Its events with their times, which are counted in orders."""
        rng, at = self.rng, float(self.number)
        self._say(at, "placed")
        if rng.random() < 0.25:
            # Some overtake their first revision.
            self._say(at + rng.uniform(-3, 40), rng.choice(["amended", "amended", "cancelled"]))
        if rng.random() < SENT_TO_FLOOR:
            course = rng.choices(list(COURSES), list(COURSES.values()))[0]
            getattr(self, f"_{course}")(at + SOON + rng.uniform(0, 40))
        return self.events

    def _say(self, at, status, lines=None):
        self.revision += 1
        body = week.snapshot(self.rng, self.number, self.revision, status, self.orders)
        self.lines = lines or [{**x, "site": self.rng.choices(SITES, (3, 1))[0]} for x in body["lines"]]
        self.events.append((at, (ORDER_TYPE, json.dumps({**body, "lines": self.lines}).encode())))

    def _fact(self, at, happened, lines=(), number=1, site=None):
        self.facts += 1
        site = site or self.lines[0]["site"]
        when = week.PLACED + timedelta(hours=1, seconds=int(at))
        body = {
            "event": f"w-{self.order}-{self.facts}",
            "order": self.order,
            "ticket": f"{self.order}/{site}/{number}",
            "happened": happened,
            "at": when.isoformat(),
            "lines": list(lines),
        }
        self.events.append((at, (FULFILMENT_TYPE, json.dumps(body).encode())))

    def _gifts(self, **members):
        """Gift lines as the warehouse names them, of one offer or of two."""
        return [{"units": 1, "offer": offer, **members} for offer in self.rng.sample(OFFERS, self.rng.randint(1, 2))]

    # --- courses: what their names say

    def _packed(self, at):
        self._fact(at, "released")
        self._fact(at + 20, "packed")

    def _dispatched(self, at):
        self._fact(at, "dispatched")

    def _kept(self, at):
        """Amended on the floor, and packed all the same."""
        self._fact(at, "released")
        self._say(at + 5, "amended")
        self._fact(at + 20, "packed")

    def _intercepted(self, at):
        """Amended on the floor, and put back in part or in whole before it is packed."""
        self._fact(at, "released")
        site = self.lines[0]["site"]
        self._say(at + 5, "amended")
        self._fact(at + 15, "put_back", self._gifts() if self.rng.random() < 0.6 else (), site=site)
        self._fact(at + 25, "dispatched", site=site)

    def _cancelled(self, at):
        """Cancelled on the floor; most are put back."""
        self._fact(at, "released")
        self._say(at + 5, "cancelled", self.lines)
        if self.rng.random() < 0.7:
            self._fact(at + 20, "put_back")

    def _short(self, at):
        """Its gifts are not found; what comes instead goes on the next ticket."""
        if self.rng.random() < 0.8:
            self._fact(at, "released")
        self._fact(at + 10, "short_picked", self._gifts())
        self._fact(at + 15, "packed")
        self._fact(at + 40, "packed", number=2)

    def _undone(self, at):
        """The warehouse undoes a ticket that is still wanted, and begins anew."""
        self._fact(at, "released")
        self._fact(at + 10, "put_back")
        self._fact(at + 30, "dispatched", number=2)

    def _returned(self, at):
        """Goods and gifts come back, saleable or not."""
        self._fact(at, "packed")
        back = [{**x, "returned_units": self.rng.randint(0, x["units"])} for x in self.lines]
        for line in back:
            line["faulty_units"] = self.rng.choice([0, line["returned_units"]])
        self._say(at + 20, "amended", back)
        self._fact(at + 25, "gift_returned", self._gifts(condition=self.rng.choice(["saleable", "scrap"])))

    def _late(self, at):
        """Nothing but goods that are added after the release: they are on a second ticket."""
        self._fact(at, "released")
        self._say(at + 5, "amended", [*self.lines, {**self.lines[0], "number": len(self.lines) + 1}])
        self._fact(at + 30, "dispatched", number=2)
        self._fact(at + 35, "packed")


def _said_of_stock(rng, number):
    """One thing that someone says of one gift at one site; a transfer arrives later, most of it or all."""
    (offer, gift), site, at = rng.choice(GIFTS), rng.choice(SITES), float(number)
    when, name = week.PLACED + timedelta(hours=1, seconds=number), f"s-{number}"
    there = (name, offer, gift, site)
    kind = rng.choices(["count", "damage", "transfer", "receipt", "taken_down"], (30, 15, 30, 24, 1))[0]
    if kind == "count":
        said = [(at, Count(*there, rng.randint(0, 60), when))]
    elif kind == "damage":
        said = [(at, Damage(*there, rng.randint(1, 3), when))]
    elif kind == "receipt":
        said = [(at, Receipt(*there, rng.randint(5, 30)))]
    elif kind == "taken_down":
        said = [(at, TakenDown(name, offer, when))]
    else:
        units = rng.randint(1, 3)
        other = SITES[site == SITES[0]]
        arrived = max(0, units - rng.choice([0, 0, 0, 1]))
        # What is sent has just come in, mostly: little lies free for long.
        said = [(at, Transfer(*there, units, offer, other, when))]
        if rng.random() < 0.7:
            said.insert(0, (at, Receipt(f"r-{number}", offer, gift, site, units + 2)))
        if rng.random() < 0.85:  # the rest is still on its way
            said.append((at + rng.uniform(30, 80), Arrival(f"a-{number}", offer, name, arrived, when)))
    return [(when, (COMMAND, dumps(command))) for when, command in said]
