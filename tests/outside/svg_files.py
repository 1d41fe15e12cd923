"""SVG files read by two libraries that know nothing of each other or of the program."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass
from pathlib import Path as FilePath

import svg.path
import svgelements
from shapely import affinity
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from areas import Ring, filled

SVG = "{http://www.w3.org/2000/svg}"
# Points along a curve: enough that chords of a circle of 40 mm miss 2e-5 of its area.
POINTS_PER_ROOT_MM = 20
# CSS Values and Units 3, section 6.2: 96 px to the inch of 25.4 mm.
PX_PER_MM = 96 / 25.4


@dataclass
class CutFile:
    """A cut file's paths in millimetres, in file order."""

    page_mm: tuple[float, float]
    rings: list[Ring]
    closed: list[bool]
    words: str


def read_with_svg_path(file: FilePath) -> CutFile:
    """Through xml.etree and svg.path."""
    text = file.read_text(encoding="utf-8")
    root = ElementTree.fromstring(text)
    page = []
    for side in ("width", "height"):
        match = re.fullmatch(r"([0-9.]+)mm", root.get(side, ""))
        if match is None:
            raise ValueError(f"{file.name}: {side} is {root.get(side)!r}, not millimetres")
        page.append(float(match[1]))
    view = [float(v) for v in root.get("viewBox", "").split()]
    if view[:2] != [0, 0] or any(abs(v - p) > 1e-9 for v, p in zip(view[2:], page)):
        raise ValueError(f"{file.name}: view box {view} is not the page {page} in millimetres")
    rings, closed = [], []
    for element in root.iter(f"{SVG}path"):
        path = svg.path.parse_path(element.get("d"))
        ring = []
        for part in path:
            if isinstance(part, svg.path.path.Move):
                if ring:
                    raise ValueError(f"{file.name}: a path with two contours")
                ring.append((part.end.real, part.end.imag))
                continue
            straight = isinstance(part, (svg.path.Line, svg.path.path.Close))
            count = 1 if straight else point_count(part.point)
            points = [part.point((i + 1) / count) for i in range(count)]
            ring.extend((p.real, p.imag) for p in points)
        rings.append(ring)
        closed.append(isinstance(path[-1], svg.path.path.Close) and near(ring[0], ring[-1]))
    return CutFile((page[0], page[1]), rings, closed, text)


def read_with_svgelements(file: FilePath) -> CutFile:
    """Through svgelements, which maps everything to CSS pixels."""
    drawing = svgelements.SVG.parse(str(file), reify=True, ppi=96)
    rings, closed = [], []
    for path in drawing.elements(lambda e: isinstance(e, svgelements.Path)):
        ring = [(x / PX_PER_MM, y / PX_PER_MM) for x, y in points_of(path)]
        rings.append(ring)
        closed.append(isinstance(path[-1], svgelements.Close) and near(ring[0], ring[-1]))
    page = (float(drawing.width) / PX_PER_MM, float(drawing.height) / PX_PER_MM)
    return CutFile(page, rings, closed, file.read_text(encoding="utf-8"))


def read_artwork(file: FilePath) -> BaseGeometry | None:
    """The area a drawing fills, in CSS pixels; `None` if it holds what is not compared here."""
    text = file.read_text(encoding="utf-8")
    if re.search(r"<(?:\w+:)?(mask|clipPath|style|image)\b|stroke=|stroke:", text):
        return None
    area = None
    drawing = svgelements.SVG.parse(str(file), reify=True, ppi=96)
    for shape in drawing.elements(lambda e: isinstance(e, svgelements.Shape)):
        if shape.fill is None or shape.fill.value is None or shape.fill.alpha == 0:
            continue
        rule = shape.values.get("fill-rule") or "nonzero"
        rings = [points_of(svgelements.Path(part)) for part in shape_parts(shape)]
        painted = filled(rings, rule)
        if shape.fill.hex in ("#fff", "#ffffff"):
            area = area.difference(painted) if area is not None else None
        else:
            area = painted if area is None else unary_union([area, painted])
    return area


def shape_parts(shape: svgelements.Shape) -> list[svgelements.Path]:
    return list(svgelements.Path(shape).as_subpaths())


def points_of(path: svgelements.Path) -> Ring:
    """Points along one contour, begun and ended at the same place."""
    ring: Ring = []
    for part in path:
        if isinstance(part, svgelements.Move):
            ring.append((part.end.x, part.end.y))
        elif isinstance(part, (svgelements.Line, svgelements.Close)):
            if part.end is not None:
                ring.append((part.end.x, part.end.y))
        else:
            count = point_count(lambda t, part=part: complex(part.point(t)) / PX_PER_MM)
            at = (part.point((i + 1) / count) for i in range(count))
            ring.extend((p.x, p.y) for p in at)
    if ring[0] != ring[-1]:
        ring.append(ring[0])
    return ring


def point_count(point) -> int:
    """Points for a curve in millimetres, by how far it reaches from its start."""
    reach = max(abs(point(t) - point(0)) for t in (0.2, 0.4, 0.6, 0.8, 1))
    return int(POINTS_PER_ROOT_MM * reach**0.5) + 8


def near(a: tuple[float, float], b: tuple[float, float]) -> bool:
    return abs(a[0] - b[0]) < 1e-6 and abs(a[1] - b[1]) < 1e-6


def flipped(area: BaseGeometry) -> BaseGeometry:
    """Mirrored left to right about the middle of its bounding box."""
    return affinity.scale(area, xfact=-1, yfact=1, origin="center")
