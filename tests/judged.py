"""What a window measures, computed from an exported run with numpy alone.

Usage: judged.py RUN.csv WINDOW.toml      prints {"line": value} as JSON

Written apart from the project's own code: whole arrays instead of a reading at a time, a fine grid and brute force instead of cases.
Between readings there are straight lines. Without gaps only: the caller's runs have none.
"""

import csv
import json
import sys
import tomllib

import numpy as np

WORDS = ("hottest", "coldest", "mean", "all")


def main(csv_path, window_path):
    with open(window_path, "rb") as file:
        text = tomllib.load(file)
    recipe = text if "recipe" in text else {}
    window = text["window"] if recipe else text
    with open(csv_path, newline="") as file:
        rows = list(csv.DictReader(file))
    names = [key[: -len("_celsius")] for key in rows[0] if key.endswith("_celsius") and key != "target_celsius"]
    t = np.array([float(row["elapsed_s"]) for row in rows])
    channels = {name: np.array([float(row[name + "_celsius"]) for row in rows]) for name in names}
    stacked = np.vstack(list(channels.values()))
    phase = np.array([row["phase"] for row in rows])
    stage = np.array([int(row["stage"] or 0) for row in rows])
    control = recipe.get("control", "hottest")

    def traces(line, default):
        on = line.get("channel", window.get("channel", default))
        if on == "control":
            on = control
        if on == "all":
            return list(channels.values())
        made = {"hottest": stacked.max(0), "coldest": stacked.min(0), "mean": stacked.mean(0)}
        return [made[on] if on in made else channels[on]]

    # The exact time that a polyline spends in a range: each piece by the share of its own span.
    def inside(y, low, high, pieces=None):
        a, b, dt = y[:-1], y[1:], np.diff(t)
        bottom, top = np.minimum(a, b), np.maximum(a, b)
        flat = top == bottom
        share = np.where(
            flat,
            (bottom >= low) & (top <= high),
            np.clip(np.minimum(top, high) - np.maximum(bottom, low), 0, None) / np.where(flat, 1, top - bottom),
        )
        return float((share * dt)[pieces if pieces is not None else slice(None)].sum())

    # Every span of `over` seconds that begins or ends at a reading.
    def rates(y, over):
        starts = np.concatenate([t, t - over])
        starts = starts[(starts >= t[0]) & (starts + over <= t[-1])]
        return (np.interp(starts + over, t, y) - np.interp(starts, t, y)) / over

    def crossing(i, y, level):
        return t[i] + (t[i + 1] - t[i]) * (level - y[i]) / (y[i + 1] - y[i])

    def listed(key):
        found = window.get(key, [])
        return found if isinstance(found, list) else [found]

    def number(value):
        return f"{value:g}"

    found = {}
    over = window.get("rate_over_s", 10)
    if "peak_celsius" in window:
        found["peak"] = max(y.max() for y in traces({}, "hottest"))
    if "rise_celsius_per_s_max" in window:
        found["rise"] = max(rates(y, over).max() for y in traces({}, "all"))
    if "fall_celsius_per_s_max" in window:
        found["fall"] = max(-rates(y, over).min() for y in traces({}, "all"))
    for line in listed("rise_to_peak"):
        level = line["from_celsius"]
        y = traces(line, "hottest")[0]
        top = int(y.argmax())
        i = max(i for i in range(top) if y[i] < level <= y[i + 1])
        found[f"rise from {number(level)} °C to the peak"] = (y[top] - level) / (t[top] - crossing(i, y, level))
    for line in listed("above"):
        level = line["celsius"]
        found[f"above {number(level)} °C"] = inside(traces(line, "hottest")[0], level, np.inf)
    for line in listed("between"):
        low, high = line["celsius"]
        found[f"between {number(low)} and {number(high)} °C"] = inside(traces(line, "hottest")[0], low, high)
    for line in listed("dwell"):
        number_of = line["stage"]
        own = recipe["stage"][number_of - 1]
        band, target = own.get("band_celsius", 2), own["target_celsius"]
        heats = (stage == number_of) & np.isin(phase, ["ramp", "dwell"])
        # A piece counts where both of its ends are in the stage, and the later one still has its target.
        pieces = (stage[:-1] == number_of) & heats[1:]
        y = traces(line, "control")[0]
        found[f"dwell of stage {number_of}"] = inside(y, target - band, target + band, pieces)
    if "spread_celsius_max" in window:
        found["spread"] = (stacked.max(0) - stacked.min(0)).max()
    for line in listed("time_to_peak"):
        level = line["from_celsius"]
        y = traces(line, "hottest")[0]
        i = next(i for i in range(len(y) - 1) if y[i] < level <= y[i + 1])
        found[f"time from {number(level)} °C to peak"] = t[int(y.argmax())] - crossing(i, y, level)
    for line in listed("cooldown"):
        safe = recipe["cooldown"]["safe_celsius"]
        off = int(np.flatnonzero(np.isin(phase, ["cooldown", "cool"]))[0])
        below = []
        for y in traces(line, "all"):
            hot = np.flatnonzero(y[off:] >= safe)
            below.append(crossing(off + int(hot[-1]), y, safe) if len(hot) else t[off])
        found["cool-down"] = max(below) - t[off]
    print(json.dumps({name: round(float(value), 9) for name, value in found.items()}))


main(*sys.argv[1:])
