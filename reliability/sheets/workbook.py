"""Spreadsheet workbooks as rows of cells, after a look at what they would cost."""

from __future__ import annotations

import io
import re
import zipfile
from typing import Any

from reliability.sheets.limits import LIMITS, Limits
from reliability.sheets.table import refuse

_PLACE = re.compile(
    rb"<(?:\w{1,20}:)?(?:c|row)\s[^<>]{0,400}?\br\s{0,9}=\s{0,9}[\"']([^\"']{0,40})[\"']"
)
_ROW = re.compile(rb"<table:table-row\b([^>]*)(?<!/)>(.*?)</table:table-row>", re.S)
_FULL = re.compile(rb"<table:table-cell\b([^>]*\boffice:value-type=[^>]*)>")
_REPEATED = re.compile(rb"number-(?:rows|columns)-repeated=[\"']([0-9]{1,9})[\"']")
_CELL = re.compile(r"([A-Z]{0,3})([0-9]{1,7})")


def _column(letters: str) -> int:
    n = 0
    for c in letters:
        n = n * 26 + ord(c) - 64
    return n


def check_workbook(name: str, data: bytes, limits: Limits = LIMITS) -> None:
    """Refuse a workbook whose farthest cell or unpacked size passes a limit, before it is read.

    A reader lays a rectangle out to the farthest cell; one cell at XFD1048576 asks for 550 GB. So the
    places that the sheets' own XML names are looked through first.

    Raises
    ------
    SheetError
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as z:
            infos = z.infolist()
            # zipfile never unpacks more than the directory says, so the sum holds
            if len(infos) > 2000 or sum(i.file_size for i in infos) > limits.unpacked_bytes:
                raise refuse(name, limits.refusal("unpacked_bytes"))
            if any(i.filename == "content.xml" for i in infos):
                _check_open_document(name, z.read("content.xml"), limits)
            for i in infos:
                if re.fullmatch(r"/?xl/worksheets/[^/]*\.xml", i.filename, re.I):
                    _check_part(name, z.read(i), limits)
    except (
        zipfile.BadZipFile,
        OSError,
        NotImplementedError,
        RuntimeError,
        EOFError,
        ValueError,
    ) as e:
        raise refuse(name, f"not readable as a workbook ({type(e).__name__})") from None
    except Exception as e:
        if type(e).__name__ == "error":  # zlib's own
            raise refuse(name, "not readable as a workbook (damaged)") from None
        raise


def _check_open_document(name: str, xml: bytes, limits: Limits) -> None:
    """Refuse cells and rows that are said once and repeated beyond a limit; empty ones fill a sheet's end as usual."""
    if b"<!ENTITY" in xml[:4096] or b"<!DOCTYPE" in xml[:4096]:
        raise refuse(name, "not readable as a spreadsheet (its XML is not plain)")
    if b"manifest:encryption-data" in xml[:4096]:
        raise refuse(name, "the spreadsheet is encrypted; save it without a password")
    cells = 0
    for row in _ROW.finditer(xml):
        full = _FULL.findall(row[2])
        if full:
            cells += _times(row[1]) * sum(map(_times, full))
        if cells > limits.cells:
            raise refuse(name, limits.refusal("cells"))


def _times(attributes: bytes) -> int:
    found = _REPEATED.search(attributes)
    return int(found[1]) if found else 1


def _check_part(name: str, xml: bytes, limits: Limits) -> None:
    if b"\0" in xml[:100] or b"<!ENTITY" in xml[:4096] or b"<!DOCTYPE" in xml[:4096]:
        raise refuse(name, "not readable as a workbook (its XML is not plain UTF-8)")
    row = column = 0
    for place in {m.group(1) for m in _PLACE.finditer(xml)}:
        found = _CELL.fullmatch(place.decode("latin-1").strip().upper())
        if found is None:
            raise refuse(name, "not readable as a workbook (a cell without a place)")
        column = max(column, _column(found.group(1)))
        row = max(row, int(found.group(2)))
    far = f"; its farthest cell lies in row {row:,}, column {column:,}"
    if column > limits.columns:
        raise refuse(name, limits.refusal("columns") + far, row)
    if row > limits.rows:
        raise refuse(name, limits.refusal("rows") + far, row)
    if row * max(column, 1) > limits.cells:
        raise refuse(name, limits.refusal("cells") + far, row)


def workbook_sheets(
    name: str, data: bytes, limits: Limits = LIMITS, first: bool = False
) -> list[tuple[str, list[list[Any]]]]:
    """Names and rows of a workbook's visible sheets (or the first only); row 1 is the first element.

    Raises
    ------
    SheetError
        If it is no workbook, or passes a limit.
    """
    from python_calamine import CalamineWorkbook

    if data[:2] == b"PK":
        check_workbook(name, data, limits)
    else:
        raise refuse(name, "not an XLSX or ODS workbook; save old .xls workbooks as .xlsx")
    out = []
    left = limits.cells
    try:
        with CalamineWorkbook.from_filelike(io.BytesIO(data)) as book:
            for sheet in book.sheet_names[:1] if first else book.sheet_names:
                rows = book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
                left -= len(rows) * max((len(r) for r in rows[:1]), default=0)
                out.append((sheet, rows))
                if left < 0:
                    break
    except Exception as e:  # the library raises its own kinds for each damage
        raise refuse(name, f"not readable as a workbook ({type(e).__name__})") from None
    if left < 0:
        raise refuse(name, limits.refusal("cells"))
    for _, rows in out:
        for i, r in enumerate(rows):
            for c in r:
                if isinstance(c, str) and len(c) > limits.cell_chars:
                    raise refuse(name, limits.refusal("cell_chars"), i + 1)
    return out
