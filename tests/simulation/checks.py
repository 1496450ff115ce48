"""The invariants: at every entry, at every commit of offsets, at everything that is said, and once a run is quiet.

S1, S4, S12  at every log entry: the product's own checks in a fold from nothing, and units added up by claim
S2, S9       whenever something is said: one id and edition never says two things
S6           at every entry: the first content of an order revision counts
S11          at every commit of offsets: what is passed left an entry of its own, or a reject
S5, S7, S8, S10, L1 and the comparisons with the reference and with what physically went out: at the end
"""

from makeweight.domain.claims import Claim, HandledGift, Receipt, Tick
from makeweight.domain.entries import Judged, Lapsed, Settled
from makeweight.stages.desk.state import ORDERS
from makeweight.stages.desk.tickets import open_lines, tickets, waits_for_goods
from makeweight.stages.ledger.signals import MAX_RECENT
from makeweight.stages.ledger.state import BALANCES, CLAIMS, CUSTOMERS, OFFERS, SEPARATOR
from tests.simulation import scenario
from tests.simulation.broker import PARTITIONS
from tests.simulation.worker import Violation
from tests.support.physical import untrue


def hold(condition, code, text, *values):
    """Raise ``Violation`` unless the condition holds; the text is put together only then."""
    if not condition:
        raise Violation(code, text.format(*values) if values else text)


class Heard:
    """What everybody else has heard: decisions, tickets, levels and notices, each the highest that was said."""

    def __init__(self, world):
        self._world = world
        self.claims, self.asked = {}, {}
        self.decisions, self.latest = {}, {}
        self.editions, self.tickets = {}, {}
        self.levels, self.notices = {}, {}

    def hear(self, output):
        """Take in one output."""
        body = output.body
        match output.channel:
            case "ledger-commands":
                self.claims[body.id] = body
                if isinstance(body, Claim):
                    names = self.asked.setdefault((body.order, body.offer), set())
                    names.update(option.gift for option in body.options)
            case "decisions":
                self._decision(body)
            case "pick-tickets":
                self._ticket(body)
            case "offer-levels":
                _highest(self.levels, body.offer, body, lambda level: level.sequence)
            case "notices":
                _highest(self.notices, body.id, body, lambda notice: (notice.revision, notice.edition))

    def _decision(self, body):
        what = (body.outcome, body.units, body.owed, body.gift, body.site, body.reason)
        known = self.decisions.setdefault(body.id, what)
        hold(known == what, "S2", "of {} was said {} and {}", body.id, known, what)
        claim = self.claims.get(f"{body.order}/{body.offer}/{body.revision}.{body.step}")
        hold(claim is not None, "S8", "{} answers no claim", body.id)
        # What was taken by an earlier claim may be on the floor, and is exchanged no more.
        asked = body.gift is None or body.gift in self.asked.get((body.order, body.offer), ())
        hold(asked, "S9", "{} gives {}, which its claim does not ask for", body.id, body.gift)
        caps = body.figures.total_cap in (None, claim.total_cap)
        hold(caps, "S9", "{} was decided by the cap {}, its claim says {}", body.id, body.figures, claim.total_cap)
        _highest(self.latest, (body.order, body.offer), body, lambda d: (d.number, d.edition))

    def _ticket(self, body):
        at = (body.ticket, body.order_revision, body.edition)
        known = self.editions.setdefault(at, [])
        if body not in known:
            if known:
                raise Violation("S9", f"two tickets {at}: {known} and {body}")
            known.append(body)
        _highest(self.tickets, body.ticket, body, lambda t: (t.order_revision, t.edition))


def _highest(kept, key, body, number):
    known = kept.get(key)
    if known is None or number(body) >= number(known):
        kept[key] = body


# --- on the way ------------------------------------------------------------------------------------------------------


