"""The report as one HTML file that prints well: sections of words, tables and pictures, no script, nothing fetched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

from simulator.advise.pictures import Bars, Chart, draw_bars, draw_chart

_STYLE = """
@page { size: A4; margin: 16mm 14mm; }
body { font: 15px/1.45 Georgia, "Times New Roman", serif; color: #000; background: #fff; margin: 0 auto; padding: 1rem;
  max-width: 46rem; }
h1 { font-size: 1.5rem; margin: 0 0 .2rem; }
h2 { font-size: 1.25rem; margin: 2rem 0 .4rem; border-bottom: 2px solid #000; break-after: avoid; }
h3 { font-size: 1rem; margin: 1.2rem 0 .3rem; break-after: avoid; }
p, ul, ol { margin: .4rem 0; }
li { margin: .15rem 0; }
figure { margin: .8rem 0; break-inside: avoid; }
figure > svg { width: 100%; height: auto; display: block; font: 12px Helvetica, Arial, sans-serif; }
figcaption { font-weight: bold; margin-bottom: .3rem; }
.key { list-style: none; padding: 0; margin: .2rem 0; font: 13px Helvetica, Arial, sans-serif; display: flex;
  flex-wrap: wrap; gap: .1rem 1.2rem; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; margin: .5rem 0; width: 100%; font-size: .88rem; break-inside: avoid; }
caption { text-align: left; font-weight: bold; padding-bottom: .2rem; }
th, td { border-bottom: 1px solid #999; padding: .22rem .45rem; text-align: right; vertical-align: top; }
thead th { border-bottom: 2px solid #000; }
th:first-child, td:first-child { text-align: left; }
td { white-space: nowrap; }
td:first-child, td.words { text-align: left; white-space: normal; }
.short h3 { margin-top: .2rem; }
.short { border: 2px solid #000; padding: .4rem 1rem; break-inside: avoid; }
.warn { border-left: 6px solid #000; padding: .1rem .8rem; break-inside: avoid; }
.rests { font-size: .86rem; border-top: 1px solid #999; padding-top: .3rem; }
@media print { body { padding: 0; max-width: none; font-size: 10.5pt; } table { font-size: 8.5pt; }
  th, td { padding: 1.5pt 3pt; } .wide { overflow: visible; } a { color: #000; text-decoration: none; } }
"""


@dataclass(frozen=True, slots=True)
class Table:
    """Columns of words (aligned left) are named in `words` by their place."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Warnings:
    """What needs attention, each a sentence."""

    texts: tuple[str, ...]


Block = str | Table | Chart | Bars | Warnings


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the report.

    found   for the summary on top: one sentence each
    rests   assumptions and sources, one sentence each
    data    the same numbers for programs
    """

    key: str
    title: str
    blocks: tuple[Block, ...]
    found: tuple[str, ...] = ()
    rests: tuple[str, ...] = ()
    data: dict[str, Any] = field(default_factory=dict)


def report_html(title: str, lead: Sequence[str], sections: Sequence[Section]) -> str:
    """The whole file."""
    found = "".join(f"<li>{escape(text)}</li>" for section in sections for text in section.found)
    parts = [
        f"<h1>{escape(title)}</h1>",
        *(f"<p>{escape(text)}</p>" for text in lead),
        f'<div class="short"><h3>In short</h3><ul>{found}</ul></div>',
        *(_section_html(number, section) for number, section in enumerate(sections, 1)),
    ]
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><title>{escape(title)}</title>'
        f"<style>{_STYLE}</style></head>\n<body>\n" + "\n".join(parts) + "\n</body></html>\n"
    )


def _section_html(number: int, section: Section) -> str:
    rests = "".join(f"<li>{escape(text)}</li>" for text in section.rests)
    rests_html = f'<div class="rests"><h3>What this rests on</h3><ul>{rests}</ul></div>' if rests else ""
    blocks = "\n".join(_block_html(block) for block in section.blocks)
    return f'<section id="{section.key}"><h2>{number}. {escape(section.title)}</h2>\n{blocks}\n{rests_html}</section>'


def _block_html(block: Block) -> str:
    if isinstance(block, str):
        return f"<p>{escape(block)}</p>"
    if isinstance(block, Warnings):
        return '<div class="warn">' + "".join(f"<p>{escape(text)}</p>" for text in block.texts) + "</div>"
    if isinstance(block, Table):
        return _table_html(block)
    drawn = draw_chart(block) if isinstance(block, Chart) else draw_bars(block)
    return f"<figure><figcaption>{escape(block.title)}</figcaption>{drawn}</figure>"


def _table_html(table: Table) -> str:
    def cell(place: int, text: str) -> str:
        return f'<td class="words">{escape(text)}</td>' if place in table.words else f"<td>{escape(text)}</td>"

    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in table.head)
    rows = "".join("<tr>" + "".join(cell(n, text) for n, text in enumerate(row)) + "</tr>" for row in table.rows)
    return (
        f'<div class="wide"><table><caption>{escape(table.caption)}</caption><thead><tr>{head}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )
