"""Tables for a page."""

from __future__ import annotations

import html

from vocomp_lab.sound.checks import By, Each


class Html(str):
    """Text that is HTML already, and goes into a table as it is."""


def table_html(rows, head=(), *, named_by: int | None = 0, css_class: str = "", cell_style: str = "") -> str:
    """A table as HTML.

    Parameters
    ----------
    rows : sequence of sequence
        Cells: :class:`Html`, or anything else that is written as text. The last cell of a row that is shorter than the
        head fills it up.
    head : sequence of str
        Names of the columns.
    named_by : int, optional
        The column with the names of the rows, which screen readers read out with each cell. None: no column has them.
    css_class : str
        Of the table.
    cell_style : str
        CSS for every cell, where a notebook's own style must give way.
    """
    style = f' style="{cell_style}"' if cell_style else ""

    def cell(content, scope="", span=1):
        tag = "th" if scope else "td"
        attributes = (f' scope="{scope}"' if scope else "") + (f' colspan="{span}"' if span > 1 else "") + style
        text = content if isinstance(content, Html) else html.escape(str(content))
        return f"<{tag}{attributes}>{text}</{tag}>"

    def line(row):
        spans = [1] * (len(row) - 1) + [max(len(head) - len(row) + 1, 1)]
        scopes = ["row" if place == named_by and len(row) > 1 else "" for place in range(len(row))]
        return f"<tr>{''.join(map(cell, row, scopes, spans))}</tr>"

    names = f"<thead><tr>{''.join(cell(name, 'col') for name in head)}</tr></thead>" if head else ""
    body = f"<tbody>{''.join(map(line, rows))}</tbody>"
    named = f' class="{css_class}"' if css_class else ""
    return f"<table{named}>{names}{body}</table>"


_HEAD = Each(By(lambda name: name), "a list of names")
_ROWS = Each(Each(By(lambda cell: cell), "a list of cells for each row"), "a list of rows, each a list of cells")


class Table:
    """Numbers as a table: in a page with lines and names that screen readers read out, elsewhere as columns of text.

    Parameters
    ----------
    rows : sequence of sequence
        Cells, each written as text; the first of a row names it.
    head : sequence of str
        Names of the columns, the first one that of the rows.

    Raises
    ------
    ValueError
        If a row has more cells than the head.

    Notes
    -----
    Put it last in a cell to see it.
    """

    def __init__(self, rows, head):
        rows, head = _ROWS.check("rows", rows), _HEAD.check("head", head)
        self.head = tuple(str(name) for name in head)
        self.rows = tuple(tuple(str(cell) for cell in row) for row in rows)
        for row in self.rows:
            if len(row) > len(self.head):
                raise ValueError(f"rows: {len(row)} cells don't fit under {len(self.head)} names; give one for each.")

    def __repr__(self):
        lines = (self.head, *self.rows)
        widths = [max(len(line[place]) for line in lines if place < len(line)) for place in range(len(self.head))]
        return "\n".join("  ".join(map(str.ljust, line, widths)).rstrip() for line in lines)

    def _repr_html_(self):
        return table_html(self.rows, self.head, cell_style="text-align:left")
