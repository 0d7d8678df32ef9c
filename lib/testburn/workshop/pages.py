"""Pages: the notebooks as a maker works on them, in the folder pages of the lab book.

Decides that nothing shipped is ever worked on: a page is a copy without stored results, its code folded but for the
cells whose lines a maker changes (tagged `yours`), made anew when the shipped page changes. A page that the maker has
changed meanwhile is kept, in pages/earlier. What is saved from a page are its words and its code; results are drawn
anew by running it, so that no page ever shows another book's.
"""

import hashlib
import json
from pathlib import Path

import nbformat

from testburn.labbook import files

FOLDER, FIRST, MADE = "pages", "01_start_here.ipynb", "made-from.json"
YOURS = "yours"
# As a server of notebooks writes it itself, so that opening a page and saving it changes nothing.
_METADATA = {"kernelspec": {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"}}


def lay_out(book: str | Path, shipped: list[Path]) -> list[str]:
    """Put a fresh copy of every shipped notebook into a lab book, where there is none of this version.

    Parameters
    ----------
    book : path
    shipped : list of path

    Returns
    -------
    list of str
        The pages that the maker had changed and that were kept in pages/earlier.
    """
    folder, kept = Path(book) / FOLDER, []
    folder.mkdir(parents=True, exist_ok=True)
    made = _made(folder)
    for path in shipped:
        mark, place = hashlib.sha256(path.read_bytes()).hexdigest(), folder / path.name
        if place.is_file() and made.get(path.name, {}).get("shipped") == mark:
            continue
        kept += _kept(place, made)
        page = fresh(nbformat.read(path, as_version=4))
        files.put(place, nbformat.writes(page).encode("utf-8") + b"\n")
        made[path.name] = {"shipped": mark, "code": words(place)}
    gone = [name for name in made if name not in {path.name for path in shipped}]
    for name in gone:  # of an earlier version, under another name now
        kept += _kept(folder / name, made)
        (folder / name).unlink(missing_ok=True)
        del made[name]
    files.put(folder / MADE, json.dumps(made, indent=1).encode("utf-8"))
    return kept


def _kept(place: Path, made: dict) -> list[str]:
    """Keep a page that the maker changed beside those kept before, none of which is written over; return its name."""
    if not place.is_file() or words(place) == made.get(place.name, {}).get("code"):
        return []
    earlier = place.parent / "earlier"
    number = 1 + sum(1 for _ in earlier.glob(f"{place.stem}*{place.suffix}"))
    name = place.name if number == 1 else f"{place.stem}-{number}{place.suffix}"
    files.put(earlier / name, place.read_bytes())
    return [place.name]


def fresh(notebook):
    """Return a notebook without results, its code folded but for the cells that a maker changes."""
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
            if YOURS not in cell.metadata.get("tags", []):
                cell.metadata["jupyter"] = {"source_hidden": True}
    notebook.metadata = nbformat.from_dict(_METADATA)
    return notebook


def strip(model, path, contents_manager=None, **more) -> None:
    """Take results and marks of the interpreter out of a page before it is saved; called by the server."""
    if model["type"] != "notebook" or not path.strip("/").startswith(f"{FOLDER}/"):
        return
    model["content"]["metadata"].pop("language_info", None)
    for cell in model["content"]["cells"]:
        if cell["cell_type"] == "code":
            cell["outputs"], cell["execution_count"] = [], None


def words(place: Path) -> str:
    """Return twelve digits that stand for a page's words and code, whatever its results; none where it cannot be read."""
    try:
        cells = nbformat.read(place, as_version=4).cells
    except Exception:  # whatever a maker made of it, it is theirs: it counts as changed
        return ""
    return hashlib.sha256("\0".join(cell.source for cell in cells).encode("utf-8")).hexdigest()[:12]


def _made(folder: Path) -> dict:
    """Return what each page was made from; nothing where that cannot be read."""
    try:
        made = json.loads((folder / MADE).read_text(encoding="utf-8"))
        return made if isinstance(made, dict) else {}
    except (OSError, ValueError):
        return {}
