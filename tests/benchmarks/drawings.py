"""Whether real drawings burn as they look, against another renderer, a browser deciding where the two differ.

    .venv/bin/python tests/benchmarks/drawings.py [FILES] [SEED]       (fails where a bar is missed)

Fetches the Debian package openclipart-svg (apt-get download) and the npm packages bootstrap-icons and open-iconic (npm
pack) into a temporary folder, draws FILES of them (1200) evenly from the three, reads each in a process of its own
keeping, and compares what is not white with what rsvg-convert shows (Debian: librsvg2-bin) on pictures of the same size.
A difference is more than 1 % of the burned area beyond a rim of one pixel, by more than two of 255 levels, as renderers
round otherwise; of these Chromium, headless, says which is
right, and the reason is what the drawing has to lose for the two to agree (`REASONS`, found by looking). Needs apt-get, npm, rsvg-convert and chromium; nothing is kept.
"""

import io
import random
import re
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor, TimeoutError
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import numpy as np
from PIL import Image

from testburn.sweep import ArtworkError, artwork, picture, svgfile

ACCEPTED, SLOWEST_S, MEDIAN_S, APART, PATIENCE_S, LONGEST_PX = 0.95, 3.0, 0.1, 0.01, 60, 800
TEXT = re.compile(rb"<(\w+:)?(text|flowRoot)\b")
# Why the other renderer differs; what of the drawing goes, so that both show the same.
REASONS = (
    ("a transform without its closing bracket: a browser passes it over, the other obeys",
     rb'\stransform="[^"]*[^")\s]\s*"', b""),
    ("a gradient repeated over its shape: the other turns its white stripes", rb"stop-color\s*:\s*[^;\"]*", b"stop-color:#000"),
    ("a gradient that fades away: the other ends its pale rim elsewhere", rb"stop-opacity\s*:\s*[\d.]+", b"stop-opacity:1"),
    ("a ground by background-color: a browser paints it, the other does not", rb"background-color\s*:[^;\"]*", b""),
    ("a curve whose handle lies on its own end: the other strokes it too thinly",
     rb"C\s*[\d.]+[\s,][\d.]+\s+[\d.]+[\s,][\d.]+\s+([\d.]+[\s,][\d.]+)", rb"L \1"),
    ("an XML version that there is not: the other shows nothing", rb"<\?xml version=\"1\"", b'<?xml version="1.0"'),
)


def fetched(place: Path) -> dict[str, list[Path]]:
    """Return the drawings of each package."""
    run = dict(cwd=place, check=True, capture_output=True)
    subprocess.run(["apt-get", "download", "openclipart-svg"], **run)
    subprocess.run(["dpkg-deb", "-x", next(place.glob("*.deb")), "clipart"], **run)
    for name in ("bootstrap-icons", "open-iconic"):
        subprocess.run(["npm", "pack", name], **run)
        (place / name).mkdir()
        subprocess.run(["tar", "xzf", next(place.glob(f"{name}-*.tgz")), "-C", name], **run)
    return {name: sorted(path for path in (place / name).rglob("*.svg") if not path.is_symlink())
            for name in ("clipart", "bootstrap-icons", "open-iconic")}


def looked_at(path: Path):
    """Return the seconds of reading, and the picture's ink with the page's sides in pixels, or why it is refused."""
    started = time.perf_counter()
    try:
        artwork.read(path)
        taken, drawing = time.perf_counter() - started, svgfile.opened(path)
    except ArtworkError as refusal:
        return time.perf_counter() - started, str(refusal), None
    scale = LONGEST_PX / max(drawing.width_mm, drawing.height_mm)
    wide, high = (max(1, round(side * scale)) for side in (drawing.width_mm, drawing.height_mm))
    return taken, "", ink(picture.rendered(drawing, 0, 0, drawing.width_mm, drawing.height_mm, wide, high))


def ink(image: Image.Image) -> np.ndarray:
    """Return how far from white each pixel is, as the reader takes it."""
    return 255 - np.asarray(image.convert("RGB")).min(axis=2)


def other(path: Path, shape) -> np.ndarray:
    """Return what another renderer shows, on a picture of the same size."""
    done = subprocess.run(["rsvg-convert", "-w", str(shape[1]), "-h", str(shape[0]), "-b", "white", path], capture_output=True,
                          timeout=PATIENCE_S)
    return ink(Image.open(io.BytesIO(done.stdout))) if done.stdout else np.zeros(shape, np.uint8)


