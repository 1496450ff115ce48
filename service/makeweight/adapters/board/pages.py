"""The pages, as NiceGUI elements around pieces of HTML that are made once for all of them.

Links and controls are elements of their own or stand in rows by key, so that whoever has one in focus keeps it while
the numbers around it change. What a page shows of an order is asked when it is opened, and stays.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from html import escape
from typing import Any, NamedTuple

from fastapi import Request
from nicegui import run, ui

from makeweight.adapters.board import cards, orders, waves, words
from makeweight.adapters.board.cards import Piece
from makeweight.adapters.board.pulse import Now, Pulse, View
from makeweight.adapters.local.reading import Reader
from makeweight.planning.rejects import ASIDE_OF_AN_ORDER, PutAside

THEME = "makeweight-theme"
THEMES = {"system": None, "light": False, "dark": True}
NEAR = 12  # orders that are named where the one asked for was never seen
YEAR_SECONDS = 31_536_000


class Place(NamedTuple):
    """A page in the navigation."""

    path: str
    name: str


PLACES = (
    Place("/", "Offers"),
    Place("/exceptions", "Exceptions"),
    Place("/orders", "Orders"),
    Place("/tickets", "Tickets"),
    Place("/changes", "Changes"),
)
CHANGES = PLACES[-1]  # drawn by a module of its own


def raw(html: str, tag: str = "div", classes: str = "") -> ui.html:
    """A piece of HTML that we made: every text in it is escaped where it is put in."""
    return ui.html(html, sanitize=False, tag=tag).classes(classes)


class Pieces:
    """Pieces in a container by key: those that differ are sent, the others are left alone, whatever has the focus."""

    def __init__(self, container: ui.element, tag: str = "div", **props: str) -> None:
        self._container, self._tag, self._props = container, tag, props
        self._shown: dict[str, tuple[Piece, ui.html]] = {}

    def show(self, pieces: Sequence[Piece]) -> None:
        """Show these, in this order."""
        wanted = {piece.key for piece in pieces}
        for key in [key for key in self._shown if key not in wanted]:
            self._shown.pop(key)[1].delete()
        for piece in pieces:
            known = self._shown.get(piece.key)
            if known is None:
                with self._container:
                    element = raw(piece.html, self._tag, piece.classes)
                    element._props.update(self._props)  # noqa: SLF001 - props() would parse them as text
            else:
                old, element = known
                if old.html != piece.html:
                    element.set_content(piece.html)
                if old.classes != piece.classes:
                    element.classes(replace=piece.classes)
            self._shown[piece.key] = (piece, element)
        if [element.id for _, element in self._ordered(pieces)] != [
            child.id for child in self._container.default_slot.children
        ]:
            for index, (_, element) in enumerate(self._ordered(pieces)):
                element.move(self._container, target_index=index)

    def _ordered(self, pieces: Sequence[Piece]) -> list[tuple[Piece, ui.html]]:
        return [self._shown[piece.key] for piece in pieces]


class Page:
    """What every page has: skip link, navigation, status, theme, and a way to hold it still."""

    def __init__(self, pulse: Pulse, theme: str) -> None:
        self._pulse, self._theme = pulse, theme if theme in THEMES else "system"
        self._still, self._live = False, True
        self._show: Callable[[View], None] | None = None
        self._seen: View | None = None
        self._signals: frozenset[str] | None = None

    @contextmanager
    def framed(self, place: Place, heading: str, *, live: bool = True) -> Iterator[None]:
        """Draw the frame, and within it what follows. A page that isn't live shows the first view that it gets."""
        self._live = live
        ui.page_title(f"{heading} - Makeweight")
        self._dark = ui.dark_mode(THEMES[self._theme])
        with ui.header(elevated=False, fixed=False).classes("top"):
            raw("Skip to the content", "a", "skip").props('href="#content"')
            raw(_navigation(place), "nav").props('aria-label="Pages"')
            self._status = raw("", classes="status")
            with ui.element("div").classes("controls"):
                if live:
                    self._hold = raw("Hold still", "button").props('type="button" aria-pressed="false"')
                    self._hold.on("click", self._toggle)
                self._button = raw(_theme_words(self._theme), "button").props('type="button"')
                self._button.on("click", self._next_theme)
        self._said = raw("", classes="unseen").props('role="status"')
        with ui.element("div").props('id="content" tabindex="-1"').classes("content"):
            raw(escape(heading), "h1")
            yield

    def begin(self, show: Callable[[View], None] | None = None) -> None:
        """Show what there is now, and from now on each new view, unless the page is held still."""
        self._show = show
        ui.context.client.on_delete(self._pulse.listen(self._hear))
        self._hear(self._pulse.now)

    def _hear(self, now: Now) -> None:
        if self._still:
            return
        if now.view is None:
            self._set(f"<p>{escape(now.problem) or _reading(now.rows)}</p>")
            return
        problem = f'<p class="problem">{escape(now.problem)}</p>' if now.problem else ""
        self._set(problem + now.view.status)
        if now.view is not self._seen:
            self._seen = now.view
            if self._show is not None:
                self._show(now.view)
            self._announce(now.view)
            self._still = not self._live

    def _set(self, html: str) -> None:
        if self._status.content != html:
            self._status.set_content(html)

    def _announce(self, view: View) -> None:
        """Say of signals that are new, to those who don't see them come."""
        known, self._signals = self._signals, frozenset(piece.key for piece in view.signals)
        fresh = len(self._signals - known) if known is not None else 0
        if fresh:
            self._said.set_content(f"{fresh} new {'signal' if fresh == 1 else 'signals'}")

    def _toggle(self) -> None:
        self._still = not self._still
        self._hold.set_content("Go on" if self._still else "Hold still")
        self._hold.props(f'aria-pressed="{str(self._still).lower()}"')
        self._status.classes(add="still" if self._still else "", remove="" if self._still else "still")
        if not self._still:
            self._hear(self._pulse.now)

    def _next_theme(self) -> None:
        names = list(THEMES)
        self._theme = names[(names.index(self._theme) + 1) % len(names)]
        self._dark.set_value(THEMES[self._theme])
        self._button.set_content(_theme_words(self._theme))
        cookie = f"{THEME}={self._theme}; path=/; max-age={YEAR_SECONDS}; samesite=lax"
        _ = ui.context.client.run_javascript(f"document.cookie = '{cookie}'")


