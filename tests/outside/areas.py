"""Filled areas from closed rings of points, by either fill rule, through shapely (GEOS)."""

from __future__ import annotations

import numpy as np
from shapely import LinearRing, Polygon, contains_xy
from shapely.geometry.base import BaseGeometry
from shapely.ops import polygonize, unary_union

Ring = list[tuple[float, float]]


def filled(rings: list[Ring], rule: str = "nonzero") -> BaseGeometry:
    """The area that `rings` fill: every face of their arrangement, judged by its winding number."""
    rings = [ring for ring in rings if len(ring) > 3]
    lines = unary_union([LinearRing(ring) for ring in rings])
    faces = []
    for face in polygonize(lines):
        inside = face.representative_point()
        turns = [winding(ring, inside.x, inside.y) for ring in rings]
        if (sum(turns) if rule == "nonzero" else sum(map(abs, turns)) % 2) != 0:
            faces.append(face)
    return unary_union(faces)


def winding(ring: Ring, x: float, y: float) -> int:
    """How often `ring` goes round (x, y); crossings of the ray to the right, with their sense."""
    points = np.asarray(ring)
    start, end = points, np.roll(points, -1, axis=0)
    side = (end[:, 0] - start[:, 0]) * (y - start[:, 1]) - (x - start[:, 0]) * (
        end[:, 1] - start[:, 1]
    )
    up = (start[:, 1] <= y) & (end[:, 1] > y) & (side > 0)
    down = (start[:, 1] > y) & (end[:, 1] <= y) & (side < 0)
    return int(up.sum()) - int(down.sum())


def encloses(outer: Ring, inner: Ring) -> bool:
    """Whether `inner` lies inside `outer`; the two neither cross nor overlap."""
    (x0, y0), (x1, y1) = inner[0], inner[1]
    return bool(contains_xy(Polygon(outer), (x0 + x1) / 2, (y0 + y1) / 2))


def size(area: BaseGeometry) -> tuple[float, float]:
    """Width and height of the bounding box."""
    x0, y0, x1, y1 = area.bounds
    return x1 - x0, y1 - y0
