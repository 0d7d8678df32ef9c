"""Woods: what a handbook knows of a species, and how much energy a cubic millimetre can have cost.

Decides which depth readings wood allows at all. A reading whose energy per volume lies below what
it takes to heat and gasify wood was mistyped, or the piece caught fire; one far above it may be a
gauge that never touched the floor. Density only bounds plausibility here. It never predicts depth:
the published evidence on density and depth points both ways.

Sources: specific gravity at 12 % moisture from the Wood Handbook (USDA Forest Products Laboratory,
FPL-GTR-190, table 5-3a, and FPL-GTR-282, chapter 4), row by row in labdata/woods.csv. Energy per
gram of dry wood: heating dry wood to 300 °C alone takes 0.50 kJ/g (integral of the handbook's
specific heat, chapter 4), so less than 0.5 kJ/g is refused; laser severing of southern pine took
about 2 to 7 kJ/g (McMillin & Harry 1971, Forest Products Journal 21(10):35-37, with an assumed kerf
width); cone calorimetry of hardwoods gives up to 9.4 kJ/g (Quintiere 2006, table 9.1). The warning
limits at 1.5 and 30 kJ/g are our own judgement around these. Which species a common name of lumber covers: Wood
Handbook (FPL-GTR-282), chapter 2, from memory; names near to each other by the longest common parts (difflib).
"""

import difflib
from pathlib import Path

import pandas as pd

from testburn.labbook import csvfile, files
from testburn.labbook.cells import fault, typed_table
from testburn.labbook.columns import Field
from testburn.labbook.makerfile import ReadingsError

REFUSE_BELOW_KJ_G = 0.5
WARN_BELOW_KJ_G = 1.5
USUAL_KJ_G = (2.0, 9.4)
WARN_ABOVE_KJ_G = 30.0
# The limits below which wood is refused or warned of count dry wood; what was measured on boards
# counts wood as it was, at about 12 % moisture: density is 1000 · G · 1.12 kg/m³ (Wood Handbook,
# FPL-GTR-282, chapter 4: G = 0.40 at 12 % weighs 448 kg/m³).
MOIST_PER_DRY = 1.12

# Ten thousand woods and their sources.
_MOST_BYTES = 4_000_000
_LOOK = "Look it up in a handbook."
FIELDS = (
    Field("species", "text", "The wood's name.", "Give the wood its name, e.g. white oak."),
    Field("botanical_name", "text", "Its botanical name.", "", required=False),
    # The lightest and the heaviest woods lie inside.
    Field("specific_gravity_12pct", "number", "Specific gravity at 12 % moisture.", _LOOK, at_least=0.1, at_most=1.4),
    Field("source", "text", "Where that stands.", "", required=False),
    Field("dust_caution", "text", "What its dust asks for.", "", required=False),
    Field("shrinkage_radial_pct", "number", "From green to oven-dry, radial.", _LOOK, "%", False, at_least=0, at_most=30),
    Field("shrinkage_tangential_pct", "number", "From green to oven-dry, tangential.", _LOOK, "%", False, at_least=0,
          at_most=30),
    Field("shrinkage_obtained", "text", "How the shrinkage was obtained.", "", required=False),
)
_SHRINKAGE = [field.name for field in FIELDS if field.name.startswith("shrinkage_")]

# What lumber is called, and the species of the handbook's table that it may be.
COMMON = {
    "oak": ("white oak", "northern red oak"), "red oak": ("northern red oak",), "american oak": ("white oak", "northern red oak"),
    "maple": ("sugar maple", "red maple", "silver maple", "bigleaf maple"), "hard maple": ("sugar maple",), "rock maple": ("sugar maple",),
    "soft maple": ("red maple", "silver maple", "bigleaf maple"), "cherry": ("black cherry",), "american cherry": ("black cherry",),
    "walnut": ("black walnut",), "american walnut": ("black walnut",), "white walnut": ("butternut",), "ash": ("white ash",),
    "american ash": ("white ash",), "basswood": ("American basswood",), "linden": ("American basswood",), "beech": ("American beech",),
    "birch": ("yellow birch", "paper birch", "sweet birch"), "white birch": ("paper birch",), "alder": ("red alder",),
    "hickory": ("shagbark hickory",), "poplar": ("yellow-poplar",), "tulip poplar": ("yellow-poplar",), "tulipwood": ("yellow-poplar",),
    "white pine": ("eastern white pine",), "pine": ("eastern white pine", "sugar pine", "loblolly pine", "longleaf pine"),
    "southern pine": ("loblolly pine", "longleaf pine"), "yellow pine": ("loblolly pine", "longleaf pine"),
    "southern yellow pine": ("loblolly pine", "longleaf pine"), "spruce": ("Sitka spruce",), "western red cedar": ("western redcedar",),
}
_NEAR = 0.8