def browser(path: Path, shape, place: Path) -> np.ndarray:
    """Return what Chromium shows, on a picture of the same size."""
    page, shot, shown = place / "page.html", place / "shot.png", place / "shown.svg"
    shown.write_bytes(svgfile.opened(path).content)  # as on our own page
    page.write_text(f'<body style="margin:0;background:#fff"><img src="{shown.as_uri()}" style="display:block;width:{shape[1]}px;'
                    f'height:{shape[0]}px">', encoding="utf-8")
    subprocess.run(["chromium", "--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--lang=en-US",
                    f"--window-size={shape[1]},{shape[0] + 200}", f"--screenshot={shot}", f"--user-data-dir={place / 'profile'}",
                    page.as_uri()], capture_output=True, timeout=PATIENCE_S)
    return ink(Image.open(shot))[:shape[0], :shape[1]]


def reason(path: Path, place: Path) -> str:
    """Return why the other renderer differs: what has to go for the two to agree."""
    content, less = path.read_bytes(), place / "less.svg"
    for said, look, instead in REASONS:
        less.write_bytes(re.sub(look, instead, content))
        ours = looked_at(less)[2]
        if less.read_bytes() != content and ours is not None and apart(ours, other(less, ours.shape)) <= APART:
            return said
    return ""


def apart(one: np.ndarray, two: np.ndarray) -> float:
    """Return how much of the burned area differs by more than a rim."""
    high, wide = (min(sides) for sides in zip(one.shape, two.shape))
    burned, apart = [side[:high, :wide] > picture.WHITE for side in (one, two)], np.abs(np.subtract(one[:high, :wide], two[:high, :wide], dtype=int))
    differs = np.pad((burned[0] != burned[1]) & (apart > picture.WHITE), 1, constant_values=True)
    for axis in (0, 1):
        differs = differs & np.roll(differs, 1, axis) & np.roll(differs, -1, axis)
    return float(differs[1:-1, 1:-1].sum() / max(burned[0].sum(), burned[1].sum(), 1))


def main(count: int = 1200, seed: int = 20261126) -> int:
    """Print the figures; return 1 where a bar is missed."""
    dice, seconds, refused, wrong, judged, failed, unexplained = random.Random(seed), [], [], [], [], [], []
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        files, packages = [], sorted(fetched(place).values(), key=len)
        for left, found in zip((3, 2, 1), packages):  # what a small package lacks, the larger ones give
            files += dice.sample(found, min(len(found), (count - len(files)) // left))
        plain = [path for path in files if not TEXT.search(path.read_bytes())]
        pool = ProcessPoolExecutor(1)
        for path in files:
            try:
                taken, why, ours = pool.submit(looked_at, path).result(timeout=PATIENCE_S)
            except (BrokenProcessPool, TimeoutError, Exception) as fault:
                failed.append(f"{path.name}: {fault!r}")
                pool.shutdown(wait=False, cancel_futures=True)
                pool = ProcessPoolExecutor(1)
                continue
            seconds.append((taken, path.name))
            if ours is None:
                refused += [(path, why.replace("\n", " "))] if path in plain else []
            elif (differs := apart(ours, other(path, ours.shape))) > APART:
                by_browser, why = apart(ours, browser(path, ours.shape, place)), reason(path, place)
                unexplained += [path.name] * (not why)
                (wrong if by_browser > APART else judged).append(f"{path.name}: {differs:.1%} from the other renderer, "
                                                                 f"{by_browser:.1%} from the browser; {why or 'no reason yet'}")
        pool.shutdown()
    for what, found in (("differs from both", wrong), ("as the browser shows it, the other renderer differs", judged),
                        ("crashed or timed out", failed), ("refused without text", [f"{path.name}: {why}" for path, why in refused])):
        print(f"\n{what}: {len(found)}", *(f"  {one[:230]}" for one in found), sep="\n")
    times, accepted = sorted(taken for taken, _ in seconds), 1 - len(refused) / len(plain)
    print(f"\n{len(files)} files, {len(plain)} without text; accepted of these {accepted:.1%} (at least {ACCEPTED:.0%}); median "
          f"{statistics.median(times):.3f} s (at most {MEDIAN_S:g}), slowest {max(seconds)[0]:.2f} s, {max(seconds)[1]} (at most {SLOWEST_S:g})")
    return int(bool(wrong or failed or unexplained) or accepted < ACCEPTED or times[-1] > SLOWEST_S or statistics.median(times) > MEDIAN_S)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:3])))
