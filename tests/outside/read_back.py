"""Reads back what a run published, with libraries of others: cut files, plotter files, press
sheets. Usage: read_back.py OUTBOX [--materials FILE]

Then it damages copies of every file in turn, and fails if a damage goes unnoticed.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path as FilePath

from shapely import affinity
from shapely.geometry.base import BaseGeometry

import damage
import plotter_files
import press_sheets
import printed
import svg_files
from areas import encloses, filled, size

SIZE_MM = 0.01
AREA_SHARE = 1e-4
# A plotter file rounds to whole units of 0.025 mm and flattens to 0.01 mm or better.
PLOTTER_MM = 0.0125 * 2**0.5 + 0.01
# Rounding both ends of a straight edge the same way shifts all of it.
PLOTTER_EDGE_MM = 0.0125 / 2
# An emblem this like its mirror image tells nothing about mirroring.
SYMMETRIC_SHARE = 2e-3


@dataclass
class Emblem:
    """One emblem of a job, as fit.json and the job file describe it."""

    name: str
    folder: FilePath
    fit: dict
    files: dict
    copies: int
    cut_from: str
    artwork: BaseGeometry | None

    @property
    def worn(self) -> BaseGeometry | None:
        """The artwork's area at the size to be cut, as worn, its corner at the origin."""
        if self.artwork is None:
            return None
        x0, y0, x1, _ = self.artwork.bounds
        scale = self.fit["width_mm"] / (x1 - x0)
        moved = affinity.translate(self.artwork, -x0, -y0)
        return affinity.scale(moved, scale, scale, origin=(0, 0))

    @property
    def as_cut(self) -> BaseGeometry | None:
        worn = self.worn
        return svg_files.flipped(worn) if worn and self.cut_from == "back" else worn


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("outbox", type=FilePath)
    parser.add_argument("--materials", type=FilePath, default=FilePath("config/materials.toml"))
    options = parser.parse_args()
    materials = tomllib.loads(options.materials.read_text(encoding="utf-8"))
    emblems = list(find_emblems(options.outbox, materials))
    if not emblems:
        print(f"{options.outbox}: no emblem with cut files was published")
        return 1
    failed = False
    for emblem in emblems:
        found = check(emblem)
        missed = unnoticed(emblem)
        print(f"{emblem.folder}: {'; '.join(found) or 'as it should be'}")
        for words in missed:
            print(f"  damage went unnoticed: {words}")
        failed = failed or bool(found) or bool(missed)
    print(f"{len(emblems)} emblems read back, {'with problems' if failed else 'no problem'}")
    return int(failed)


def find_emblems(outbox: FilePath, materials: dict):
    for report in sorted(outbox.glob("*/fit.json")):
        fits = json.loads(report.read_text(encoding="utf-8"))
        job_file = report.parent / "source" / "job.toml"
        if not any((e.get("files") or {}).get("cut") for e in fits["emblems"]):
            continue
        tasks = {e["name"]: e for e in tomllib.loads(job_file.read_text(encoding="utf-8"))["emblem"]}
        for emblem in fits["emblems"]:
            if not (emblem.get("files") or {}).get("cut"):
                continue
            task = tasks[emblem["name"]]
            version = report.parent / "source" / emblem["fit"]["version"]
            drawn = version.suffix.lower() == ".svg"
            material = materials[task.get("material", "flock")]
            yield Emblem(
                name=emblem["name"],
                folder=report.parent,
                fit=emblem["fit"],
                files=emblem["files"],
                copies=task.get("copies", 1),
                cut_from=valued(material["cut_from"]),
                artwork=svg_files.read_artwork(version) if drawn else None,
            )


def valued(entry):
    """A setting's value, which may stand beside its source."""
    return entry["value"] if isinstance(entry, dict) else entry


def check(emblem: Emblem) -> list[str]:
    """Everything that is wrong with an emblem's files."""
    found = []
    for name in emblem.files["cut"]:
        file = emblem.folder / name
        reader = check_plotter if file.suffix == ".plt" else check_svg
        found += [f"{name}: {words}" for words in attempt(reader, file, emblem)]
        if file.suffix == ".svg" and file.with_suffix(".plt").exists():
            other = file.with_suffix(".plt")
            found += [f"{other.name}: {words}" for words in attempt(check_plotter, other, emblem)]
    sheet = emblem.files.get("press_sheet")
    if sheet:
        found += [f"{sheet}: {w}" for w in attempt(check_sheet, emblem.folder / sheet, emblem)]
        found += [f"{sheet}: {w}" for w in attempt(check_print, emblem.folder / sheet, emblem)]
    return found


def attempt(reader, file: FilePath, emblem: Emblem) -> list[str]:
    """A file that cannot be read has something wrong with it too."""
    try:
        return reader(file, emblem)
    except Exception as error:  # noqa: BLE001
        return [f"{type(error).__name__}: {error}"]


