"""Tables for a page: what is in them is what was given, and screen readers can name every cell."""

from __future__ import annotations

import xml.etree.ElementTree as xml

import pytest
from conftest import one_sentence

from vocomp_lab.lessons.tables import Html, Table, table_html


def parts(table):
    """Each row's cells: (tag, attributes, text)."""
    rows = xml.fromstring(table).iter("tr")
    return [[(cell.tag, cell.attrib, "".join(cell.itertext())) for cell in row] for row in rows]


def test_cells_are_written_as_text_unless_they_are_html():
    (row,) = parts(table_html([["<b>", 7, Html("<b>8</b>")]]))
    assert [text for *_, text in row] == ["<b>", "7", "8"]


def test_columns_and_rows_are_named():
    head, row = parts(table_html([["a", "b"]], ("x", "y"), named_by=1))
    assert [(tag, names["scope"]) for tag, names, _ in head] == [("th", "col"), ("th", "col")]
    assert [(tag, names) for tag, names, _ in row] == [("td", {}), ("th", {"scope": "row"})]
    assert [tag for tag, *_ in parts(table_html([["a", "b"]], named_by=None))[0]] == ["td", "td"]


def test_a_short_row_fills_up_the_table():
    _, short, whole = parts(table_html([["all"], ["a", "b", "c"]], ("x", "y", "z")))
    assert short == [("td", {"colspan": "3"}, "all")]
    assert all("colspan" not in names for _, names, _ in whole)


def test_a_class_and_a_style_of_cells():
    table = table_html([["a"]], ("x",), css_class="tall", cell_style="text-align:left")
    assert xml.fromstring(table).attrib == {"class": "tall"}
    assert all(names["style"] == "text-align:left" for row in parts(table) for _, names, _ in row)


def test_a_table_is_text_where_there_is_no_page():
    table = Table([["attack 1 ms", 2.5], ["30 ms"]], ("", "gain in dB"))
    assert repr(table).splitlines() == ["             gain in dB", "attack 1 ms  2.5", "30 ms"]
    head, first, short = parts(table._repr_html_())
    assert [text for *_, text in first] == ["attack 1 ms", "2.5"] and first[0][0] == "th" and len(short) == 1
    one_sentence(pytest.raises(ValueError, Table, [[1, 2, 3]], ("one", "two")), "rows", "3 cells")
