"""PDF: how a page is made, and put in its place whole.

Decides how a template beside this file becomes a page: tagged PDF (PDF/UA-1), the project's own typeface and
no other, a maker's text as data and never as markup, the same bytes from the same input: no clock, no system
font. And that a page is written beside its place and takes it in one step, so that an old one survives.
"""

import json
from pathlib import Path

import typst

from testburn.labbook import files

HERE = Path(__file__).parent


def compiled(content: dict, template: str = "card.typ", ppi: float | None = None) -> bytes:
    """Return a document as PDF bytes; with `ppi`, its first page as PNG bytes.

    Parameters
    ----------
    content : dict
        What the template lays out; it reaches the template as JSON.
    template : str
        A file beside this one.
    ppi : float, optional
        Pixels per inch.
    """
    picture = {"pdf_standards": ["1.7", "ua-1"]} if ppi is None else {"format": "png", "ppi": ppi}
    return typst.compile(
        HERE / template, root=HERE, font_paths=[HERE / "fonts"], ignore_system_fonts=True, **picture,
        sys_inputs={"content": json.dumps(content, ensure_ascii=True, allow_nan=False)})


def put(path, made: bytes) -> Path:
    """Put a page in its place, whole or not at all, and return its path; see `labbook.files.put`."""
    return files.put(Path(path), made)


def preview(path, page: int = 1, ppi: float = 110) -> bytes:
    """Return one page of a written PDF as PNG bytes, to be shown in a notebook.

    Parameters
    ----------
    path : path of the PDF.
    page : int, from 1
    ppi : float, pixels per inch
    """
    path = Path(path).resolve()
    source = ('#set page(width: auto, height: auto, margin: 0pt, fill: white)\n'
              '#image("/" + sys.inputs.name, page: int(sys.inputs.page), alt: "a settings card")')
    return typst.compile(source.encode(), root=path.parent, format="png", ppi=ppi,
                         ignore_system_fonts=True, sys_inputs={"name": path.name, "page": str(page)})
