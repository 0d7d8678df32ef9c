"""Import: a maker's own spreadsheet or its export, read by guesses that are said.

Decides what encoding, delimiter and decimal mark a CSV or TSV export has and which sheet of a workbook (.xlsx, .ods) is
read (guesses, each of them said and open to correction), what its columns seem to hold, and how its rows become readings once
the maker has said so. What was said of the columns is kept in the lab book's import-mapping.json, so that
the next export of the same shape needs no mapping. No reading is saved here,
and a cell that is no number goes on as it is, for `labbook.check` to name with its row.

Source: Windows-1252 is what spreadsheets on Windows write where they do not write UTF-8 (from memory).
"""

import csv
import datetime
import io
import json
import re
import zipfile
from collections import Counter
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import python_calamine

from testburn import energy
from testburn.entry.typed import number
from testburn.labbook import columns, csvfile, files
from testburn.units import SPACINGS, SPEEDS, named

FILE = "import-mapping.json"
_KEPT = 20
# Words of a heading, in the order they are tried: the more particular ones first.
_HEADINGS = (
    ("gauge_step_mm", r"\bstep|resolution"), ("board_thickness_mm", r"thick"),
    ("wavelength_nm", r"wavelength|\bnm\b"), ("moisture_pct", r"moist"),
    ("focus_offset_mm", r"focus"), ("air_assist", r"\bair\b"), ("sweep_vs_grain", r"grain|sweep"),
    ("line_pitch_mm", r"pitch|spacing|interval|\blines?\b|\blpi\b|\bdpi\b|\blpcm\b"),
    ("module_w", r"module|watt|\bw\b"), ("power_pct", r"power|%"), ("speed_mm_s", r"speed|feed"),
    ("passes", r"pass"),
    ("depth_mm", r"depth|deep|\b(reading|measurement|measured|meas|d) *\d"), ("burned_on", r"date|day|burned on"),
    ("species", r"species|wood|timber|material"), ("board", r"board|plank|piece"),
    ("swatch", r"swatch|square|field|patch|sample"), ("reading", r"reading|repeat"),
    ("burn", r"burn|test|run"), ("note", r"note|remark|comment"), ("invented", r"invented"),
)
_UNIT_WORDS = (
    ("inch/min", r"\b(in|inch)(es)?\s*(/|per)\s*min|\bipm\b"), ("inch/s", r"\b(in|inch)(es)?\s*(/|per)\s*s"),
    ("mm/min", r"mm\s*(/|per)\s*m(in)?"), ("mm/s", r"mm\s*(/|per)\s*s"),
    ("lines per inch", r"lines?\s*(/|per)\s*in|\blpi\b|\bdpi\b"),
    ("lines per cm", r"lines?\s*(/|per)\s*cm|\blpcm\b"), ("lines per mm", r"lines?\s*(/|per)\s*mm"),
    ("%", r"%|\bpct\b|per ?cent"), ("inch", r"\b(in|inch|inches)\b|\""), ("cm", r"\bcm\b"), ("mm", r"\bmm\b"),
)
LARGEST_BYTES, LONGEST_LINE_BYTES, MOST_ROWS = 20_000_000, 1_000_000, 200_000
# Of a workbook, unpacked, and of one of its sheets.
_UNPACKED_BYTES, _MOST_CELLS = 400_000_000, 4_000_000
_ZIP, _OLE = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
DECIMALS = {".": "a point", ",": "a comma"}
ENCODINGS = {"utf-8-sig": "UTF-8", "utf-16": "UTF-16", "cp1252": "Windows-1252"}
_TO_MM = {"mm": float, "cm": lambda cm: cm * 10, "inch": energy.mm_from_inches}
# Mappings of earlier versions say inch where machine.toml says in.
_TO_SPEED = {name.replace("in/", "inch/"): unit.back for name, unit in SPEEDS.items()}
_TO_PITCH = _TO_MM | {name: unit.back for name, unit in SPACINGS.items() if unit.counts}
_DAYS = {"year-month-day": "%Y-%m-%d", "day.month.year": "%d.%m.%Y", "day/month/year": "%d/%m/%Y",
         "month/day/year": "%m/%d/%Y"}
UNITS = {"depth_mm": _TO_MM, "gauge_step_mm": _TO_MM, "board_thickness_mm": _TO_MM,
         "focus_offset_mm": _TO_MM, "speed_mm_s": _TO_SPEED, "line_pitch_mm": _TO_PITCH,
         "power_pct": {name: named("power_pct", name).back for name in ("%", "of 255", "of 1000")}, "burned_on": _DAYS}
_SAMPLE_ROWS = 200