HANDBOOK = Path(__file__).resolve().parents[3] / "labdata" / "woods.csv"


def read(path: str | Path = HANDBOOK) -> pd.DataFrame:
    """Return the species table, indexed by `species`.

    Parameters
    ----------
    path : path
        A woods.csv: the columns of `FIELDS`; those of shrinkage may be missing.

    Raises
    ------
    ReadingsError
        With every fault: a column is missing, a species stands twice, or a value is not what its field allows.
    """
    path = Path(path)
    return csvfile.remembered(("woods", path.absolute()), (path.parent,), lambda: _read(path))


def _read(path: Path) -> pd.DataFrame:
    rows, problems = csvfile.read_rows(path, [field.name for field in FIELDS if field.name not in _SHRINKAGE], _MOST_BYTES)
    placed = rows.assign(_file=path.name, _row=rows.index).reset_index(drop=True)
    table, faults = typed_table(FIELDS, placed)
    twice = table["species"].duplicated() & (table["species"] != "")
    faults += [fault(FIELDS[0], placed, row, table["species"][row], "this wood stands here twice", "Keep one row.")
               for row in twice[twice].index]
    if problems := problems or faults:
        raise ReadingsError(problems, path.name)
    return table.drop(columns=[name for name in _SHRINKAGE if name not in rows]).set_index("species")


def of(book: str | Path) -> pd.DataFrame:
    """Return the woods of a lab book's own woods.csv, else the handbook's; see `read`."""
    own = Path(book) / "woods.csv"
    return read(own if own.exists() else HANDBOOK)


def called(name: str, species, mistyped: bool = True) -> list[str]:
    """Return those of some species that a maker's word for a wood may mean, the likeliest first; mostly one, or none.

    "oak" may be white or northern red oak: which of them, the maker decides. A word that may be `mistyped` means what it is near to.
    """
    by_word, word = {one.casefold(): one for one in species}, " ".join(name.casefold().replace("-", " ").split())
    plain = {one.replace("-", " "): there for one, there in by_word.items()}
    meant = {one: [by_word[other.casefold()] for other in others if other.casefold() in by_word] for one, others in COMMON.items()}
    meant = {one: others for one, others in meant.items() if others} | {one: [there] for one, there in plain.items()}
    if word in meant or not mistyped:
        return meant.get(word, [])
    return list(dict.fromkeys(one for other in difflib.get_close_matches(word, meant, 2, _NEAR) for one in meant[other]))


def add(book: str | Path, row: dict) -> Path:
    """Add a wood to a lab book's own woods, and return the file; a book without any begins with the handbook's.

    Parameters
    ----------
    row : dict
        Its cells by the names of `FIELDS`, as text.

    Raises
    ------
    ValueError
        If the wood is there already, or a cell is at fault.
    NotWritten
        If the file is open in a spreadsheet, or the disk refuses it.
    """
    file = Path(book) / "woods.csv"
    with files.locked(file.parent):
        if row["species"].strip().casefold() in map(str.casefold, of(book).index):
            raise ValueError(f"{row['species']} is in woods.csv already.")
        if not file.exists():
            files.add_whole(file.parent, file, HANDBOOK.read_bytes())
        return files.append(file, FIELDS, row, new_format=False)


def gravity(wood) -> pd.Series:
    """Return specific gravity by species of a table of woods, or of the handbook for names alone."""
    return (wood if isinstance(wood, pd.DataFrame) else read())["specific_gravity_12pct"]


def volume_energy_limits(specific_gravity_12pct) -> pd.DataFrame:
    """Return the plausible energy per volume, J/mm³, for wood of that specific gravity.

    Specific gravity at 12 % is dry mass over volume at 12 % moisture, so kJ per gram of dry wood
    times specific gravity (g/cm³) is kJ/cm³, which is J/mm³.

    Parameters
    ----------
    specific_gravity_12pct : float or Series

    Returns
    -------
    DataFrame
        refuse_below, warn_below, usual_low, usual_high, warn_above, in J/mm³.
    """
    gravity = pd.Series(specific_gravity_12pct, dtype=float)
    per_gram = {
        "refuse_below": REFUSE_BELOW_KJ_G,
        "warn_below": WARN_BELOW_KJ_G,
        "usual_low": USUAL_KJ_G[0] * MOIST_PER_DRY,
        "usual_high": USUAL_KJ_G[1] * MOIST_PER_DRY,
        "warn_above": WARN_ABOVE_KJ_G * MOIST_PER_DRY,
    }
    return pd.DataFrame({name: kj_g * gravity for name, kj_g in per_gram.items()})
