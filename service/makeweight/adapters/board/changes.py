"""The page on which an offer is changed or its stock moved: a form, what that would come to, and doing it if allowed.

Nothing is done without a preview, and nothing but what the preview was of, whatever the form says by then.
"""

import asyncio
import json
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from html import escape
from typing import Any, NamedTuple, TypeVar

from fastapi import Request
from nicegui import background_tasks, ui
from nicegui.events import GenericEventArguments

from makeweight.adapters.board import asking, previews, words
from makeweight.adapters.board.asking import Asked, Wrong
from makeweight.adapters.board.pages import CHANGES, THEME, Page, raw
from makeweight.adapters.board.previews import Shown
from makeweight.adapters.board.pulse import Now, Pulse, View
from makeweight.adapters.board.resident import Resident
from makeweight.adapters.documents.files import FileErrors
from makeweight.adapters.documents.publishing import Published
from makeweight.adapters.local.reading import Reader
from makeweight.adapters.telemetry.logs import logger
from makeweight.domain.claims import Transfer
from makeweight.domain.moments import Instant
from makeweight.planning.changing import Change, ChangeRefused
from makeweight.planning.moving import MovePreview, StockMove
from makeweight.planning.previewing import Preview
from makeweight.planning.rejects import PutAside

_SLOW_SECONDS = 0.4  # a preview that takes longer says how far it is
_SEEN_SECONDS, _SEEN_TRIES = 0.25, 20  # until what was published is in a copy of topics too
_REFUSED_OF = 20  # rejects of an offer among which a move of it is looked for
_SUBMIT = "(event) => { event.preventDefault(); emit(Object.fromEntries(new FormData(event.target))) }"
_TOUCHED = "() => { if (document.querySelector('.preview:is(.fresh, .asked)')) emit() }"

T = TypeVar("T")
Do = Callable[[], Awaitable[Awaitable[str]]]  # carries out a preview, and gives what waits until that is seen


class Changing(NamedTuple):
    """What the page changes offers with. ``reached`` are the options by which the command line reaches the service."""

    resident: Resident
    reached: Sequence[str]
    publishes: bool


class ChangesPage:
    """The page. Its reading of the orders begins when it is first opened, and is kept up while it is open."""

    def __init__(self, pulse: Pulse, reader: Reader, changing: Changing) -> None:
        self._pulse, self._reader, self._changing = pulse, reader, changing

    def attach(self) -> None:
        """Register the page with NiceGUI."""
        ui.page(CHANGES.path, title=CHANGES.name, language="en-GB")(self._changes)

    def _changes(self, request: Request, offer: str = "") -> None:
        page = Page(self._pulse, request.cookies.get(THEME, "system"))
        with page.framed(CHANGES, "Changes", live=False):
            content = ui.element("div")

        def show(view: View) -> None:
            _ = background_tasks.create(self._fill(content, offer, view))

        def keep_up(now: Now) -> None:
            if now.view is not None:
                self._changing.resident.keep_up()

        page.begin(show)
        ui.context.client.on_delete(self._pulse.listen(keep_up))
        keep_up(self._pulse.now)

    async def _fill(self, content: ui.element, offer: str, view: View, done: str = "") -> None:
        """Show the form of an offer as its latest revision has it, and the revisions that there are.

        ``done`` is HTML of what has been done.
        """
        book = await asyncio.to_thread(self._reader.book)
        if content.is_deleted:
            return
        now, sites = view.picture.at, {ticket.site for ticket in view.tickets}
        offers = asking.open_to_change(book, now, view.picture, sites)
        chosen = next((one for one in offers if one.offer.key == offer), None)

        async def finished(html: str) -> None:
            await self._fill(content, offer, self._pulse.now.view or view, html)

        content.clear()
        with content:
            raw(
                "Pause an offer, end it, change its caps, give another gift or move its stock, and see first what "
                "comes of it.",
                "p",
                "intro",
            )
            if done:
                raw(done)
                _ = ui.context.client.run_javascript("document.getElementById('done').focus()")
            if offers:
                raw(asking.chooser(offers, offer))
            else:
                raw("No offer in force gives anything.", "p")
            if chosen is not None:
                Form(self._changing, chosen, now, Until(self._until_published, self._until_moved, finished))
            elif offer:
                raw(f"No offer in force is called {escape(offer)}; choose one.", "p")
            raw("Latest revisions", "h2")
            raw(previews.revisions(asking.latest(book)))

    async def _until_published(self, told: Published) -> bool:
        async def seen() -> bool:
            book = await asyncio.to_thread(self._reader.book)
            return book.get(told.campaign, told.revision) is not None

        return await _until(seen)

    async def _until_moved(self, transfer: Transfer, sent: int) -> bool | PutAside:
        refused: PutAside | None = None

        async def seen() -> bool:
            nonlocal refused
            view = self._pulse.now.view
            if view is not None and asking.sent(view.picture, transfer) >= sent + transfer.units:
                return True
            aside = await asyncio.to_thread(self._reader.rejects, _REFUSED_OF, key=transfer.offer)
            refused = next((one for one in aside if transfer.id.encode() in one.body), None)
            return refused is not None

        done = await _until(seen)
        return refused or done


