"""Parts of the account's page: style, tables, pictures and facts, as HTML text."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape

from controller.account.pictures import Figure

STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.45 "Source Sans 3", "Noto Sans", sans-serif; color: #000; background: #fff; margin: 0 auto;
  padding: 1.5rem 1.2rem 3rem; max-width: 58rem; }
h1 { font-size: 1.6rem; line-height: 1.2; margin: 0 0 .2rem; }
h2 { font-size: 1.15rem; margin: 2.2rem 0 .5rem; border-bottom: 2px solid #000; padding-bottom: .15rem; }
h3 { font-size: 1rem; margin: 1.4rem 0 .3rem; }
p { margin: .4rem 0; max-width: 44rem; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; margin: .5rem 0 .8rem; }
caption { text-align: left; font-weight: 600; padding: .2rem 0; }
th, td { text-align: right; padding: .16rem .5rem; border-bottom: 1px solid #bbb; vertical-align: top; }
td { white-space: nowrap; }
td.words { white-space: normal; }
th { font-weight: 600; border-bottom: 1.5px solid #000; vertical-align: bottom; }
th:first-child, td:first-child, .words { text-align: left; }
tbody th { font-weight: 400; border-bottom: 1px solid #bbb; vertical-align: top; }
tr.sum th, tr.sum td { font-weight: 600; border-top: 1.5px solid #000; border-bottom: 1.5px solid #000; }
dl { display: grid; grid-template-columns: repeat(auto-fit, minmax(9.4rem, 1fr)); gap: .6rem 1.4rem; margin: 1rem 0; }
dl div { border-top: 1.5px solid #000; padding-top: .25rem; }
dt { font-size: .85rem; }
dd { margin: 0; font-size: 1.35rem; line-height: 1.25; font-variant-numeric: tabular-nums; }
dd small { font-size: .85rem; display: block; line-height: 1.35; }
figure { margin: 1rem 0; break-inside: avoid; }
figcaption { font-size: .9rem; margin-bottom: .2rem; }
svg { display: block; width: 100%; height: auto; }
@media (max-width: 40rem) { svg { min-width: 38rem; } }
@media print { @page { margin: 14mm; } body { font-size: 10pt; padding: 0; max-width: none; }
  h2, h3, caption { break-after: avoid; } table, dl { break-inside: avoid; } .wide { overflow: visible; } }
"""


def table(caption: str, heading: Sequence[str], rows: Iterable[Sequence[str]], sums: Sequence[int] = ()) -> str:
    """A table whose first column names the row; `sums` are the rows set off by rules. Columns of text say so by `|`."""
    listed = list(rows)
    worded = [word.startswith("|") for word in heading]
    kinds = [' class="words"' if is_words else "" for is_words in worded]
    head = "".join(
        f'<th scope="col"{kind}>{escape(word.lstrip("|"))}</th>' for word, kind in zip(heading, kinds, strict=True)
    )
    lines = []
    for n, row in enumerate(listed):
        cells = "".join(f"<td{kind}>{escape(cell)}</td>" for cell, kind in zip(row[1:], kinds[1:], strict=True))
        marked = ' class="sum"' if n in sums or n - len(listed) in sums else ""
        lines.append(f'<tr{marked}><th scope="row">{escape(row[0])}</th>{cells}</tr>')
    return (
        f'<div class="wide" role="region" aria-label="{escape(caption)}" tabindex="0"><table><caption>{escape(caption)}'
        f"</caption><thead><tr>{head}</tr></thead><tbody>" + "".join(lines) + "</tbody></table></div>"
    )


def figure(drawn: Mapping[str, Figure], name: str) -> str:
    """A picture by its name, with its caption; nothing when the account has none of this name."""
    known = drawn.get(name)
    if known is None:
        return ""
    caption = escape(known.caption)
    return (
        f"<figure><figcaption>{caption}</figcaption>\n"
        f'<div class="wide" role="region" aria-label="{caption}" tabindex="0">{known.svg}</div></figure>'
    )


def fact(name: str, value: str, note: str = "") -> str:
    """One figure set large, with a note below."""
    small = f"<small>{escape(note)}</small>" if note else ""
    return f"<div><dt>{escape(name)}</dt><dd>{escape(value)}{small}</dd></div>"