def of_entry(world, lane, entry):
    """At a log entry: S6 and the campaign's revision at the desk, the units of the offer at the ledger."""
    world.ids[lane.stage.name].add(entry.id)
    if isinstance(entry, Lapsed):
        world.fired("lapse")
    elif isinstance(entry, Settled) and len(entry.moves) > 1:
        world.fired("exchange")
    elif isinstance(entry, Settled) and entry.cause is not None and entry.cause.startswith(f"{entry.claim.order}/"):
        world.fired("found again")
    if isinstance(entry, Judged):
        order = entry.order
        first = world.first.setdefault((order.order, order.revision), entry)
        late = scenario.is_late(int(order.order[1:]))
        used = entry.evaluation.campaigns.get("c")
        due = 2 if late and world.published == 2 else 1
        hold(used in (None, due), "S9", "{} was judged by revision {} of the campaign", entry.id, used)
        if first is entry:
            state = lane.store.get(ORDERS, order.order)
            hold(state.order.revision >= order.revision, "S6", "{} did not count", entry.id)
    elif lane.stage.name == "ledger" and not world.layout:
        _units_add_up(world, lane, entry)


def _units_add_up(world, lane, entry):
    """S4: what the claims of an offer hold is what its accounts say; and no entry passes the cap of its claim."""
    offer, known = lane.stage.key_of(entry), world.live
    prefix = offer + SEPARATOR
    reserved, released, customers, unearned, live = {}, {}, {}, {}, 0
    for name, claim in lane.store.values(CLAIMS).items():
        if name.startswith(prefix):
            live += claim.live
            customers[claim.claim.customer] = customers.get(claim.claim.customer, 0) + claim.live
            unearned[claim.claim.customer] = unearned.get(claim.claim.customer, 0) + claim.unearned
            if claim.held:
                place = (claim.gift, claim.site)
                reserved[place] = reserved.get(place, 0) + claim.reserved
                released[place] = released.get(place, 0) + claim.released
    for name, balance in lane.store.values(BALANCES).items():
        if name.startswith(prefix):
            place = (balance.gift, balance.site)
            hold(balance.reserved == reserved.get(place, 0), "S4", "{}: reserved {} of {}", name, balance, reserved)
            hold(balance.released == released.get(place, 0), "S4", "{}: released {} of {}", name, balance, released)
    for name, counted in lane.store.values(CUSTOMERS).items():
        if name.startswith(prefix):
            customer = name.removeprefix(prefix)
            said = customers.get(customer, 0), unearned.get(customer, 0)
            same = (counted.units, counted.unearned) == said
            hold(same, "S4", "{}: {} counted, {} by its claims", name, counted, said)
            hold(len(counted.recent) <= MAX_RECENT, "S12", "{} remembers {}", name, counted)
    kept = lane.store.get(OFFERS, offer)
    hold(kept is None or kept.live_units == live, "S4", "{}: {} live units, its claims have {}", offer, kept, live)
    cap = entry.claim.total_cap if isinstance(entry, Settled) else None
    if cap is not None and live > max(cap, known.get(offer, 0)):
        raise Violation("cap", f"{entry.id} brings {offer} to {live} live units, its cap is {cap}")
    known[offer] = live


def of_commit(world, record):
    """S11: an input that is committed as handled left an entry, or was put aside."""
    body, seen = record.message.body, world.ids
    if isinstance(body, Tick) or world.layout:
        return
    match record.channel:
        case "orders":
            found = f"{body.order}:{body.revision}:judged" in seen["desk"]
            found = found or f"{body.order}:{body.revision}:superseded" in seen["desk"]
        case "fulfilment":
            found = f"{body.order}:{body.event}:reported" in seen["desk"]
        case "decisions":
            found = f"{body.id}:answered" in seen["desk"] or f"{body.id}:superseded" in seen["desk"]
        case _:
            found = _command_logged(body, seen["ledger"])
    hold(found or record.place in world.aside, "S11", "{} is passed and left nothing: {}", record.place, body)


def _command_logged(body, seen):
    if isinstance(body, Claim):
        return f"{body.id}:settled" in seen or f"{body.id}:outnumbered" in seen
    word = "received" if isinstance(body, Receipt) else "handled" if isinstance(body, HandledGift) else "booked"
    return f"{body.offer}:{body.id}:{word}" in seen


# --- at the end ------------------------------------------------------------------------------------------------------