class ImportRefused(ValueError):
    """A file that cannot be taken for a table; the message says why and what to do."""


@dataclass(frozen=True)
class Layout:
    """How a file is written; `sheet` is the one that is read of a workbook, whose other marks are its own."""

    encoding: str = ""
    delimiter: str = ""
    decimal: str = "."
    sheet: str = ""

    @property
    def words(self) -> str:
        if self.sheet:
            return f"a workbook, sheet {self.sheet}"
        return (f"{ENCODINGS[self.encoding]}, {DELIMITERS[self.delimiter]} between the columns, "
                f"{DECIMALS[self.decimal]} in the numbers")


@dataclass(frozen=True)
class Mapping:
    """What the maker said of the columns.

    `sources` names the file's column for each of ours (several depth columns: as many readings a
    row), `fixed` what stands in no column but is the same for all rows, `units` the file's unit.
    """

    sources: dict[str, tuple[str, ...]]
    fixed: dict[str, str]
    units: dict[str, str]

    def fits(self, names) -> bool:
        """True where the file has every column that is mapped."""
        return bool(self.sources) and {one for all_ in self.sources.values() for one in all_} <= set(names)


def guess_layout(content: bytes) -> Layout:
    """Guess how the file is written.

    Raises
    ------
    ImportRefused
        If it is empty, too large or no text at all.
    """
    if not content.strip():
        raise ImportRefused("The file is empty. Export the table again.")
    if len(content) > LARGEST_BYTES:
        raise ImportRefused(f"The file has {len(content) / 1e6:.0f} MB, more than the "
                            f"{LARGEST_BYTES / 1e6:.0f} MB a table of readings can have. "
                            "Export the rows of one burn.")
    if (longest := max(map(len, content.splitlines()))) > LONGEST_LINE_BYTES:
        raise ImportRefused(f"A line of the file has {longest / 1e6:.1f} MB, which is no row of readings. Export the table again.")
    if content.startswith((_ZIP, _OLE)):
        return _guess_sheet(content)
    encoding = "cp1252"
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16"
    elif b"\0" in content:
        raise ImportRefused("The file holds bytes that are not text. Save the table as .xlsx, .ods or CSV, then open that.")
    else:
        try:
            content.decode("utf-8-sig")
            encoding = "utf-8-sig"
        except UnicodeDecodeError:
            pass
    text = _decoded(content, encoding)
    delimiter = max(DELIMITERS, key=lambda mark: _evenness(text, mark))
    return Layout(encoding, delimiter, _guess_decimal(_records(text, delimiter, _SAMPLE_ROWS)))


def sheets(content: bytes) -> list[str]:
    """Return the names of a workbook's sheets.

    Raises
    ------
    ImportRefused
        If it is no workbook that can be read.
    """
    return list(_workbook(content).sheet_names)


def _workbook(content: bytes) -> python_calamine.CalamineWorkbook:
    if content.startswith(_OLE):
        raise ImportRefused("This is a workbook of an old kind, or one with a password. Save it as .xlsx, .ods or CSV, then open that.")
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            if sum(part.file_size for part in packed.infolist()) > _UNPACKED_BYTES:
                raise ImportRefused("The workbook is far larger than a table of readings. Save its sheet alone, then open that.")
        return python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(content))
    except (python_calamine.CalamineError, zipfile.BadZipFile, OSError) as fault:
        raise ImportRefused(f"The workbook cannot be read ({fault}). Save it again as .xlsx or .ods, or as CSV.") from fault


def _guess_sheet(content: bytes) -> Layout:
    """Return the layout of a workbook's first sheet with more than a header."""
    names = sheets(content)
    full = next((name for name in names if len(_cells(content, name, ".")) > 1), None)
    if full is None:
        raise ImportRefused("No sheet of the workbook has rows under a header. Look into it, and save it again.")
    return Layout(decimal=_guess_decimal(_cells(content, full, "")[:_SAMPLE_ROWS]), sheet=full)


def _cells(content: bytes, sheet: str, decimal: str) -> list[list[str]]:
    """Return a sheet's rows that hold anything as text, with the number a spreadsheet shows as first cell.

    Numbers are written with the decimal mark that the sheet's texts have; without a mark they are left out.
    """
    try:
        found = _workbook(content).get_sheet_by_name(sheet)
        if found.total_height > MOST_ROWS or found.total_height * found.total_width > _MOST_CELLS:
            raise ImportRefused(f"Sheet {sheet} has {found.total_height} rows and {found.total_width} columns, more than a table of "
                                "readings can have. Save the rows of one burn alone.")
        rows = found.to_python(skip_empty_area=False)
    except python_calamine.CalamineError as fault:
        raise ImportRefused(f"Sheet {sheet} cannot be read ({fault}). Save it again, or as CSV.") from fault
    texts = ([str(place), *(_cell_text(cell, decimal) for cell in row)] for place, row in enumerate(rows, 1))
    return [row for row in texts if any(row[1:])]


