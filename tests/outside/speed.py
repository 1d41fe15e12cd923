"""Times OpenCV's nearest calls to the program's stages, on one photo and with one thread.

    python tests/outside/speed.py PHOTO

Prints a line a call: seconds, and multiples of OpenCV's own decoding.
"""

import sys
import time

import cv2
import numpy as np

GRID = (2200, 1650)  # samples of cloth laid flat, of the 3 million at most


def seconds(call, runs=5):
    best = float("inf")
    for _ in range(runs):
        start = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - start)
    return best


def main(path):
    cv2.setNumThreads(1)
    data = np.fromfile(path, np.uint8)
    rgb = cv2.imdecode(data, cv2.IMREAD_COLOR)
    grey = cv2.cvtColor(rgb, cv2.COLOR_BGR2GRAY)
    height, width = grey.shape
    scale = min(1.0, 1200 / max(height, width))
    small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    corners = np.float32([[0, 0], [width, 0], [width, height], [0, height]])
    tilted = corners + np.float32([[9, 5], [-7, 3], [4, -8], [-6, -2]])
    to_grid = cv2.getPerspectiveTransform(
        tilted, np.float32([[0, 0], [GRID[0], 0], GRID, [0, GRID[1]]])
    )
    flat = cv2.warpPerspective(rgb, to_grid, GRID).astype(np.float32)
    plane = np.ascontiguousarray(flat[:512, :512, 0])
    mask = np.zeros((96, 96), np.float32)
    cv2.circle(mask, (48, 48), 40, 1.0, -1)

    def straight_edges():
        edges = cv2.Canny(small, 40, 120)
        cv2.HoughLinesP(edges, 1, np.pi / 360, 80, minLineLength=90, maxLineGap=20)

    def laid_flat():
        warped = cv2.warpPerspective(rgb, to_grid, GRID).astype(np.float32)
        light = np.log(warped + 1.0)
        light - cv2.blur(light, (301, 301))

    def pyramid():
        level = cv2.cvtColor(rgb, cv2.COLOR_BGR2GRAY)
        for _ in range(5):
            level = cv2.pyrDown(level)

    def picture():
        third = cv2.resize(rgb, None, fx=1 / 3, fy=1 / 3, interpolation=cv2.INTER_AREA)
        cv2.imencode(".jpg", third)

    calls = [
        ("photo", "imdecode", lambda: cv2.imdecode(data, cv2.IMREAD_COLOR)),
        ("ruler", "cvtColor, then pyrDown", pyramid),
        ("ruler", "Canny and HoughLinesP at 1200 px", straight_edges),
        ("residue", "warpPerspective, log and blur", laid_flat),
        ("fit", "matchTemplate, 96 in 512, once", lambda: cv2.matchTemplate(plane, mask, cv2.TM_CCORR)),
        ("fit", "dft and back, 512", lambda: cv2.idft(cv2.dft(plane))),
        ("pictures", "imencode at a third of the size", picture),
    ]
    decode = None
    for stage, name, call in calls:
        took = seconds(call)
        decode = decode or took
        print(f"{stage:<10}{name:<36}{took:8.4f} s {took / decode:7.2f} x imdecode")


if __name__ == "__main__":
    main(sys.argv[1])