def at_the_end(world):
    """Everything, once the run is quiet."""
    orders = {}
    for partition in range(PARTITIONS["desk"]):
        orders |= world.witness["desk", partition].store.values(ORDERS)
    _nothing_lost(world, orders)
    if not world.layout:
        _conflicts_told(world, orders)
    _caught_up(world)
    _stock_given(world)
    for state in orders.values():
        _one_ticket_a_site(world, state)
        _asked_off(world, state)
    _accounts_agree(world)
    _books_are_true(world, orders)
    _said_is_logged(world)
    if not world.layout:
        _claims_agree(world, orders)
    if world.schedule.ample:
        _as_the_reference(world, orders)
    for stage, consumed in world.consumed.items():
        hold(sum(world.results[stage].values()) == consumed, "S11", "{}: {} consumed", stage, consumed)


def _nothing_lost(world, orders):
    """Every order stands at the highest revision that was sent, with its first content; every fact was taken in."""
    sent = {}
    for channel, message in world.events:
        if channel == "orders":
            order = message.body
            sent[order.order] = max(order.revision, sent.get(order.order, 0))
    for name, revision in sent.items():
        state = orders.get(name)
        hold(state is not None and state.order.revision == revision, "S11", "{} lost revision {}", name, revision)
        first = world.first[name, revision]
        hold(state.order == first.order, "S6", "{} does not stand at its first content", name)
        hold(state.digests[str(revision)] == first.digest, "S6", "{}: another digest", name)
    for fact in world.facts:
        if f"{fact.order}:{fact.event}:reported" not in world.ids["desk"]:
            raise Violation("S11", f"the warehouse was told of {fact.ticket} and its {fact.event} is lost")


def _conflicts_told(world, orders):
    """S6: every other content of a revision is put aside."""
    for partition in range(PARTITIONS["desk"]):
        for record in world.broker.topics["orders", partition]:
            order = record.message.body
            first = orders[order.order].digests[str(order.revision)]
            told = record.message.digest == first or world.aside.get(record.place) == "other_content"
            hold(told, "S6", "{}: another content of {} is not told", record.place, order.order)


def _caught_up(world):
    """S10: the live state of every partition is the fold of its log from nothing."""
    for worker in world.workers:
        for host in worker.hosts.values():
            for partition, lane in host.lanes.items():
                witness = world.witness[host.name, partition]
                where = (worker.name, host.name, partition)
                hold(lane.log_next == witness.log_next, "S10", "{} stands at {}", where, lane.log_next)
                same = lane.store.contents() == witness.store.contents()
                hold(same, "S10", "the state of {} is not the fold of its log", where)


def _stock_given(world):
    """S1 as seen from outside: what was said to be held never exceeds what came in.

    Not of offers whose stock was counted, moved or put back: what of that came in only the accounts tell.
    """
    came, given, moved = {}, {}, set()
    for records in (world.broker.topics["ledger-commands", p] for p in range(PARTITIONS["ledger"])):
        for record in records:
            body = record.message.body
            if isinstance(body, Receipt):
                came[body.offer, body.gift, body.site, body.id] = body.units
            elif not isinstance(body, (Claim, Tick)) and getattr(body, "happened", "") not in ("released", "packed"):
                moved.add(body.offer)
    total = {}
    for (offer, gift, site, _), units in came.items():
        total[offer, gift, site] = total.get((offer, gift, site), 0) + units
    for decision in world.heard.latest.values():
        if decision.gift is not None:
            place = (decision.offer, decision.gift, decision.site)
            given[place] = given.get(place, 0) + decision.units
    for place, units in given.items():
        if place[0] in moved:
            continue
        hold(units <= total.get(place, 0), "S1", "{}: {} units said to be held of {}", place, units, total.get(place))


def _accounts_agree(world):
    """S4 as seen from outside: an offer's level is the sum of what was said of its claims.

    Its balances too, where the warehouse has not touched the offer: what it packs without a grant is no claim's.
    """
    live, held, touched = {}, {}, set()
    for (_, offer), decision in world.heard.latest.items():
        live[offer] = live.get(offer, 0) + decision.units + decision.owed
        if decision.gift is not None:
            place = (offer, decision.gift, decision.site)
            held[place] = held.get(place, 0) + decision.units
    for partition in range(PARTITIONS["ledger"]):
        for record in world.broker.topics["ledger-commands", partition]:
            if not isinstance(record.message.body, (Claim, Receipt, Tick)):
                touched.add(record.message.body.offer)
    for partition in range(PARTITIONS["ledger"]):
        lane = world.witness["ledger", partition]
        for offer in lane.store.values(OFFERS):
            level = lane.stage.say(lane.store, ("level", offer))[0].body
            hold(level.live_units == live.get(offer, 0), "S4", "{}: live {}, said {}", offer, level, live.get(offer))
            for balance in level.balances if offer not in touched else ():
                given = held.get((offer, balance.gift, balance.site), 0)
                hold(
                    balance.reserved == given, "S4", "{}: said to be held {}, the account is {}", offer, given, balance
                )


