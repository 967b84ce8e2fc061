"""A table as a spreadsheet file (.xlsx) of one sheet, written with Python's own library alone.

The parts and their names are those of Office Open XML (ECMA-376, part 1, "SpreadsheetML"; value from memory). Text is
written as shared strings, so no cell can be a formula, whatever it starts with; numbers are numbers.
"""

from __future__ import annotations

import io
import math
import re
import zipfile
from numbers import Real
from xml.sax.saxutils import escape, quoteattr

from vocomp_lab.sound.checks import shown

MOST_ROWS, MOST_COLUMNS, LONGEST_CELL = 1_048_576, 16_384, 32_767
"""What a sheet of this format can hold."""
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
# What XML 1.0 has no place for; U+FFFD stands in for it, as in text that can't be decoded.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
# In this format, _x followed by four hexadecimal digits and _ stands for a character; the first _ is then written so.
_LIKE_ESCAPE = re.compile(r"_(?=x[0-9A-Fa-f]{4}_)")
_PLAIN, _BOLD = 0, 1
_STYLES = (
    f'{_HEAD}<styleSheet xmlns="{_MAIN}">'
    '<fonts count="2"><font><sz val="11"/><name val="Calibri"/></font>'
    '<font><b/><sz val="11"/><name val="Calibri"/></font></fonts>'
    '<fills count="2"><fill><patternFill patternType="none"/></fill><fill><patternFill patternType="gray125"/></fill>'
    '</fills><borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>'
    '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
    '<cellXfs count="2"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/>'
    '<xf numFmtId="0" fontId="1" fillId="0" borderId="0" xfId="0" applyFont="1"/></cellXfs>'
    '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>'
)


def spreadsheet_bytes(rows, name: str = "marks") -> bytes:
    """A table as the bytes of an .xlsx file. Equal tables give equal bytes.

    Parameters
    ----------
    rows : sequence of sequence
        Cells: text, a finite number, or None for an empty one. The first row is the head: bold, and it stays in sight.
    name : str
        Of the sheet: 1 to 31 characters, none of ``\\ / ? * [ ] :``.

    Returns
    -------
    bytes

    Raises
    ------
    ValueError
        If a cell is something else or too long, the table is too large, or the name is not allowed.
    """
    rows = [list(row) for row in rows]
    if not 1 <= len(name) <= 31 or re.search(r"[\\/?*\[\]:]", name):
        raise ValueError(f"name: {shown(name)} is not allowed; give 1 to 31 characters, none of \\ / ? * [ ] :.")
    columns = max(map(len, rows), default=0)
    if len(rows) > MOST_ROWS or columns > MOST_COLUMNS:
        raise ValueError(
            f"rows: {len(rows)} rows of {columns} cells are too many; give at most {MOST_ROWS} of {MOST_COLUMNS}."
        )
    parts = {
        "[Content_Types].xml": (
            f'{_HEAD}<Types xmlns="{_PACKAGE}/content-types">'
            '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
            '<Default Extension="xml" ContentType="application/xml"/>'
            + "".join(
                f'<Override PartName="/xl/{part}.xml" ContentType='
                f'"application/vnd.openxmlformats-officedocument.spreadsheetml.{kind}+xml"/>'
                for part, kind in (
                    ("workbook", "sheet.main"),
                    ("worksheets/sheet1", "worksheet"),
                    ("styles", "styles"),
                    ("sharedStrings", "sharedStrings"),
                )
            )
            + "</Types>"
        ),
        "_rels/.rels": _relations(("officeDocument", "xl/workbook.xml")),
        "xl/workbook.xml": (
            f'{_HEAD}<workbook xmlns="{_MAIN}" xmlns:r="{_OFFICE}"><sheets>'
            f'<sheet name={quoteattr(_text(name))} sheetId="1" r:id="rId1"/></sheets></workbook>'
        ),
        "xl/_rels/workbook.xml.rels": _relations(
            ("worksheet", "worksheets/sheet1.xml"), ("styles", "styles.xml"), ("sharedStrings", "sharedStrings.xml")
        ),
        "xl/styles.xml": _STYLES,
    }
    texts: dict[str, int] = {}
    parts["xl/worksheets/sheet1.xml"] = _sheet(rows, columns, texts)
    parts["xl/sharedStrings.xml"] = (
        f'{_HEAD}<sst xmlns="{_MAIN}" uniqueCount="{len(texts)}">'
        # A carriage return as it is would come back as a line feed.
        + "".join(f'<si><t xml:space="preserve">{escape(_text(text), {chr(13): "&#13;"})}</t></si>' for text in texts)
        + "</sst>"
    )
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as package:
        for part, text in parts.items():
            # A fixed date (the earliest that a zip file can hold), so that equal tables give equal bytes.
            info = zipfile.ZipInfo(part, (1980, 1, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            package.writestr(info, text.encode("utf-8"))
    return file.getvalue()


def _relations(*targets) -> str:
    inner = "".join(
        f'<Relationship Id="rId{number}" Type="{_OFFICE}/{kind}" Target="{target}"/>'
        for number, (kind, target) in enumerate(targets, start=1)
    )
    return f'{_HEAD}<Relationships xmlns="{_PACKAGE}/relationships">{inner}</Relationships>'


def _sheet(rows, columns: int, texts: dict[str, int]) -> str:
    """The sheet; the texts that its cells refer to by number are added to `texts`."""
    widths = [
        min(max((len(str(row[place])) for row in rows if place < len(row) and row[place] is not None), default=0), 40)
        for place in range(columns)
    ]
    cols = "".join(
        f'<col min="{place}" max="{place}" width="{width + 2}" customWidth="1"/>'
        for place, width in enumerate(widths, start=1)
    )
    lines = "".join(
        f'<row r="{number}">'
        + "".join(
            _cell(f"{_letters(place)}{number}", value, _BOLD if number == 1 else _PLAIN, texts)
            for place, value in enumerate(row)
        )
        + "</row>"
        for number, row in enumerate(rows, start=1)
    )
    head_stays = (
        '<sheetViews><sheetView workbookViewId="0"><pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" '
        'state="frozen"/></sheetView></sheetViews>'
    )
    return (
        f'{_HEAD}<worksheet xmlns="{_MAIN}">{head_stays}{f"<cols>{cols}</cols>" if cols else ""}'
        f"<sheetData>{lines}</sheetData></worksheet>"
    )


def _cell(place: str, value, style: int, texts: dict[str, int]) -> str:
    styled = f' s="{style}"' if style else ""
    if value is None:
        return ""
    if isinstance(value, str):
        if len(value) > LONGEST_CELL:
            raise ValueError(f"rows: cell {place} holds {len(value)} characters; give at most {LONGEST_CELL}.")
        return f'<c r="{place}" t="s"{styled}><v>{texts.setdefault(value, len(texts))}</v></c>'
    if isinstance(value, Real) and not isinstance(value, bool) and math.isfinite(value):
        number = int(value) if isinstance(value, int) else float(value)
        return f'<c r="{place}"{styled}><v>{number!r}</v></c>'
    raise ValueError(f"rows: cell {place} holds {shown(value)}; give text, a finite number or None.")


def _text(value: str) -> str:
    return _LIKE_ESCAPE.sub("_x005F_", _NOT_XML.sub("\ufffd", value))


def _letters(place: int) -> str:
    """A column's name: A, B, …, Z, AA, …"""
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
