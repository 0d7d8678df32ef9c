"""Artwork shapes: from the elements of a drawing to the regions that get burned.

Decides what counts as burned. Paint burns, whatever its colour; white (#fff) paint burns nothing and
cuts out what lies beneath it, as it does to the eye; paint that is none, hidden or wholly transparent
is not there. Curves become chords no further than 0.005 mm from them. Fills follow their fill rule,
strokes their width, caps and joins, in the shape's own coordinates, so that a stretched group
stretches its strokes.

Source: SVG 2 (W3C), 13.3 fill rules, 13.5 strokes (joins and the miter limit), 13.7 painting order.
"""

import numpy as np
import shapely
import svgelements
from shapely import affinity

from testburn.sweep.svgcheck import ArtworkError

TOLERANCE_MM = 0.005
_MOST_POINTS, _MOST_CROSSINGS, _BLOCK = 1_000_000, 50_000, 2_000_000
_CAPS = {"butt": "flat", "round": "round", "square": "square"}


def burned(drawing: svgelements.SVG, mm_per_px: float):
    """Return the union of everything painted, in mm, white paint cut out in painting order.

    Raises
    ------
    ArtworkError
        If a coordinate is no number, a colour is a gradient or pattern, or there are too many points.
    """
    regions, points = [], 0
    for shape in drawing.elements():
        if isinstance(shape, svgelements.Shape) and shape.values.get("visibility") not in ("hidden", "collapse"):
            found = list(_paints(shape, mm_per_px))
            regions += found
            points += sum(shapely.get_num_coordinates(region) for region, _ in found)
            if points > _MOST_POINTS:
                raise _too_many("The drawing")
    rings = [shapely.get_coordinates(ring) for region, _ in regions for ring in shapely.get_rings(region)]
    _bounded(rings, "The drawing")
    painted, dark = shapely.MultiPolygon(), []
    for region, is_white in regions:
        if is_white:
            painted, dark = shapely.difference(shapely.union_all([painted, *dark]), region), []
        else:
            dark.append(region)
    return shapely.union_all([painted, *dark])