def _books_are_true(world, orders):
    """S1 of the shelf: the books say that so many units are out as the warehouse packed and has not had back."""
    balances = []
    for partition in range(PARTITIONS["ledger"]):
        balances += world.witness["ledger", partition].store.values(BALANCES).values()
    wrong = untrue(orders.values(), balances)
    hold(not wrong, "S1", "by offer and site, out by the papers and by the books: {}", wrong)


def _one_ticket_a_site(world, state):
    """S7 and S8 from what was said: one open ticket a site, with exactly what is outstanding; none if cancelled."""
    name = state.order.order
    frozen = {f.ticket for f in state.frozen}
    said = {t.ticket: t for t in world.heard.tickets.values() if t.order == name}
    live = [t for t in said.values() if t.ticket not in frozen and t.state != "void"]
    hold(len({t.site for t in live}) == len(live), "S7", "{}: two open tickets of a site: {}", name, live)
    cancelled = state.order.status == "cancelled"
    hold(not (cancelled and live), "S7", "{} is cancelled and has an open ticket", name)
    hold(not any(t.state == "held" for t in live), "L1", "{}: a ticket is still held: {}", name, live)
    paper = {}  # a gift that was exchanged while its paper was on the floor is another one
    for f in state.frozen:
        for offer, units in f.gifts_left.items():
            place = (offer, f.printed.get(offer), f.site)
            paper[place] = paper.get(place, 0) + units
    on_open = {}
    for ticket in live:
        for line in ticket.gift_lines:
            place = (line.offer, line.gift, ticket.site)
            on_open[place] = on_open.get(place, 0) + line.units
    if not cancelled:
        outstanding = {
            (d.offer, d.gift, d.site): d.units - paper.get((d.offer, d.gift, d.site), 0)
            for d in world.heard.latest.values()
            if d.order == name and d.gift is not None and d.units > paper.get((d.offer, d.gift, d.site), 0)
        }
        # A gift waits for the goods that earned it.
        waiting = {offer for offer in state.wishes if waits_for_goods(state, offer, missing_lines(state))}
        outstanding = {at: units for at, units in outstanding.items() if at[0] not in waiting}
        hold(on_open == outstanding, "S8", "{}: on tickets {}, outstanding {}", name, on_open, outstanding)
    if not cancelled and not frozen:
        lines = sorted((t.site, x.number, x.units) for t in live for x in t.lines)
        wanted = sorted((x.site, x.number, x.units) for x in state.order.lines if not x.back_ordered)
        hold(lines == wanted, "S7", "{}: lines {} on tickets, {} ordered", name, lines, wanted)


def _asked_off(world, state):
    """Rule 2.16: what is on the floor and not wanted is asked off, as far as it is not packed, and a person hears."""
    wanted = {offer: wish.claim.units for offer, wish in state.wishes.items()}
    if state.order.status != "cancelled":
        wanted |= {line.number: line.live_units for line in state.order.lines}
    on_paper, loose, asked, others = {}, {}, {}, {}
    for frozen in state.frozen:
        here = {**frozen.gifts_left, **{int(number): units for number, units in frozen.lines_left.items()}}
        for name, units in here.items():
            held = world.heard.latest.get((state.order.order, name))
            if held and held.gift and (held.gift, held.site) != (frozen.printed.get(name), frozen.site):
                # The order has another gift in its place, so none of these is wanted.
                others[name] = others.get(name, 0) + (0 if frozen.packed else units)
                continue
            on_paper[name] = on_paper.get(name, 0) + units
            loose[name] = loose.get(name, 0) + (0 if frozen.packed else units)
        said = world.heard.tickets[frozen.ticket].take_off
        for line in said:
            name = line.offer or line.line
            asked[name] = asked.get(name, 0) + line.units
        told = world.heard.notices.get(f"{state.order.order}/intercept/{frozen.ticket}")
        units = sum(line.units for line in said)
        hold((told.amount if told else 0) == units, "S8", "{}: asked off {}, told {}", frozen.ticket, units, told)
    due = {name: min(loose[name], units - wanted.get(name, 0)) for name, units in on_paper.items()}
    due = {name: max(0, due.get(name, 0)) + others.get(name, 0) for name in due.keys() | others.keys()}
    due = {name: units for name, units in due.items() if units > 0}
    hold(asked == due, "S8", "{}: asked off {}, {} is not wanted", state.order.order, asked, due)


