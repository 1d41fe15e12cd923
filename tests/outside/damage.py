"""Damages that the checks must notice."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path as FilePath

import pypdf

Harm = Callable[[FilePath, FilePath], None]


def harms(suffix: str) -> list[tuple[str, Harm]]:
    """What can be done to a file of this kind, in words and deeds."""
    return {
        ".svg": [
            ("0.1 % too large", lambda a, b: rewrite(a, b, scaled_svg(1.001))),
            ("mirrored once more", lambda a, b: rewrite(a, b, mirrored_svg)),
            ("a page in pixels", lambda a, b: rewrite(a, b, lambda t: t.replace('mm"', 'px"'))),
            ("a path left open", lambda a, b: rewrite(a, b, lambda t: t.replace(" Z", "", 1))),
            ("a contour missing", lambda a, b: rewrite(a, b, without_first_path)),
        ],
        ".plt": [
            ("1000 units to the inch", lambda a, b: rewrite(a, b, scaled_plt(1000 / 1016))),
            ("mirrored once more", lambda a, b: rewrite(a, b, mirrored_plt)),
            ("the last line left out", lambda a, b: rewrite(a, b, without_last_line)),
        ],
        ".pdf": [("printed at 99.9 %", lambda a, b: scale_pdf(a, b, 0.999))],
    }[suffix]


def rewrite(source: FilePath, target: FilePath, change: Callable[[str], str]) -> None:
    before = source.read_text(encoding="utf-8")
    after = change(before)
    if before == after:
        raise ValueError(f"{source.name} could not be damaged")
    target.write_text(after, encoding="utf-8")


def each_coordinate(text: str, change: Callable[[float, float], tuple[float, float]]) -> str:
    def pair(match: re.Match) -> str:
        x, y = change(float(match[1]), float(match[2]))
        return f"{x:.5f} {y:.5f}"

    def data(match: re.Match) -> str:
        return ' d="' + re.sub(r"(-?[0-9.]+)[ ,](-?[0-9.]+)", pair, match[1]) + '"'

    return re.sub(r'\sd="([^"]*)"', data, text)


def scaled_svg(factor: float) -> Callable[[str], str]:
    return lambda text: each_coordinate(text, lambda x, y: (x * factor, y * factor))


def mirrored_svg(text: str) -> str:
    page = float(re.search(r'viewBox="0 0 ([0-9.]+)', text)[1])
    return each_coordinate(text, lambda x, y: (page - x, y))


def without_first_path(text: str) -> str:
    return re.sub(r"<path\b[^>]*/>", "", text, count=1)


def each_unit(text: str, change: Callable[[int, int], tuple[int, int]]) -> str:
    def pair(match: re.Match) -> str:
        x, y = change(int(match[1]), int(match[2]))
        return f"{x},{y}"

    lines = text.split("\n")
    moved = [line if line.startswith("CO") else re.sub(r"(\d+),(\d+)", pair, line) for line in lines]
    return "\n".join(moved)


def scaled_plt(factor: float) -> Callable[[str], str]:
    return lambda text: each_unit(text, lambda x, y: (round(x * factor), round(y * factor)))


def mirrored_plt(text: str) -> str:
    widest = max(int(x) for x in re.findall(r"(\d+),\d+", text))
    return each_unit(text, lambda x, y: (widest - x, y))


def without_last_line(text: str) -> str:
    """The last contour does not come back to where it began."""
    head, last, tail = text.rpartition("PD")
    points = tail.split(";", 1)
    shorter = ",".join(points[0].split(",")[:-2])
    return f"{head}{last}{shorter};{points[1]}"


def scale_pdf(source: FilePath, target: FilePath, factor: float) -> None:
    writer = pypdf.PdfWriter(clone_from=source)
    for page in writer.pages:
        page.add_transformation(pypdf.Transformation().scale(factor))
    writer.write(target)
