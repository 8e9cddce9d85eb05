"""Parts of an HTML page; every text that is put in is escaped here and nowhere else."""

import re
from collections.abc import Iterable
from html import escape
from typing import TYPE_CHECKING
from xml.etree import ElementTree

from rich.markup import render
from rich.table import Table

from craterfront.reports.figure_style import as_svg

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SVG = "http://www.w3.org/2000/svg"
_LINK = "{http://www.w3.org/1999/xlink}href"
_NOT_IN_A_PAGE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]")
_MOST_ON_ONE_PAGE = 25  # rows of a table that is not divided in print
_LONG_NUMBER = re.compile(r"-?\d+\.\d{3,}(?!\d*e)")


def text(written: str) -> str:
    """A text that is shown as it is written; what a page cannot hold shows as a mark."""
    return escape(_NOT_IN_A_PAGE.sub("\ufffd", written))


def paragraph(written: str, kind: str = "") -> str:
    return f"<p{_kind(kind)}>{text(written)}</p>"


def bullets(lines: Iterable[str], kind: str = "") -> str:
    """A list; nothing where there are no lines."""
    items = "".join(f"<li>{text(line)}</li>\n" for line in lines)
    return f"<ul{_kind(kind)}>\n{items}</ul>" if items else ""


def heading(written: str) -> str:
    return f"<h2>{text(written)}</h2>"


def section(name: str, title: str, content: Iterable[str]) -> str:
    """A part of the page; its name, of letters, can be linked to."""
    inner = "\n".join(part for part in content if part)
    return f'<section id="{name}">\n{heading(title)}\n{inner}\n</section>'


def link(name: str, title: str) -> str:
    """A line of the contents."""
    return f'<li><a href="#{name}">{text(title)}</a></li>'


def digests(files: Iterable[tuple[str, str]]) -> str:
    """What each file is, and its digest."""
    items = "".join(
        f'<li>{text(name)}, SHA-256 <span class="digest">{digest}</span></li>\n'
        for name, digest in files
    )
    return f"<ul>\n{items}</ul>"


def preformatted(written: str) -> str:
    return f"<pre><code>{text(written)}</code></pre>"


def table(found: Table) -> str:
    """A table as the command line prints it; the first cell of a row is its heading."""
    columns = found.columns
    numeric = ["number" if column.justify == "right" else "" for column in columns]
    headings = "".join(
        f'<th scope="col"{_kind(kind)}>{_cell(column.header)}</th>'
        for column, kind in zip(columns, numeric, strict=True)
    )
    rows = []
    for first, *others in zip(*(column.cells for column in columns), strict=True):
        cells = "".join(
            f"<td{_kind(kind)}>{_cell(cell)}</td>"
            for cell, kind in zip(others, numeric[1:], strict=True)
        )
        rows.append(f'<tr><th scope="row">{_cell(first)}</th>{cells}</tr>\n')
    length = " short" if len(rows) <= _MOST_ON_ONE_PAGE else ""
    return (
        f'<div class="wide{length}"><table>\n<caption>{_cell(found.title)}</caption>\n'
        f"<thead><tr>{headings}</tr></thead>\n<tbody>\n{''.join(rows)}</tbody>\n</table></div>\n"
    )


def _cell(written: object) -> str:
    """The text of a cell, which holds the marks of `rich`."""
    return text(render(str(written)).plain)


def figure(drawn: "Figure", name: str, seen: str, caption: str) -> str:
    """A figure with its caption.

    Parameters
    ----------
    drawn : Figure
    name : str
        Of letters; identifiers within the figure begin with it, so that they are unique.
    seen : str
        What is seen, for those who do not see it.
    caption : str
    """
    return (
        f'<figure id="{name}">\n{_inline(drawn, name, seen)}\n'
        f"<figcaption>{text(caption)}</figcaption>\n</figure>"
    )


def _inline(drawn: "Figure", name: str, seen: str) -> str:
    """The figure as an element of the page."""
    ElementTree.register_namespace("", _SVG)
    ElementTree.register_namespace("xlink", _LINK[1:].split("}")[0])
    root = ElementTree.fromstring(_NOT_IN_A_PAGE.sub("\ufffd", as_svg(drawn)))
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{{{_SVG}}}metadata", f"{{{_SVG}}}style"):
                parent.remove(child)
    for element in root.iter():
        for key, value in element.attrib.items():
            element.set(key, _own(key, value, name))
    for key, value in (("role", "img"), ("aria-label", seen), ("class", "drawn")):
        root.set(key, value)
    return ElementTree.tostring(root, encoding="unicode", short_empty_elements=True)


def _own(key: str, value: str, name: str) -> str:
    """An attribute with the identifiers of this figure, and lengths no finer than is seen."""
    if key == "id":
        return f"{name}-{value}"
    if key == _LINK and value.startswith("#"):
        return f"#{name}-{value[1:]}"
    if key == "d":
        coarse = _LONG_NUMBER.sub(lambda found: f"{round(float(found[0]), 2):g}", value)
        return " ".join(coarse.split())
    return value.replace("url(#", f"url(#{name}-")


def _kind(kind: str) -> str:
    return f' class="{kind}"' if kind else ""