def _navigation(here: Place) -> str:
    links = "".join(
        f'<li><a href="{place.path}"{_CURRENT if place == here else ""}>{escape(place.name)}</a></li>'
        for place in PLACES
    )
    return f"<ul>{links}</ul>"


_CURRENT = ' aria-current="page"'


def _reading(rows: int) -> str:
    return f"Reading what happened before: {words.number(rows)} entries so far."


def _theme_words(theme: str) -> str:
    return {"system": "Theme: as the system", "light": "Theme: light", "dark": "Theme: dark"}[theme]


def _group(name: str) -> tuple[ui.element, Pieces]:
    with ui.element("section") as section:
        raw(escape(name), "h2")
        return section, Pieces(ui.element("div").classes("cards"), "article")


def _desk(name: str, columns: dict[str, bool]) -> tuple[ui.element, Pieces]:
    """A table whose rows come and go."""
    with ui.element("table").props(f'role="table" aria-label="{name}"').classes("desk") as desk:
        raw(cards.table_head(columns).removeprefix('<thead role="rowgroup">').removesuffix("</thead>"), "thead")
        return desk, Pieces(ui.element("tbody").props('role="rowgroup"'), "tr", role="row")


class Board:
    """The pages of a board. ``reader`` is for what a page asks; the pulse has one of its own."""

    def __init__(self, pulse: Pulse, reader: Reader) -> None:
        self._pulse, self._reader = pulse, reader

    def attach(self) -> None:
        """Register the pages with NiceGUI, which serves them on the application that it is run with."""
        draws: list[Callable[..., Any]] = [self._offers, self._exceptions, self._orders, self._tickets]
        for place, draw in zip(PLACES[:-1], draws, strict=True):
            ui.page(place.path, title=place.name, language="en-GB")(draw)

    def _page(self, request: Request) -> Page:
        return Page(self._pulse, request.cookies.get(THEME, "system"))

    def _offers(self, request: Request) -> None:
        page = self._page(request)
        with page.framed(PLACES[0], "Offers"):
            with ui.element("section").props('aria-label="Signals"').classes("signals"):
                signals = Pieces(ui.element("div"), "div")
            groups = {name: _group(name) for name in cards.GROUPS}
            empty = raw("", "p")

        def show(view: View) -> None:
            signals.show(view.signals)
            for name, (section, offers) in groups.items():
                offers.show(view.offers[name])
                section.set_visibility(bool(view.offers[name]))
            empty.set_content("" if view.picture.offers else "No campaign is in force.")

        page.begin(show)

    def _exceptions(self, request: Request, kind: str = "") -> None:
        page, chosen = self._page(request), kind if kind in words.KINDS else None
        heading = f"Exceptions: {words.KINDS[chosen].lower()}" if chosen else "Exceptions"
        with page.framed(PLACES[1], heading):
            counts = Pieces(ui.element("ul").classes("kinds"), "li")
            below = raw("", "p")
            columns = {"Kind": False, "Order": False, "Offer": False, "How much": True, "Why": False, "Since": False}
            desk, rows = _desk(heading, columns)
            rest = raw("", "p")
            with ui.element("section").props('id="put-aside"') as aside:
                raw("Put aside", "h2")
                raw("What could not be processed, the newest first. Mend what it says, and send it again.", "p")
                columns = {"What": False, "About": False, "Why": False, "When": False}
                _, rejects = _desk("Put aside", columns)
                more = raw("", "p")

        def show(view: View) -> None:
            if chosen is None:
                rejects.show(view.rejects)
                more.set_content(cards.rejects_not_shown(view.picture))
                below.set_content(cards.rejects_below(view.picture))
            aside.set_visibility(chosen is None and bool(view.rejects))
            counts.show(cards.kinds(view.picture, chosen))
            shown = view.exceptions(chosen)
            rows.show(shown)
            desk.set_visibility(bool(shown))
            rest.set_content(cards.not_shown(view.picture, chosen) if shown else "Nothing is open.")

        page.begin(show)

    async def _orders(self, request: Request, q: str = "") -> None:
        wanted = q.strip()
        order = wanted.partition("/")[0]
        story = await run.io_bound(self._reader.explain, order) if order else None
        like = await run.io_bound(self._like, order) if order and story is None else None
        page = self._page(request)
        with page.framed(PLACES[2], f"Order {order}" if story else "Orders", live=False):
            raw(orders.search(wanted), "search")
            if story is not None:
                raw(orders.story(story))
            elif order:
                raw(orders.unknown(order, *(like or ([], []))))
        page.begin()

    def _like(self, order: str) -> tuple[list[str], list[PutAside]]:
        return self._reader.orders_like(order, NEAR), self._reader.rejects(ASIDE_OF_AN_ORDER, key=order)

    def _tickets(self, request: Request, site: str = "", standing: str = "to_pick", page: int = 1) -> None:
        frame = self._page(request)
        with frame.framed(PLACES[3], "Tickets", live=False):
            content = raw("")

        def show(view: View) -> None:
            content.set_content(waves.wave(view.tickets, waves.Choice(site, standing, page)))

        frame.begin(show)