def missing_lines(state):
    """Lines that are still to be picked, and are on back order."""
    return [line for line in open_lines(state) if line.back_ordered]


def _claims_agree(world, orders):
    """The desk and the ledger know the same of every claim."""
    claims = {}
    for partition in range(PARTITIONS["ledger"]):
        claims |= world.witness["ledger", partition].store.values(CLAIMS)
    for state in orders.values():
        for offer, wish in state.wishes.items():
            claim = claims[f"{offer}{SEPARATOR}{state.order.order}"]
            same = (wish.held, wish.claim.number) == (claim.held, claim.claim.number)
            hold(same, "S8", "{} {}: the desk knows {}, the ledger {}", state.order.order, offer, wish, claim)


def _said_is_logged(world):
    """S10: the highest of what was said is what the fold of the log says now."""
    heard = world.heard
    for (stage, _), lane in world.witness.items():
        if stage == "ledger":
            for claim in lane.store.values(CLAIMS).values():
                _compare(heard.latest, (claim.claim.order, claim.claim.offer), lane, _subject(claim))
            for offer in lane.store.values(OFFERS):
                _levels(world, lane, offer)
            continue
        for state in lane.store.values(ORDERS).values():
            for ticket in [*tickets(state), *(f.paper for f in state.frozen)]:
                last = heard.tickets.get(ticket.ticket)
                said = last and heard.editions[ticket.ticket, last.order_revision, last.edition]
                hold(said and ticket in said, "S10", "{}: {} was said last, not {}", ticket.ticket, said, ticket)
            for notice in state.notices.values():
                said = heard.notices.get(notice.id)
                if said is None or said.amount != notice.amount:
                    raise Violation("S10", f"{notice.id} was last said as {said}, not {notice}")


def _subject(claim):
    return ("claim", claim.claim.offer, claim.claim.order)


def _compare(said, key, lane, subject):
    for output in lane.stage.say(lane.store, subject):
        hold(said.get(key) == output.body, "S10", "{} was last said as {}, not {}", key, said.get(key), output.body)


def _levels(world, lane, offer):
    for output in lane.stage.say(lane.store, ("level", offer)):
        kept = world.heard.levels if output.channel == "offer-levels" else world.heard.notices
        said = kept.get(output.id)
        if said != output.body:
            raise Violation("S10", f"{output.id} was last said as {said}, not {output.body}")


def _as_the_reference(world, orders):
    """Where nothing is short, what every order holds follows from its latest snapshot alone.

    Left out: orders that the warehouse has spoken of, since what is on paper stays there, and members of a group
    where an order has several revisions, since the member that holds something keeps its place.
    """
    held = {}
    for (order, offer), decision in world.heard.latest.items():
        if decision.units:
            held.setdefault(order, {})[offer] = (decision.units, decision.gift)
    for name, state in orders.items():
        if state.frozen:
            continue
        message = next(
            m
            for c, m in world.events
            if c == "orders" and m.body.order == name and m.digest == state.digests[str(state.order.revision)]
        )
        due = dict(scenario.expected(message, world.published))
        found = held.get(name, {})
        if len(state.digests) > 1:
            due = {o: what for o, what in due.items() if o not in ("c/mug", "c/pad")}
            found = {o: what for o, what in found.items() if o not in ("c/mug", "c/pad")}
        hold(found == due, "reference", "{} holds {}, the reference says {}", name, found, due)
