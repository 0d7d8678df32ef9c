"""Recalled: a drawing that was looked at before is not rendered again.

Decides nothing of what burns: `artwork.read` does. What it found is kept in the maker's own temporary folder under a
fingerprint of all that it follows from: the drawing's bytes, what is left out as pale, how wide it is, this room's own code and the
versions of the libraries that render and decode. So another drawing, threshold or version never meets what was kept.
What cannot be kept or read back is rendered, as if nothing had been kept. Refusals are not kept.
"""

import contextlib
import hashlib
import io
import json
import os
import stat
import tempfile
import zipfile
from dataclasses import replace
from functools import cache
from importlib import metadata
from pathlib import Path

import numpy as np
import pandas as pd

from testburn.labbook import files, makerfile
from testburn.sweep import artwork, picture, svgfile
from testburn.sweep.artwork import Artwork

_LIBRARIES = ("typst", "pillow", "numpy", "scipy", "cssselect2", "tinycss2")
_RUNS = ("row", "left_mm", "right_mm", "piece")
_SAID = ("width_mm", "height_mm", "step_mm", "remarks", "marks_mm", "left_out")
_MOST_KEPT = 30


def read(path: str | Path, paler_than: int = picture.WHITE, width_mm: float | None = None) -> Artwork:
    """Return what an SVG file burns, as `artwork.read` does, which raises what this raises."""
    path, kept = Path(path), None
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError, EOFError, zipfile.BadZipFile):
        follows = b"\0".join([f"{paler_than} {width_mm}".encode(), _ground(), makerfile.content(path, svgfile.MOST_BYTES)])
        kept = _folder() / f"{hashlib.sha256(follows).hexdigest()}.npz"
        return replace(_unpacked(kept.read_bytes()), name=path.name)
    found = artwork.read(path, paler_than, width_mm)
    # Half a table of kept drawings is none: it is written whole, and read back only whole.
    if kept is not None:
        with contextlib.suppress(OSError):
            files.put(kept, _packed(found))
            for old in sorted(kept.parent.glob("*.npz"), key=os.path.getmtime)[:-_MOST_KEPT]:
                old.unlink()
    return found


def _folder() -> Path:
    """Return the maker's own folder; PermissionError where it is somebody else's."""
    user = os.getuid() if hasattr(os, "getuid") else ""
    folder = Path(tempfile.gettempdir()) / f"testburn-drawings-{user}"
    folder.mkdir(mode=0o700, exist_ok=True)
    seen = folder.lstat()
    if user != "" and (seen.st_uid != user or seen.st_mode & 0o077 or not stat.S_ISDIR(seen.st_mode)):
        raise PermissionError(f"{folder} is not this user's alone.")
    return folder


@cache
def _ground() -> bytes:
    """Return what every reading follows from but the drawing: versions and code."""
    code = (file.read_bytes() for file in sorted(Path(__file__).parent.glob("*.py")))
    return b"\0".join([*(f"{name} {metadata.version(name)}".encode() for name in _LIBRARIES), *code])


def _packed(found: Artwork) -> bytes:
    """Return a reading as bytes: its arrays, and the rest as JSON."""
    said = {name: getattr(found, name) for name in _SAID} | {"pieces": found.pieces.to_dict("list")}
    packed = io.BytesIO()
    np.savez(packed, said=json.dumps(said).encode(), content=np.frombuffer(found.content, np.uint8),
             **{name: getattr(found, name) for name in _RUNS})
    return packed.getvalue()


def _unpacked(packed: bytes) -> Artwork:
    with np.load(io.BytesIO(packed), allow_pickle=False) as arrays:
        said = json.loads(arrays["said"].item())
        said |= {"pieces": pd.DataFrame(said["pieces"]), "remarks": tuple(said["remarks"]),
                 "marks_mm": tuple(map(tuple, said["marks_mm"])), "content": arrays["content"].tobytes()}
        return Artwork("", **said, **{name: arrays[name] for name in _RUNS})
