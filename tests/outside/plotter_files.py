"""An interpreter of plotter language, written from the instruction set alone.

HP-GL as in the "PCL 5 Printer Language Technical Reference Manual", part II: plotter units of
0.025 mm (1016 to the inch), absolute and relative moves, pen up and down; y up.
"""

from __future__ import annotations

import re
from pathlib import Path as FilePath

from areas import Ring

UNITS_PER_MM = 1016 / 25.4
LARGEST = 32767


class Plotter:
    """Follows a file and remembers every line drawn with the tool down."""

    def __init__(self) -> None:
        self.at = (0, 0)
        self.down = False
        self.relative = False
        self.tool = 0
        self.ready = False
        self.strokes: list[list[tuple[int, int]]] = []

    def run(self, text: str) -> None:
        # A comment's text stands in quotes and may hold anything but them.
        text = re.sub(r'CO\s*"[^"]*"', "", text)
        for instruction in filter(None, (part.strip() for part in text.split(";"))):
            self.obey(instruction[:2], instruction[2:].strip())

    def obey(self, mnemonic: str, arguments: str) -> None:
        numbers = [int(a) for a in arguments.split(",")] if arguments else []
        match mnemonic:
            case "IN":
                self.ready = True
            case "SP":
                self.tool = numbers[0]
            case "PU" | "PD":
                self.down = mnemonic == "PD"
                self.move(numbers)
            case "PA" | "PR":
                self.relative = mnemonic == "PR"
                self.move(numbers)
            case _:
                raise ValueError(f"unknown instruction {mnemonic}{arguments}")

    def move(self, numbers: list[int]) -> None:
        if len(numbers) % 2 != 0:
            raise ValueError(f"half a coordinate in {numbers}")
        for x, y in zip(numbers[::2], numbers[1::2]):
            to = (self.at[0] + x, self.at[1] + y) if self.relative else (x, y)
            if max(map(abs, to)) > LARGEST:
                raise ValueError(f"{to} is beyond plotter language")
            if self.down:
                if not self.ready or self.tool == 0:
                    raise ValueError("cutting before the tool is chosen")
                if not self.strokes or self.strokes[-1][-1] != self.at:
                    self.strokes.append([self.at])
                self.strokes[-1].append(to)
            elif self.strokes and self.strokes[-1][-1] == to:
                # Lifting and lowering at one place begins a new contour.
                self.strokes.append([to])
            self.at = to


def read(file: FilePath) -> tuple[list[Ring], list[bool]]:
    """Contours in millimetres, y down as in the SVG, and whether each ends where it began."""
    plotter = Plotter()
    plotter.run(file.read_text(encoding="ascii"))
    if plotter.down:
        raise ValueError(f"{file.name} ends with the tool down")
    strokes = [s for s in plotter.strokes if len(s) > 1]
    rings = [[(x / UNITS_PER_MM, -y / UNITS_PER_MM) for x, y in stroke] for stroke in strokes]
    return rings, [stroke[0] == stroke[-1] for stroke in strokes]