def _bounded(lines, who: str) -> None:
    """Refuse more points or crossings than can be joined in bounded time and memory."""
    if sum(map(len, lines)) > _MOST_POINTS:
        raise _too_many(who)
    if sum(map(len, lines)) ** 2 < 2 * _MOST_CROSSINGS:
        return
    edges = np.concatenate([np.stack([line[:-1], line[1:]], axis=1) for line in lines if len(line) > 1])
    edges, crossings = shapely.linestrings(edges), 0
    tree, block = shapely.STRtree(edges), max(1, _BLOCK // max(len(edges), 1))
    for begin in range(0, len(edges), block):
        found = tree.query(edges[begin:begin + block], predicate="crosses")
        crossings += found.shape[1] / 2
        if crossings > _MOST_CROSSINGS:
            raise ArtworkError(f"{who} crosses itself more than {_MOST_CROSSINGS} times. Join its shapes or simplify "
                               "it, and save again.")


def _too_many(who: str) -> ArtworkError:
    return ArtworkError(f"{who} has more than {_MOST_POINTS} points. Simplify it and save again.")


def _paints(shape, mm_per_px):
    """Yield the shape's painted regions in mm, in painting order, and whether the paint is white."""
    to_mm = shape.transform * svgelements.Matrix.scale(mm_per_px)
    matrix = [to_mm.a, to_mm.c, to_mm.b, to_mm.d, to_mm.e, to_mm.f]
    stretch = np.linalg.norm([[to_mm.a, to_mm.c], [to_mm.b, to_mm.d]], 2)
    kinds = ["fill", "stroke"]
    if shape.values.get("paint-order", "").startswith("stroke"):
        kinds.reverse()
    kinds = [kind for kind in kinds if _is_painted(shape, kind)]
    if not kinds or not stretch > 0:
        return
    lines = _flattened(shape, TOLERANCE_MM / stretch)
    if not np.isfinite([*matrix, *(number for line, _ in lines for number in line.ravel())]).all():
        raise ArtworkError(f"{_who(shape)} has a coordinate that is no number, or too large for one. Draw it again.")
    _bounded([line for line, _ in lines], _who(shape))
    for kind in kinds:
        region = (_filled(lines, shape.values.get("fill-rule")) if kind == "fill" else
                  _stroked(lines, shape, TOLERANCE_MM / stretch))
        if not region.is_empty:
            yield affinity.affine_transform(region, matrix), _colour(shape, kind).hex == "#ffffff"


def _who(shape) -> str:
    return f'The {type(shape).__name__.lower()}' + (f' "{shape.id}"' if shape.id else "")


def _colour(shape, kind):
    return svgelements.Color(shape.values.get(kind, "none"))


def _is_painted(shape, kind) -> bool:
    """Return whether the fill or the stroke leaves any paint."""
    said = shape.values.get(kind, "none").strip()
    if said.startswith(("url", "context")):
        raise ArtworkError(f"{_who(shape)} has a {kind} of {said}: a gradient or pattern. Give it a plain colour; "
                           "one board gets one depth.")
    veils = (shape.values.get(name, "1").strip() for name in ("opacity", f"{kind}-opacity"))
    clear = any(_number(veil.rstrip("%"), 1.0) <= 0 for veil in veils)
    colour = _colour(shape, kind)
    return not clear and colour.value is not None and colour.alpha > 0


def _number(text: str, otherwise: float) -> float:
    try:
        return float(text)
    except ValueError:
        return otherwise


def _flattened(shape, tolerance) -> list[tuple[np.ndarray, bool]]:
    """Return each subpath as points, and whether it is closed; `tolerance` in the shape's own units."""
    lines, points = [], []
    for segment in shape.segments(transformed=False):
        if isinstance(segment, svgelements.Move):
            if points:
                lines.append((np.array(points), False))
            points = [tuple(segment.end)]
        elif isinstance(segment, svgelements.Close):
            lines.append((np.array(points), True))
            points = [points[0]]
        else:
            points.extend(map(tuple, _chords(segment, tolerance)) if points else [tuple(segment.end)])
        if len(points) > _MOST_POINTS:
            raise _too_many(_who(shape))
    if len(points) > 1:
        lines.append((np.array(points), False))
    return lines


def _chords(segment, tolerance) -> np.ndarray:
    """Return the points after the first of chords that stay within the tolerance of the curve."""
    if isinstance(segment, svgelements.Line):
        return np.array([segment.end], float)
    if isinstance(segment, svgelements.Arc):
        radius = max(segment.rx, segment.ry)
        pieces = abs(segment.sweep) / max(2 * np.arccos(max(1 - tolerance / radius, -1)), 1e-9) if radius else 1
    else:
        bends = [segment.start, *([segment.control] if hasattr(segment, "control") else
                                  [segment.control1, segment.control2]), segment.end]
        # The chord of a curve over 1/n lies within max|B''| / 8n² of it.
        bend = np.linalg.norm(np.diff(np.array(bends, float), 2, axis=0), axis=1).max()
        degree = len(bends) - 1
        pieces = np.sqrt(degree * (degree - 1) * bend / (8 * tolerance))
    if not pieces < _MOST_POINTS:
        return np.full((1, 2), np.nan)
    at = np.linspace(0, 1, int(np.ceil(pieces)) + 1)[1:]
    return np.vstack([segment.npoint(at)[:-1], [tuple(segment.end)]])


def _filled(lines, rule):
    """Return the region inside the closed-up subpaths by the fill rule.

    The outlines cut the plane into faces; a face is inside by how often the outlines wind round it.
    """
    rings = [np.vstack([line, line[:1]]) for line, _ in lines if len(np.unique(line, axis=0)) > 2]
    if not rings:
        return shapely.Polygon()
    if len(rings) == 1 and (plain := shapely.Polygon(rings[0])).is_valid:
        return plain
    noded = shapely.union_all([shapely.LineString(ring) for ring in rings])
    faces = shapely.get_parts(shapely.polygonize([noded]))
    winding = _winding(shapely.get_coordinates(shapely.point_on_surface(faces)), rings)
    inside = winding % 2 == 1 if rule == "evenodd" else winding != 0
    return shapely.union_all(faces[inside])


def _winding(points, rings) -> np.ndarray:
    """Return how often the rings wind round each point: signed crossings of a ray to its right."""
    start = np.vstack([ring[:-1] for ring in rings])
    end = np.vstack([ring[1:] for ring in rings])
    tree = shapely.STRtree(shapely.linestrings(np.stack([start, end], axis=1)))
    far, winding, block = start[:, 0].max() + 1, [np.zeros(0)], max(1, _BLOCK // len(start))
    for x, y in ((part[:, 0], part[:, 1]) for part in (points[at:at + block] for at in range(0, len(points), block))):
        who, edge = tree.query(shapely.box(x, y, np.maximum(x, far), y))
        (x0, y0), (x1, y1) = start[edge].T, end[edge].T
        up, down = (y0 <= y[who]) & (y1 > y[who]), (y1 <= y[who]) & (y0 > y[who])
        left = (x1 - x0) * (y[who] - y0) - (x[who] - x0) * (y1 - y0)
        winding.append(np.bincount(who, 1.0 * (up & (left > 0)) - (down & (left < 0)), len(x)))
    return np.concatenate(winding).astype(int)


def _stroked(lines, shape, tolerance):
    """Return the region of the stroke, in the shape's own units."""
    width = shape.stroke_width
    if not width or not np.isfinite(width) or width < 0:
        return shapely.Polygon()
    cap = _CAPS.get(shape.values.get("stroke-linecap", "butt"), "flat")
    join = shape.values.get("stroke-linejoin", "miter")
    half = width / 2
    quarter = max(2, int(np.ceil(np.pi / 4 / np.arccos(max(1 - tolerance / half, 0)))))
    regions = []
    for line, closed in lines:
        line = line[np.append(True, (np.diff(line, axis=0) != 0).any(axis=1))]
        if len(line) == 1:
            if cap != "flat":
                regions.append(shapely.Point(line[0]).buffer(half, quarter, cap_style=cap))
            continue
        if closed and (line[0] != line[-1]).any():
            line = np.vstack([line, line[:1]])
        # A closed line of three points or fewer doubles back and has no ring.
        around = closed and len(line) > 3
        path = shapely.LinearRing(line) if around else shapely.LineString(line)
        regions.append(path.buffer(half, quarter, cap_style=cap,
                                   join_style="round" if join == "round" else "bevel"))
        if join not in ("round", "bevel"):
            regions.extend(_miters(line, around, half, _number(shape.values.get("stroke-miterlimit", "4"), 4)))
    return shapely.union_all(regions)


def _miters(line, closed, half, limit) -> list:
    """Return the pointed corners that the miter limit allows; beyond it a corner stays a bevel."""
    steps = np.diff(np.vstack([line, line[1:2]]) if closed else line, axis=0)
    steps /= np.linalg.norm(steps, axis=1)[:, None]
    before, after, corner = steps[:-1], steps[1:], line[1:len(steps)]
    # Half the angle between the two arms: the miter is 1 / sin of it times the stroke's width.
    sine = np.sqrt(np.maximum((1 + (before * after).sum(axis=1)) / 2, 0))
    turn = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    kept = (sine > 1e-6) & (1 / np.maximum(sine, 1e-9) <= limit + 1e-9) & (np.abs(turn) > 1e-4)
    outward = np.where(turn > 0, 1.0, -1.0)[:, None]
    first = outward * half * np.column_stack([before[:, 1], -before[:, 0]])
    second = outward * half * np.column_stack([after[:, 1], -after[:, 0]])
    tip = (first + second) / np.maximum(2 * sine ** 2, 1e-12)[:, None]
    rings = np.stack([corner, corner + first, corner + tip, corner + second], axis=1)[kept]
    return list(shapely.polygons(rings)) if len(rings) else []