async def _until(seen: Callable[[], Awaitable[bool]]) -> bool:
    for _ in range(_SEEN_TRIES):
        if await seen():
            return True
        await asyncio.sleep(_SEEN_SECONDS)
    return False


class Until(NamedTuple):
    """How a form waits for what it has published or moved to be seen, and shows the page anew with it."""

    published: Callable[[Published], Awaitable[bool]]
    moved: Callable[[Transfer, int], Awaitable[bool | PutAside]]  # it is, not yet, or it was refused
    finished: Callable[[str], Awaitable[None]]


class Form:
    """The form of one offer with its preview beside it, on one page."""

    def __init__(self, changing: Changing, one: Asked, now: Instant, until: Until) -> None:
        self._changing, self._one, self._until = changing, one, until
        self._busy, self._stale, self._wrong = False, False, dict[str, ui.html]()
        self._client = ui.context.client
        with ui.element("div").classes("changing"):
            with ui.element("section"):
                raw(escape(words.name(one.offer.key)), "h2")
                raw(asking.head(one, now))
                self._problem = raw("", classes="trouble").props('id="problem" role="alert" tabindex="-1"')
                self._draw()
            self._result = ui.element("section").props('aria-label="Preview"').classes("preview")
        with self._result:
            then = " before it can be made" if changing.publishes else "; this board makes none"
            raw(f"What a change would come to is shown here{then}.", "p", "quiet")

    def _draw(self) -> None:
        name = escape(words.name(self._one.offer.key))
        with ui.element("form").props(f'novalidate aria-label="Change {name}"').classes("change") as form:
            for field, html in asking.fields(self._one).items():
                with ui.element("div").classes(f"field field-{field}"):
                    raw(html)
                    self._wrong[field] = raw("", "p", "wrong").props(f'id="{field}-wrong"')
            with ui.element("div").classes("actions"):
                raw("Preview", "button").props('type="submit"')
                self._waits = raw("", "p", "quiet").props('role="status"')
        form.on("submit", self._ask, js_handler=_SUBMIT)
        form.on("input", self._touched, js_handler=_TOUCHED)

    # --- previewing

    async def _ask(self, event: GenericEventArguments) -> None:
        if self._busy:
            return
        self._clean()
        try:
            asked = asking.read(event.args if isinstance(event.args, dict) else {}, self._one)
        except Wrong as wrong:
            self._wrong[wrong.field].set_content(escape(str(wrong)))
            self._point_at(wrong.field)
            return
        self._busy, self._stale = True, False
        self._result.classes(add="asked", remove="fresh")
        try:
            shown, do = await self._previewed(asked)
        except Exception as error:  # noqa: BLE001 - whatever it is, the page says so and keeps the form
            self._refuse(error)
        else:
            self._show(shown, do)
        finally:
            self._busy = False
            self._result.classes(remove="asked")
            self._waits.set_content("")
        if self._stale:
            self._touched()

    async def _previewed(self, asked: Change | StockMove) -> tuple[Shown, Do]:
        """What is shown of a preview, and what does it."""
        resident, reached = self._changing.resident, self._changing.reached
        if isinstance(asked, StockMove):
            move = await self._waited_for(resident.preview_move(asked))
            return previews.of_move(asked, move, reached), lambda: self._move(asked, move)
        change = await self._waited_for(resident.preview(asked))
        return previews.of_change(asked, change, self._one.offer, reached), lambda: self._publish(asked, change)

    async def _waited_for(self, preview: Coroutine[Any, Any, T]) -> T:
        task = asyncio.ensure_future(preview)
        while not (await asyncio.wait([task], timeout=_SLOW_SECONDS))[0]:
            read = words.number(self._changing.resident.read)
            self._waits.set_content(f"Reading the orders so far: {read} entries.")
        return task.result()

    def _show(self, shown: Shown, do: Do) -> None:
        self._result.clear()
        self._result.classes(add="fresh")
        with self._result:
            raw(escape(shown.title), "h2").props('id="previewed" tabindex="-1"')
            raw(shown.html)
            self._actions = ui.element("div")
        with self._actions:
            if not shown.may:
                pass
            elif self._changing.publishes:
                self._offer_to_do(shown, do)
            else:
                self._tell_command(shown.command)
        self._focus("previewed")

    def _tell_command(self, line: str) -> None:
        raw("This board changes nothing: it was started without <code>--changes</code>. The command that does:", "p")
        raw(escape(line), "code", "command").props('tabindex="0" role="region" aria-label="Command"')
        copy = raw("Copy", "button").props('type="button"')
        said = raw("", "p", "quiet").props('role="status"')
        copy.on("click", lambda: said.set_content("Copied."), js_handler=_copying(line))

    def _touched(self) -> None:
        """What is in the form is no longer what was previewed."""
        self._stale = True
        if self._busy or "fresh" not in self._result.classes:
            return
        self._result.classes(remove="fresh")
        self._actions.clear()
        with self._actions:
            raw("The form has changed since: preview it again.", "p", "quiet")

    # --- publishing

    def _offer_to_do(self, shown: Shown, do: Do) -> None:
        button = raw(shown.does, "button").props('type="button"')
        button.on("click", lambda: self._ask_once_more(shown, do))

    def _ask_once_more(self, shown: Shown, do: Do) -> None:
        if self._busy:
            return
        self._actions.clear()
        with self._actions, ui.element("div").props('role="group" aria-labelledby="sure"').classes("sure"):
            raw(escape(shown.sure), "p").props('id="sure" tabindex="-1"')
            raw(shown.never, "p", "quiet")
            with ui.element("div").classes("actions"):
                yes = raw(shown.yes, "button", "first").props('type="button"')
                no = raw("Not now", "button").props('type="button"')
        yes.on("click", lambda: self._do(do))
        no.on("click", lambda: self._not_now(shown, do))
        self._focus("sure")

    def _not_now(self, shown: Shown, do: Do) -> None:
        if self._busy:
            return
        self._actions.clear()
        with self._actions:
            self._offer_to_do(shown, do)
        self._focus("previewed")

    async def _do(self, do: Do) -> None:
        if self._busy:
            return
        self._busy = True
        try:
            done = await do()
        except Exception as error:  # noqa: BLE001 - as above
            self._busy = False
            self._actions.clear()
            self._result.classes(remove="fresh")
            self._refuse(error)
            return
        await self._until.finished(await done)

    async def _publish(self, change: Change, preview: Preview) -> Awaitable[str]:
        told = await self._changing.resident.publish(preview)
        logger().info("changed", campaign=told.campaign, revision=told.revision, by=change.by, kind=change.kind)
        return self._published(told)

    async def _published(self, told: Published) -> str:
        await self._until.published(told)
        since = asking.moment(Instant.fromisoformat(told.effective_at), self._one.offer.zone)
        return previews.done(f"{told.campaign} revision {told.revision} is published, in force from {since}.")

    async def _move(self, move: StockMove, preview: MovePreview) -> Awaitable[str]:
        await self._changing.resident.carry_out(preview)
        logger().info("moved", id=preview.transfer.id, offer=move.offer, by=move.by)
        return self._moved(move, preview.transfer)

    async def _moved(self, move: StockMove, transfer: Transfer) -> str:
        taken = await self._until.moved(transfer, self._one.places[f"{move.gift}/{move.site}"].sent)
        if isinstance(taken, PutAside):
            return previews.put_aside(f"Not moved: {previews.moved(move)}. The ledger put it aside, {taken.why}.")
        said = "Moved" if taken else "Handed to the ledger, which has not carried it out yet"
        there = "" if move.to_site == move.site else previews.arrival(move, transfer.id, self._changing.reached)
        return previews.done(f"{said}: {previews.moved(move)}.", there)

    # --- what went wrong

    def _clean(self) -> None:
        self._problem.set_content("")
        for wrong in self._wrong.values():
            wrong.set_content("")
        self._run(
            "for (const e of document.querySelectorAll('.change [aria-invalid]')) e.removeAttribute('aria-invalid')"
        )

    def _refuse(self, error: Exception) -> None:
        if isinstance(error, ChangeRefused):
            text = asking.localised(str(error), self._one.offer).rstrip(".") + "."
        elif isinstance(error, FileErrors):
            text = str(error)
        else:
            logger().error("not_changed", reason=str(error))
            text = f"It could not be done: {error}"
        self._problem.set_content(f"<p>{escape(text[:1].upper() + text[1:])}</p>")
        self._focus("problem")

    def _point_at(self, field: str) -> None:
        self._run(
            f"const e = document.querySelector('.change [name={field}]'); "
            "if (e.type !== 'radio') e.setAttribute('aria-invalid', 'true'); e.focus()"
        )

    def _focus(self, name: str) -> None:
        self._run(f"document.getElementById('{name}')?.focus()")

    def _run(self, code: str) -> None:
        _ = self._client.run_javascript(code)


def _copying(line: str) -> str:
    return f"() => navigator.clipboard.writeText({json.dumps(line)}).then(() => emit())"