def _cell_text(cell, decimal: str) -> str:
    """Return a sheet's cell as text: a day as it is in ISO 8601, a number in as many digits as it has."""
    if isinstance(cell, bool) or cell is None:
        return {True: "yes", False: "no"}.get(cell, "")
    if isinstance(cell, (int, float)):
        return np.format_float_positional(cell, trim="-").replace(".", decimal) if decimal else ""
    return cell.isoformat()[:10] if isinstance(cell, datetime.date) else str(cell).strip()


def _rows(content: bytes, layout: Layout) -> list[list[str]]:
    """Return a file's rows that hold anything, with the number a spreadsheet shows as first cell."""
    if layout.sheet:
        return _cells(content, layout.sheet, layout.decimal)
    return _records(_decoded(content, layout.encoding).replace("\0", ""), layout.delimiter)


def _decoded(content, encoding) -> str:
    try:
        return content.decode(encoding)
    except UnicodeDecodeError as fault:
        raise ImportRefused(f"The file is not {ENCODINGS[encoding]}: byte {fault.start + 1} is none "
                            "of its letters. Choose another encoding, or export it as UTF-8.") from fault


def _records(text, delimiter, most=None) -> list[list[str]]:
    """Return the rows that hold anything, with the number a spreadsheet shows as first cell."""
    found = []
    try:
        for place, cells in enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), 1):
            if any(cell.strip() for cell in cells):
                found.append([str(place), *cells])
            if most and len(found) >= most:
                break
            if len(found) > MOST_ROWS:
                raise ImportRefused(f"The file has more than {MOST_ROWS} rows. "
                                    "Export the rows of one burn.")
    except csv.Error as fault:
        raise ImportRefused(f"The file is not CSV: {fault}. Export it again as CSV.") from fault
    return found


def _evenness(text, delimiter) -> tuple[float, int]:
    """Return how many rows have the same number of columns, and that number; 1 column is none."""
    try:
        widths = Counter(len(row) - 1 for row in _records(text, delimiter, _SAMPLE_ROWS))
    except ImportRefused:
        return 0.0, 0
    width, often = max(widths.items(), key=lambda item: (item[0] > 1, item[1]), default=(1, 0))
    return (often / sum(widths.values()) if width > 1 else 0.0), width


def _guess_decimal(rows: list[list[str]]) -> str:
    cells = Counter(mark for row in rows for cell in row[1:]
                    for mark in ",." if re.fullmatch(rf"\s*[+-]?\d*\{mark}\d+\s*", cell))
    return "," if cells[","] > cells["."] else "."


def table(content: bytes, layout: Layout) -> pd.DataFrame:
    """Return the file's cells as text; the index is the row number a spreadsheet shows.

    The header is the first row as wide as most rows are, so a title above it is passed over.

    Raises
    ------
    ImportRefused
        If there is no header with rows under it, or a row is longer than the header.
    """
    rows = _rows(content, layout)
    if not rows:
        raise ImportRefused("The file has no cell with anything in it. Export the table again.")
    width = Counter(sum(bool(cell.strip()) for cell in row[1:]) for row in rows).most_common(1)[0][0]
    head = next(place for place, row in enumerate(rows)
                if sum(bool(cell.strip()) for cell in row[1:]) >= width)
    names = _once([name.strip() for name in rows[head][1:]])
    body = rows[head + 1:]
    if not body:
        raise ImportRefused("There is no row under the header. Check the delimiter, or export again.")
    for row in body:
        if any(cell.strip() for cell in row[1 + len(names):]):
            raise ImportRefused(f"Row {row[0]} has {len(row) - 1} cells, the header {len(names)}. "
                                f"Is {DELIMITERS[layout.delimiter]} really what parts the columns?")
    cells = [[csvfile.restored(cell.strip()) for cell in (row[1:] + [""] * len(names))[:len(names)]]
             for row in body]
    return pd.DataFrame(cells, columns=names, index=[int(row[0]) for row in body], dtype=object)


def _once(names) -> list[str]:
    """Return the header with empty names filled and repeated ones numbered."""
    seen, found = Counter(), []
    for place, name in enumerate(names, 1):
        name = name or f"column {place}"
        seen[name] += 1
        found.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return found


