"""What pages share: one HTML file, its style inside, no script, nothing from elsewhere; light, dark and on paper."""

from collections.abc import Iterable, Sequence
from html import escape

from controller.cli.options import is_numeric

STYLE = """
:root { --ink: #222; --paper: #fff; --faint: #ddd; --shade: #f4f4f2; color-scheme: light dark; }
@media (prefers-color-scheme: dark) { :root { --ink: #ddd; --paper: #1b1b1b; --faint: #444; --shade: #262626; } }
@media print {
  :root { --ink: #000; --paper: #fff; --faint: #ccc; --shade: #fff; }
  body { max-width: none; font-size: 10pt; } tr, details { break-inside: avoid; } h2 { break-after: avoid; } }
body { background: var(--paper); color: var(--ink); font: 15px/1.45 system-ui, sans-serif;
  max-width: 900px; margin: 2em auto; padding: 0 1em; }
h1 { font-size: 1.5em; margin-bottom: 0; } h2 { font-size: 1.15em; margin: 1.8em 0 0.3em; }
section { overflow-x: auto; } p { margin: 0.3em 0; } .quiet { opacity: 0.8; } .sign { margin-top: 2.5em; }
.facts { display: flex; flex-wrap: wrap; gap: 0.6em; padding: 0; list-style: none; margin: 1em 0; }
.facts li { background: var(--shade); border: 1px solid var(--faint); padding: 0.4em 0.8em; min-width: 8em; }
.facts b { display: block; font-size: 1.3em; }
table { border-collapse: collapse; width: 100%; margin: 0.4em 0; font-size: 0.93em; }
th, td { text-align: left; padding: 0.2em 1.1em 0.2em 0; border-bottom: 1px solid var(--faint); vertical-align: top; }
.n { text-align: right; font-variant-numeric: tabular-nums; }
summary { cursor: pointer; margin: 0.6em 0; }
svg { width: 100%; height: auto; } svg text { fill: currentColor; }
"""


def page(title: str, *parts: str) -> str:
    """A whole page; parts are markup."""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body>"
        f"<h1>{escape(title)}</h1>{''.join(parts)}</body></html>\n"
    )


def section(title: str, text: str, *parts: str) -> str:
    """A heading, a sentence or none, and markup below."""
    sentence = f'<p class="quiet">{escape(text)}</p>' if text else ""
    return f"<section><h2>{escape(title)}</h2>{sentence}{''.join(parts)}</section>"


def table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table; columns of numbers are set right."""
    cells = [*rows]
    classes = ["" if not is_numeric(column) else " class=n" for column in zip(*cells, strict=True)] or [""] * len(
        header
    )

    def marked(row: Sequence[str], tag: str) -> str:
        return "".join(f"<{tag}{css}>{escape(cell)}</{tag}>" for css, cell in zip(classes, row, strict=True))

    body = "".join(f"<tr>{marked(row, 'td')}</tr>" for row in cells)
    return f"<table><thead><tr>{marked(header, 'th')}</tr></thead><tbody>{body}</tbody></table>"
