"""Pick tickets as one HTML page that prints on A4: no script, nothing fetched, every barcode a path.

State, cautions and gifts are told by words, borders and signs, so that they survive a black-and-white printer.
"""

from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files

from makeweight.adapters.documents.symbols import Symbol, bars, symbol
from makeweight.planning.sheet import Declared, GiftOnSheet, Goods, Sheet

NARROW = 13  # characters of a Code 128 that fits a column
_BAR_HEIGHT = 34  # modules, for a symbol that is one high
CAUTION_SIGN = (
    '<svg class="sign" viewBox="0 0 24 22" aria-hidden="true"><path d="M12 1 23 21H1Z" fill="none" '
    'stroke="currentColor" stroke-width="2.4" stroke-linejoin="round"/><path d="M12 8v6.5" stroke="currentColor" '
    'stroke-width="2.6"/><circle cx="12" cy="17.6" r="1.6" fill="currentColor"/></svg>'
)
_SIGNS = {
    "stop": '<svg class="sign" viewBox="0 0 24 24" aria-hidden="true"><path d="M8 1h8l7 7v8l-7 7H8l-7-7V8Z" '
    'fill="none" stroke="currentColor" stroke-width="2.2"/><path d="m7 7 10 10M17 7 7 17" stroke="currentColor" '
    'stroke-width="2.6"/></svg>',
    "heed": CAUTION_SIGN,
    "go": "",
}


def page(sheets: Sequence[Sheet], title: str, above: str = "") -> str:
    """A whole page of one or more sheets, each beginning on a page of paper. ``above`` is HTML that isn't printed."""
    css = files("makeweight.adapters.documents").joinpath("sheet.css").read_text("utf-8")
    body = "\n".join(article(one) for one in sheets)
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<title>{escape(title)}</title>\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<style>\n{css}</style>\n</head>\n<body>\n{above}<main>\n{body}\n</main>\n</body>\n</html>\n"
    )


def article(one: Sheet) -> str:
    """One sheet."""
    head = (
        f'<header><div><h1><span class="kind">Pick ticket</span> <span class="id">{escape(one.ticket)}</span></h1>'
        f"<dl>{_facts(one)}</dl></div>{svg(symbol(one.ticket), 'ticket')}</header>"
    )
    parts = [head, _banner(one), _take_off(one), _gifts(one), _goods(one), _customs(one)]
    return (
        f'<article class="sheet" aria-label="Pick ticket {escape(one.ticket)}">\n'
        + "\n".join(
            part
            for part in [*parts, f"<footer>{escape(one.ticket)}, {escape(one.edition)}: end of ticket</footer>"]
            if part
        )
        + "\n</article>"
    )


def _facts(one: Sheet) -> str:
    named = [
        ("Site", one.site),
        ("Order", one.order),
        ("Edition", one.edition),
        ("To", one.destination),
        ("Service", one.service),
        ("Units to pick", str(one.units)),
        ("With it", ", ".join(one.benefits)),
    ]
    return "".join(f"<div><dt>{name}</dt><dd>{escape(text)}</dd></div>" for name, text in named if text)


def _banner(one: Sheet) -> str:
    why = f"<p>{escape(one.banner.why)}</p>" if one.banner.why else ""
    says = f'<p class="says">{_SIGNS[one.banner.weight]}{escape(one.banner.says)}</p>'
    return f'<div class="banner {one.banner.weight}">{says}{why}</div>'


def _take_off(one: Sheet) -> str:
    if not one.take_off:
        return ""
    lines = "".join(f"<li>{escape(text)}</li>" for text in one.take_off)
    return f'<section class="off"><h2>Put back on the shelf, if it can still be stopped</h2><ul>{lines}</ul></section>'


