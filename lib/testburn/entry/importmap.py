"""Import map: which column of a maker's export holds what.

Decides what a column seems to hold, from words in its heading, and keeps what the maker said
instead in the lab book's import-mapping.json, so that the next export of the same shape needs no
mapping. A guess is only a guess: the form shows it, and the preview what comes of it.
"""

import json
import re
from dataclasses import asdict
from pathlib import Path

from testburn.entry.importing import Mapping, UNITS
from testburn.labbook import columns, files

FILE = "import-mapping.json"
_KEPT = 20
# Words of a heading, in the order they are tried: the more particular ones first.
_HEADINGS = (
    ("gauge_step_mm", r"\bstep|resolution"), ("board_thickness_mm", r"thick"),
    ("wavelength_nm", r"wavelength|\bnm\b"), ("moisture_pct", r"moist"),
    ("focus_offset_mm", r"focus"), ("air_assist", r"\bair\b"), ("sweep_vs_grain", r"grain|sweep"),
    ("line_pitch_mm", r"pitch|spacing|interval|\blines?\b|\blpi\b|\blpcm\b"),
    ("module_w", r"module|watt|\bw\b"), ("power_pct", r"power|%"), ("speed_mm_s", r"speed|feed"),
    ("passes", r"pass"), ("depth_mm", r"depth|deep"), ("burned_on", r"date|day|burned on"),
    ("species", r"species|wood|timber"), ("board", r"board|plank|piece"),
    ("swatch", r"swatch|square|field|patch"), ("reading", r"reading|repeat"),
    ("burn", r"burn|test|run"), ("note", r"note|remark|comment"), ("invented", r"invented"),
)
_UNIT_WORDS = (
    ("inch/min", r"\b(in|inch)(es)?\s*(/|per)\s*min|\bipm\b"), ("inch/s", r"\b(in|inch)(es)?\s*(/|per)\s*s"),
    ("mm/min", r"mm\s*(/|per)\s*m(in)?"), ("mm/s", r"mm\s*(/|per)\s*s"),
    ("lines per inch", r"lines?\s*(/|per)\s*in|\blpi\b"),
    ("lines per cm", r"lines?\s*(/|per)\s*cm|\blpcm\b"),
    ("inch", r"\b(in|inch|inches)\b|\""), ("cm", r"\bcm\b"), ("mm", r"\bmm\b"),
)


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
                        {ours: unit for ours, unit in one["units"].items()
                         if unit in UNITS.get(ours, {})}) for one in held]
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return []
