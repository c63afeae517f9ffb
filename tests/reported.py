"""What a run report has to show of temperatures, computed from the exported file with numpy alone.

Usage: reported.py RUN.csv TIME ...      prints {"steps": [[heat, board-top, ...] per TIME], "extremes": {channel: [n, low, high, at]}}

TIME in seconds. Written apart from the project's own code, on the file that other programs get.
"""

import csv
import json
import sys

import numpy as np


def main(path, times):
    with open(path, newline="") as file:
        rows = list(csv.DictReader(file))
    names = [key[: -len("_celsius")] for key in rows[0] if key.endswith("_celsius") and key != "target_celsius"]
    at = np.array([float(row["elapsed_s"]) for row in rows])
    heat = np.array([float(row["heat"]) for row in rows])
    celsius = {
        name: np.array([float(row[name + "_celsius"]) if row[name + "_celsius"] else np.nan for row in rows])
        for name in names
    }
    steps = []
    for time in times:
        row = int(np.flatnonzero(at <= time + 1e-9)[-1])
        steps.append([heat[row]] + [celsius[name][row] for name in names])
    extremes = {}
    for name, values in celsius.items():
        high = int(np.nanargmax(values))
        extremes[name] = [int(np.isfinite(values).sum()), float(np.nanmin(values)), float(values[high]), float(at[high])]
    json.dump({"names": names, "steps": steps, "extremes": extremes}, sys.stdout)


main(sys.argv[1], [float(time) for time in sys.argv[2:]])
