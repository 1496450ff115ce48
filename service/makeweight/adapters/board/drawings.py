"""Small drawings as SVG, in the colour of the text around them.

Each one's name says what it shows to whoever can't see it.
Shapes carry the meaning: a band has an outline, its middle a line, the hour that is not over yet a hollow bar.
"""

from collections.abc import Sequence
from html import escape

from makeweight.domain.moments import Instant, seconds_between
from makeweight.insight.runout import RunOut

WIDTH, HEIGHT = 1_000, 44
ROOM = 1.25  # the time that is drawn, of the time until the stock is most likely gone
BAR, GAP, TALL = 8, 2, 40

_SIGNS = {
    "stop": '<path d="M8 1h8l7 7v8l-7 7H8l-7-7V8Z"/><path d="m7.5 7.5 9 9m0-9-9 9"/>',
    "heed": '<path d="M12 2.5 22.5 21.5h-21Z"/><path d="M12 9v6"/><path d="M12 17.6v1.2"/>',
    "go": '<circle cx="12" cy="12" r="10.5"/><path d="m6.5 12.5 4 4 7-8.5"/>',
    "wait": '<circle cx="12" cy="12" r="10.5"/><path d="M12 5.5V12l4.5 3"/>',
    "over": '<circle cx="12" cy="12" r="10.5"/><path d="M7 12h10"/>',
}


def sign(kind: str) -> str:
    """A sign beside a word that says the same."""
    return (
        f'<svg class="sign" viewBox="0 0 24 24" aria-hidden="true" fill="none" stroke="currentColor" '
        f'stroke-width="2.2" stroke-linejoin="round" stroke-linecap="round">{_SIGNS[kind]}</svg>'
    )


def axis_end(clock: RunOut, now: Instant, ends: Instant) -> Instant:
    """How far the band's axis goes: to the end of the offer, or a little beyond the band where that is much earlier."""
    if clock.at_p95 is None:
        return ends
    return min(ends, now + ROOM * (clock.at_p95 - now))


def band(clock: RunOut, now: Instant, ends: Instant, says: str) -> str:
    """The run-out as a band from 5 to 95 % on a line of time, its median a stroke. Empty where there is no band."""
    end = axis_end(clock, now, ends)
    whole = seconds_between(now, end)
    if clock.at_p05 is None or whole <= 0:
        return ""

    def across(at: Instant) -> float:
        return round(WIDTH * min(1.0, max(0.0, seconds_between(now, at) / whole)), 1)

    left, right = across(clock.at_p05), across(clock.at_p95 or end)
    shape = [
        f'<path class="line" d="M0 {HEIGHT - 1}H{WIDTH}M1 {HEIGHT - 12}V{HEIGHT}M{WIDTH - 1} {HEIGHT - 12}V{HEIGHT}"/>'
    ]
    top, bottom = 6, HEIGHT - 8
    edge = "" if clock.at_p95 is None else f"V{bottom}"
    shape.append(f'<rect class="fill" x="{left}" y="{top}" width="{max(4.0, right - left)}" height="{bottom - top}"/>')
    shape.append(f'<path class="edge" d="M{left} {bottom}V{top}H{max(left + 4, right)}{edge}"/>')
    if clock.at_p50 is not None:
        shape.append(f'<path class="middle" d="M{across(clock.at_p50)} 0V{HEIGHT - 2}"/>')
    return (
        f'<svg class="band" role="img" aria-label="{escape(says)}" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'preserveAspectRatio="none">{"".join(shape)}</svg>'
    )


def spark(units: Sequence[int], says: str) -> str:
    """Bars of units an hour, the last one hollow: that hour is not over yet."""
    most = max(units, default=0)
    if most <= 0:
        return ""
    bars = []
    for number, count in enumerate(units):
        tall = round((TALL - 2) * max(0, count) / most, 1)
        running = number == len(units) - 1
        x, y = number * (BAR + GAP) + 1, round(TALL - tall - 1, 1)
        if tall:
            bars.append(
                f'<rect class="{"running" if running else "bar"}" x="{x}" y="{y}" width="{BAR}" height="{tall}"/>'
            )
    wide = len(units) * (BAR + GAP)
    return (
        f'<svg class="spark" role="img" aria-label="{escape(says)}" viewBox="0 0 {wide} {TALL}" '
        f'preserveAspectRatio="none"><path class="line" d="M0 {TALL - 0.5}H{wide}"/>{"".join(bars)}</svg>'
    )