def _table(one: Sheet, name: str, columns: Iterable[str], rows: Iterable[str]) -> str:
    """A table that repeats its head, with the ticket's id, on every page that it runs over."""
    heads = "".join(
        f'<th scope="col"{_class(column)}>{column or "<span class=unseen>Done</span>"}</th>' for column in columns
    )
    count = heads.count("<th")
    named = f'<h2>{name} <span class="small">of {escape(one.ticket)}</span></h2>'
    caption = f'<tr class="again"><td colspan="{count}">{named}</td></tr>'
    return f"<table><thead>{caption}<tr>{heads}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def _class(column: str) -> str:
    return ' class="number"' if column in ("Units", "Line", "Value") else ""


def _gifts(one: Sheet) -> str:
    if not one.gifts:
        return ""
    rows = (_gift(gift) for gift in one.gifts)
    table = _table(one, "Gifts", ("", "Units", "Gift", "Scan"), rows)
    return f'<section class="gifts">{table}</section>'


def _gift(gift: GiftOnSheet) -> str:
    mark = '<span class="mark">Gift</span>'
    instead = '<p class="instead">In place of the gift that was announced.</p>' if gift.substitute else ""
    cautions = "".join(f"<li>{CAUTION_SIGN}{escape(text)}</li>" for text in gift.cautions)
    box = f'<ul class="cautions" aria-label="Cautions">{cautions}</ul>' if cautions else ""
    told = f'<p class="small">{escape(gift.gift)} for {escape(gift.offer)}; {escape(gift.earned_by)}.</p>'
    return (
        f'<tr><td class="tick"></td><td class="number units">{gift.units}</td>'
        f"<td>{mark} <strong>{escape(gift.title)}</strong>{instead}{box}{told}</td>"
        f'<td class="scan">{_scan(gift.scanned)}</td></tr>'
    )


def _goods(one: Sheet) -> str:
    if not one.goods:
        return ""
    rows = (_line(line) for line in one.goods)
    return f"<section>{_table(one, 'Goods', ('', 'Units', 'Line', 'Item', 'Scan'), rows)}</section>"


def _line(line: Goods) -> str:
    brand = f' <span class="small">{escape(line.brand)}</span>' if line.brand else ""
    late = ' <span class="small">back-ordered</span>' if line.back_ordered else ""
    return (
        f'<tr><td class="tick"></td><td class="number units">{line.units}</td><td class="number">{line.number}</td>'
        f'<td><strong>{escape(line.sku)}</strong>{brand}{late}</td><td class="scan">{_scan(line.scanned)}</td></tr>'
    )


def _customs(one: Sheet) -> str:
    if not one.customs:
        return ""
    rows = (_declared(line) for line in one.customs)
    columns = ("Units", "Description", "Commodity code", "Origin", "Category", "Value")
    return (
        f"<section class='customs'>{_table(one, 'Customs lines of gifts', columns, rows)}<p>{one.tariff}</p></section>"
    )


def _declared(line: Declared) -> str:
    texts = (line.description, line.hs_code, line.origin, line.category)
    cells = "".join(f"<td>{escape(text)}</td>" for text in texts)
    return f'<tr><td class="number">{line.units}</td>{cells}<td class="number">{escape(line.value)}</td></tr>'


def _scan(content: str) -> str:
    """What a scanner reads on an item, with the same for people below."""
    drawn = bars(content) if content.isascii() and content.isdigit() else symbol(content, NARROW)
    return f'{svg(drawn, "item")}<span class="small">{escape(content)}</span>'


def svg(drawn: Symbol, of: str) -> str:
    """A symbol as one path; a scanner's text is its name for those who don't see it."""
    stretch = 1 if drawn.kind == "qr" else _BAR_HEIGHT
    path = "".join(f"M{r.x} {r.y}h{r.width}v{r.height * stretch}h-{r.width}z" for r in drawn.black)
    kind = "QR code" if drawn.kind == "qr" else "Code 128"
    return (
        f'<svg class="symbol {drawn.kind} {of}" role="img" aria-label="{kind} of {escape(drawn.content)}" '
        f'style="--modules:{drawn.width}" viewBox="0 0 {drawn.width} {drawn.height * stretch}" '
        f'preserveAspectRatio="none" shape-rendering="crispEdges"><rect width="100%" height="100%" fill="#fff"/>'
        f'<path d="{path}" fill="#000"/></svg>'
    )
