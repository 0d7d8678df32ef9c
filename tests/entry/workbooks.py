"""Workbooks written by hand after the standards: SpreadsheetML (ECMA-376) and OpenDocument 1.2 (ISO/IEC 26300), from memory."""

import datetime
import io
import zipfile
from xml.sax.saxutils import escape, quoteattr

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_REL = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_OF_XLSX = {
    "[Content_Types].xml": f'<Types xmlns="{_PACKAGE}/content-types"><Default Extension="rels" ContentType='
    '"application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>'
    '<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>',
    "_rels/.rels": f'<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="r1" Type="{_REL}/officeDocument" Target="xl/workbook.xml"/>'
    "</Relationships>",
    # Number format 14 is a day.
    "xl/styles.xml": f'<styleSheet xmlns="{_MAIN}"><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="14" applyNumberFormat="1"/></cellXfs></styleSheet>',
}


def _packed(parts) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, text in parts.items():
            packed.writestr(name, text)
    return out.getvalue()


def xlsx(**sheets) -> bytes:
    """Return a workbook of sheets, each a list of rows of text, numbers, days and True."""
    parts, names = dict(_OF_XLSX), list(sheets)
    parts["xl/workbook.xml"] = (f'<workbook xmlns="{_MAIN}" xmlns:r="{_REL}"><sheets>' + "".join(
        f'<sheet name={quoteattr(name)} sheetId="{n}" r:id="s{n}"/>' for n, name in enumerate(names, 1)) + "</sheets></workbook>")
    parts["xl/_rels/workbook.xml.rels"] = f'<Relationships xmlns="{_PACKAGE}/relationships">' + "".join(
        f'<Relationship Id="s{n}" Type="{_REL}/worksheet" Target="worksheets/sheet{n}.xml"/>' for n in range(1, len(names) + 1)) + (
        f'<Relationship Id="st" Type="{_REL}/styles" Target="styles.xml"/></Relationships>')
    for number, rows in enumerate(sheets.values(), 1):
        body = "".join(f'<row r="{r}">' + "".join(_xlsx_cell(cell, f"{chr(64 + c)}{r}") for c, cell in enumerate(row, 1) if cell is not None) + "</row>"
                       for r, row in enumerate(rows, 1))
        parts[f"xl/worksheets/sheet{number}.xml"] = f'<worksheet xmlns="{_MAIN}"><sheetData>{body}</sheetData></worksheet>'
    return _packed(parts)


def _xlsx_cell(cell, at) -> str:
    if isinstance(cell, bool):
        return f'<c r="{at}" t="b"><v>{int(cell)}</v></c>'
    if isinstance(cell, datetime.date):
        return f'<c r="{at}" s="1"><v>{(cell - datetime.date(1899, 12, 30)).days}</v></c>'
    if isinstance(cell, str):
        return f'<c r="{at}" t="inlineStr"><is><t>{escape(cell)}</t></is></c>'
    return f'<c r="{at}"><v>{cell!r}</v></c>'


def ods(**sheets) -> bytes:
    """Return an OpenDocument workbook of the same."""
    tables = "".join(f"<table:table table:name={quoteattr(name)}>" + "".join(
        "<table:table-row>" + "".join(map(_ods_cell, row)) + "</table:table-row>" for row in rows)
        # As programs end a sheet: a million empty rows in one.
        + '<table:table-row table:number-rows-repeated="1048000"><table:table-cell table:number-columns-repeated="1024"/></table:table-row></table:table>'
        for name, rows in sheets.items())
    space = "urn:oasis:names:tc:opendocument:xmlns"
    return _packed({"mimetype": "application/vnd.oasis.opendocument.spreadsheet", "content.xml":
                    f'<office:document-content xmlns:office="{space}:office:1.0" xmlns:table="{space}:table:1.0" xmlns:text="{space}:text:1.0" '
                    f'office:version="1.2"><office:body><office:spreadsheet>{tables}</office:spreadsheet></office:body></office:document-content>',
                    "META-INF/manifest.xml": f'<manifest:manifest xmlns:manifest="{space}:manifest:1.0"><manifest:file-entry manifest:full-path="/" '
                    'manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/></manifest:manifest>'})


def _ods_cell(cell) -> str:
    if cell is None:
        return "<table:table-cell/>"
    if isinstance(cell, bool):
        return f'<table:table-cell office:value-type="boolean" office:boolean-value="{str(cell).lower()}"/>'
    if isinstance(cell, datetime.date):
        return f'<table:table-cell office:value-type="date" office:date-value="{cell.isoformat()}"/>'
    if isinstance(cell, str):
        return f'<table:table-cell office:value-type="string"><text:p>{escape(cell)}</text:p></table:table-cell>'
    return f'<table:table-cell office:value-type="float" office:value="{cell!r}"/>'