def check_svg(file: FilePath, emblem: Emblem) -> list[str]:
    found = []
    for read in (svg_files.read_with_svg_path, svg_files.read_with_svgelements):
        cut = read(file)
        by = read.__module__ + "." + read.__name__
        if not all(cut.closed):
            found.append(f"an open path ({by})")
        area = filled(cut.rings, "evenodd")
        found += [f"{words} ({by})" for words in compare(area, emblem, SIZE_MM, AREA_SHARE)]
        for later, inner in enumerate(cut.rings):
            if any(encloses(outer, inner) for outer in cut.rings[:later]):
                found.append(f"a contour is cut after the one round it ({by})")
        said = "NOT mirrored" if emblem.cut_from == "face" else "MIRRORED"
        if said not in cut.words:
            found.append(f"it does not say {said!r}")
    return found


def check_plotter(file: FilePath, emblem: Emblem) -> list[str]:
    rings, closed = plotter_files.read(file)
    found = [] if all(closed) else ["an open contour"]
    area = filled(rings, "evenodd")
    share = PLOTTER_EDGE_MM * area.length / area.area
    return found + compare(area, emblem, 2 * PLOTTER_MM, share)


def compare(area: BaseGeometry, emblem: Emblem, within_mm: float, share: float) -> list[str]:
    """Size, area and shape of the pieces in a cut file against the artwork."""
    wanted = emblem.as_cut
    if emblem.copies == 1:
        width, height = size(area)
        fit = emblem.fit
        off = max(abs(width - fit["width_mm"]), abs(height - fit["height_mm"]))
        # fit.json may round; half its last digit is not the cut file's fault.
        if off > within_mm + 0.005:
            return [f"{width:.3f} x {height:.3f} mm, not {fit['width_mm']} x {fit['height_mm']}"]
    if wanted is None:
        return []
    found = []
    # Copies are packed and may lie upside down: their places are checked by packing.py.
    x0, y0, _, _ = area.bounds
    px0, py0, _, _ = wanted.bounds
    pieces = [affinity.translate(wanted, x0 - px0, y0 - py0)] if emblem.copies == 1 else []
    ratio = area.area / (emblem.copies * wanted.area)
    if abs(ratio - 1) > share + 2 * 0.005 / emblem.fit["width_mm"]:
        found.append(f"area is off by {100 * (ratio - 1):.4f} %")
    for piece in pieces:
        near = area.intersection(piece.envelope.buffer(0.5))
        mirrored = svg_files.flipped(piece)
        if piece.symmetric_difference(mirrored).area < SYMMETRIC_SHARE * piece.area:
            continue
        off = near.boundary.hausdorff_distance(piece.boundary)
        if off > within_mm + 0.02:
            other = near.boundary.hausdorff_distance(mirrored.boundary)
            how = "mirrored the wrong way" if other < off else "not the artwork's shape"
            found.append(f"outline is {off:.3f} mm off: {how}")
    return found


def parts(area: BaseGeometry):
    return getattr(area, "geoms", [area])


def check_sheet(file: FilePath, emblem: Emblem) -> list[str]:
    worn = emblem.worn
    if worn is None:
        return press_sheets.problems(file, None, ["100 mm"])
    largest = max(parts(worn), key=lambda p: p.area)
    # Larger than the paper: the outline is cut up into tiles.
    width, height = size(worn)
    if width > 160 or height > 190:
        return press_sheets.problems(file, None, ["100 mm"])
    return press_sheets.problems(file, largest, ["100 mm", emblem.name])


def check_print(file: FilePath, emblem: Emblem) -> list[str]:
    """The outline as printed, where it stands on one page."""
    worn = emblem.worn
    if worn is None:
        return []
    width, height = size(worn)
    if width > 160 or height > 140:
        return []
    return printed.problems(file, max(parts(worn), key=lambda p: p.area))


def unnoticed(emblem: Emblem) -> list[str]:
    """Damages to copies of an emblem's files that no check noticed."""
    missed = []
    with tempfile.TemporaryDirectory() as folder:
        for name in emblem.files["cut"]:
            for file in {emblem.folder / name, (emblem.folder / name).with_suffix(".plt")}:
                reader = check_plotter if file.suffix == ".plt" else check_svg
                for words, harm in damage.harms(file.suffix):
                    harmed = FilePath(folder) / file.name
                    harm(file, harmed)
                    if symmetric(emblem) and "mirror" in words:
                        continue
                    if not attempt(reader, harmed, emblem):
                        missed.append(f"{file.name}: {words}")
        sheet = emblem.files.get("press_sheet")
        if sheet and emblem.artwork is not None:
            for words, harm in damage.harms(".pdf"):
                harmed = FilePath(folder) / "sheet.pdf"
                harm(emblem.folder / sheet, harmed)
                if not attempt(check_sheet, harmed, emblem):
                    missed.append(f"{sheet}: {words}")
    return missed


def symmetric(emblem: Emblem) -> bool:
    worn = emblem.worn
    if worn is None:
        return True
    difference = worn.symmetric_difference(svg_files.flipped(worn)).area
    return difference < SYMMETRIC_SHARE * worn.area


if __name__ == "__main__":
    sys.exit(main())