def readings(rows: pd.DataFrame, mapping: Mapping, decimal: str = ".") -> pd.DataFrame:
    """Return the rows as readings, for `labbook.check`; the index is still the file's row number.

    Several depth columns give a reading each; where no column holds the reading's number, the
    readings of a swatch are numbered in the order of the file.
    """
    depths = mapping.sources.get("depth_mm", ())
    parts = []
    for place, depth in enumerate(depths or (None,), 1):
        sources = {name: one[0] for name, one in mapping.sources.items() if one and name != "depth_mm"}
        cells = {name: rows[source] for name, source in sources.items()}
        part = pd.DataFrame(cells | mapping.fixed, index=rows.index, dtype=object)
        if depth:
            part["depth_mm"] = rows[depth]
        parts.append(part.assign(_place=place))
        if len(depths) > 1:
            parts[-1] = parts[-1][parts[-1]["depth_mm"] != ""]
    long = pd.concat(parts)
    # A stable sort puts the readings of one row side by side again.
    long = long.sort_index(kind="stable").reindex(
        columns=[column.name for column in columns.COLUMNS], fill_value="")
    for name in long:
        column, unit = columns.BY_NAME[name], mapping.units.get(name, "")
        if column.kind != "text":
            # What the maker typed for all rows is read either way, whatever the file does.
            mark = decimal if name not in mapping.fixed else "," if "," in mapping.fixed[name] else "."
            long[name] = [converted(name, str(text), unit, mark) for text in long[name]]
    if "reading" not in mapping.sources or len(depths) > 1:
        long["reading"] = long.groupby(["burn", "swatch"], sort=False).cumcount() + 1
    return long


def converted(name: str, text: str, unit: str, decimal: str):
    """Return one cell in the lab book's unit, or as it stands where it is no number or day."""
    text = text.strip()
    if columns.BY_NAME[name].kind == "date":
        day = pd.to_datetime(text, format=_DAYS.get(unit, "%Y-%m-%d"), errors="coerce")
        return text if pd.isna(day) else f"{day:%Y-%m-%d}"
    if decimal == "." and "," in text or decimal == "," and "." in text:
        # 1,200 or 1.200,5: which mark means what is the maker's to say.
        return text
    try:
        value = number(text, comma_is_decimal=True)
        # A control's own full scale may be any.
        to_ours = named(name, unit).back if name == "power_pct" and unit else UNITS.get(name, {}).get(unit, float)
        return "" if value is None else round(float(to_ours(value)), 9)
    except (ValueError, ZeroDivisionError):
        return text


def guessed(names) -> Mapping:
    """Guess what each column holds; a column that says nothing is left out."""
    sources: dict[str, tuple[str, ...]] = {}
    units = {}
    for source in names:
        words = re.sub(r"[_\-]+", " ", source.lower())
        ours = source if source in columns.BY_NAME else next(
            (name for name, pattern in _HEADINGS if re.search(pattern, words)), None)
        if ours is None or ours in sources and ours != "depth_mm":
            continue
        sources[ours] = (*sources.get(ours, ()), source)
        known = UNITS.get(ours, {})
        if unit := next((unit for unit, pattern in _UNIT_WORDS
                         if unit in known and re.search(pattern, words)), None):
            units.setdefault(ours, unit)
    return Mapping(sources, {}, units)


def remembered(book: str | Path, names) -> Mapping | None:
    """Return the mapping last used for a file that has these columns; None where there is none."""
    return next((mapping for mapping in _read(book) if mapping.fits(names)), None)


def remember(book: str | Path, mapping: Mapping) -> Path:
    """Put the mapping first in the lab book's import-mapping.json, whole or not at all.

    Raises
    ------
    OSError
        If the lab book cannot be written.
    """
    same = [old for old in _read(book) if old.sources != mapping.sources]
    text = json.dumps([asdict(one) for one in [mapping, *same][:_KEPT]], indent=1, ensure_ascii=False)
    target = Path(book) / FILE
    with files.locked(Path(book)):
        files.replace_whole(Path(book), target, text.encode("utf-8"))
    return target


def _read(book) -> list[Mapping]:
    """Return what is remembered; a file that is damaged is as good as none, it is only a comfort."""
    try:
        held = json.loads((Path(book) / FILE).read_text(encoding="utf-8"))
        return [Mapping({ours: tuple(map(str, sources)) for ours, sources in one["sources"].items()
                         if ours in columns.BY_NAME},
                        {ours: str(text) for ours, text in one["fixed"].items()
                         if ours in columns.BY_NAME},
                        {ours: str(unit) for ours, unit in one["units"].items()
                         if unit in UNITS.get(ours, {}) or ours == "power_pct"}) for one in held]
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return []
