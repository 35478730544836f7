"""The odd pattern against public data: `python -m tests.bench.open_data DIR`.

DIR holds any of skab/<group>/*.csv, nab/*.csv with nab/windows.json, ai4i/*.csv, or files of the
first form anywhere under it (third-party data, never part of this repository; without DIR the
variable CONDMON_OPEN_DATA is read). One JSON object a line: f1 and j 0 to 1, far and mar per cent.

SKAB (waico/SKAB, GPL-3.0): the first 400 rows of each file train, labels unread; the rest is scored
row by row, pooled. The same rows are given for a clock that sees no sensor, for "always" and for a
coin, since a figure says nothing without them. NAB (numenta/NAB, MIT): windows found, false events
a week, leads. AI4I 2020 (UCI 601): three rules of physics against a forest.
"""

import csv
import json
import os
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import numpy as np

from condmon.engine.forest import Forest
from condmon.engine.oddness import Detector, Episode, Tuning, Watcher
from condmon.learning.grow import flat, grown
from condmon.learning.odd import watcher

TRAIN = 400
CROP_MAX = 150
SKAB_MARKS = ("anomaly", "changepoint")

SLOW = replace(Tuning(), window=36, drift=0.0, follow=0.0, open_at=3.9)
"""A single slow signal every 5 min, learned anew each day from the last four weeks: what it drifts
is in the baseline already, so that nothing is added for drift and nothing follows in between."""
SLOW_ROWS, SLOW_DAY, PROBATION = 28 * 288, 288, 750
MERGE_S = 12 * 3600


class Rig(NamedTuple):
    """One recording: rows (n, p) and whether each is labelled odd."""

    name: str
    rows: np.ndarray
    odd: np.ndarray


def rigs(folder):
    """All labelled files of a folder of the SKAB form, the healthy one without labels left out."""
    out = []
    for path in sorted(folder.rglob("*.csv")):
        with path.open(newline="", encoding="utf-8-sig") as file:
            lines = list(csv.DictReader(file, delimiter=";"))
        if not lines or SKAB_MARKS[0] not in lines[0] or len(lines) <= TRAIN:
            continue
        names = [n for n in lines[0] if n not in {"datetime", *SKAB_MARKS}]
        rows = np.array([[float(line[n] or "nan") for n in names] for line in lines])
        odd = np.array([float(line[SKAB_MARKS[0]]) > 0.5 for line in lines])
        out.append(Rig(str(path.relative_to(folder)), rows, odd))
    return out


def companion(train, rest):
    """The covariance distance alone: what decides where a forest cannot be calibrated."""
    return Detector(train).push(rest).odd


def forest(train, rest):
    """The forest alone, on the leans."""
    seer = watcher(Detector(train).usual, train, Tuning(), seed=1)
    leans = np.nan_to_num(Detector(train).push(rest).lean)
    return _episodes(np.array([seer.ratio(lean) for lean in leans]), Watcher.TUNING)


def both(train, rest):
    """The geometric mean of the two, each over its own threshold."""
    seer = watcher(Detector(train).usual, train, Tuning(), seed=1)
    seen = Detector(train).push(rest)
    ratio = np.array([seer.ratio(lean) for lean in np.nan_to_num(seen.lean)])
    return _episodes(np.sqrt(seen.score * ratio), Tuning())


def clock(train, rest):
    """No sensor at all: odd from row 570 of the file to 400 rows later."""
    at = np.arange(len(rest)) + len(train)
    return (at >= 570) & (at < 970)


def always(train, rest):
    """Always odd."""
    return np.ones(len(rest), bool)


def coin(train, rest):
    """A coin a row."""
    return np.random.default_rng(len(rest)).random(len(rest)) < 0.5


OURS = (companion, forest, both)


def _episodes(scores, tuning):
    episode = Episode(tuning)
    return np.array([episode.push(float(score)) for score in scores])


def measured(said, true):
    """F1, FAR, MAR, J over pooled rows; false episodes and delay per file."""
    p, t = np.concatenate(said), np.concatenate(true)
    hit, false = int((p & t).sum()), int((p & ~t).sum())
    missed, quiet = int((~p & t).sum()), int((~p & ~t).sum())
    far, mar = false / max(false + quiet, 1), missed / max(missed + hit, 1)
    delays = [_delay(a, b) for a, b in zip(said, true, strict=True) if b.any()]
    found = [d for d in delays if d is not None]
    return {
        "f1": round(2 * hit / max(2 * hit + false + missed, 1), 4),
        "far": round(100 * far, 2),
        "mar": round(100 * mar, 2),
        "j": round(1 - far - mar, 4),
        "false_episodes": sum(_false_episodes(a, b) for a, b in zip(said, true, strict=True)),
        "delay_rows": float(np.median(found)) if found else None,
        "files_missed": delays.count(None),
    }


def _delay(said, true):
    both_true = np.flatnonzero(said & true)
    return int(both_true[0] - np.flatnonzero(true)[0]) if len(both_true) else None


def _false_episodes(said, true):
    edges = np.flatnonzero(np.diff(np.concatenate([[0], said.astype(int), [0]])))
    return sum(not true[a:b].any() for a, b in zip(edges[::2], edges[1::2], strict=True))


def skab(folder):
    """One object a detector, then the prefix test and the crop."""
    files = rigs(folder)
    true = [rig.odd[TRAIN:] for rig in files]
    for way in (companion, forest, both, clock, always, coin):
        began = time.perf_counter()
        said = [way(rig.rows[:TRAIN], rig.rows[TRAIN:]) for rig in files]
        seconds = time.perf_counter() - began
        head = {"set": "skab", "detector": way.__name__, "ours": way in OURS, "files": len(files)}
        yield {**head, **measured(said, true), "seconds": round(seconds, 2)}
    yield {"set": "skab", "test": "prefix", "files_changed_by_later_rows": _prefix(files)}
    for way in (companion, clock):
        yield {"set": "skab", "test": "crop", "detector": way.__name__, **_cropped(files, way)}


def _prefix(files):
    """Files of which an earlier output changes when the file is cut short; 0 is right."""
    rng, changed = np.random.default_rng(11), 0
    for rig in files:
        whole = Detector(rig.rows[:TRAIN]).push(rig.rows[TRAIN:])
        stop = int(rng.integers(TRAIN + 1, len(rig.rows)))
        part = Detector(rig.rows[:TRAIN]).push(rig.rows[TRAIN:stop])
        n = stop - TRAIN
        same = np.array_equal(whole.score[:n], part.score, equal_nan=True)
        changed += not (same and np.array_equal(whole.odd[:n], part.odd))
    return changed


def _cropped(files, way):
    """The same with 0 to 150 rows cut off each file's start; mean of five draws."""
    rng, seen = np.random.default_rng(7), []
    for _ in range(5):
        cut = [int(rng.integers(0, CROP_MAX + 1)) for _ in files]
        parts = [(r.rows[c:], r.odd[c:]) for r, c in zip(files, cut, strict=True)]
        said = [way(rows[:TRAIN], rows[TRAIN:]) for rows, _ in parts]
        seen.append(measured(said, [odd[TRAIN:] for _, odd in parts]))
    return {k: round(float(np.mean([s[k] for s in seen])), 4) for k in ("f1", "far", "mar", "j")}


def nab(folder):
    """Windows found, false events a week after the probation, leads to each window's middle."""
    windows = _windows(folder)
    for path in sorted(folder.glob("*.csv")):
        with path.open(newline="", encoding="utf-8-sig") as file:
            lines = list(csv.DictReader(file))
        at = np.array([_instant(line["timestamp"]) for line in lines])
        value = np.array([[float(line["value"])] for line in lines])
        labelled = [[_instant(x) for x in w] for w in windows.get(path.name, [])]
        began = time.perf_counter()
        odd = slow(value)
        found = events(at, odd)
        leads = [_lead(found, window) for window in labelled]
        false = [a for a, b in found if not any(b >= s and a <= e for s, e in labelled)]
        weeks = (at[-1] - at[PROBATION]) / (7 * 86400)
        yield {
            "set": "nab",
            "file": path.name,
            "windows": len(labelled),
            "windows_found": sum(lead is not None for lead in leads),
            "lead_h": leads,
            "false_events": len(false),
            "false_events_a_week": round(len(false) / weeks, 3),
            "false_at": [datetime.fromtimestamp(f, UTC).isoformat() for f in false],
            "seconds": round(time.perf_counter() - began, 2),
        }


def _windows(folder):
    """Labelled windows by the bare name of their file."""
    for name in ("windows.json", "combined_windows.json"):
        if (folder / name).is_file():
            found = json.loads((folder / name).read_text(encoding="utf-8"))
            return {Path(key).name: value for key, value in found.items()}
    return {}


def slow(rows):
    """Learned anew each day from the last four weeks; an open episode lives on."""
    odd, before = np.zeros(len(rows), bool), None
    for start in range(PROBATION, len(rows), SLOW_DAY):
        detector = Detector(rows[max(0, start - SLOW_ROWS) : start], SLOW)
        if before:
            detector.episode = before
        odd[start : start + SLOW_DAY] = detector.push(rows[start : start + SLOW_DAY]).odd
        before = detector.episode
    return odd


def events(at, odd):
    """Instants (first, last) of odd rows, merged over 12 h."""
    out = []
    for t in at[odd].tolist():
        if out and t - out[-1][1] <= MERGE_S:
            out[-1][1] = max(t, out[-1][1])
        else:
            out.append([t, t])
    return out


def _lead(found, window):
    hits = [max(a, window[0]) for a, b in found if b >= window[0] and a <= window[1]]
    return round((sum(window) / 2 - min(hits)) / 3600, 1) if hits else None


def _instant(text):
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


LIMIT_OSF = {"L": 11_000, "M": 12_000, "H": 13_000}


def ai4i(folder):
    """Rules of physics, and a forest on raw and on derived columns."""
    for path in sorted(folder.glob("*.csv")):
        with path.open(newline="", encoding="utf-8-sig") as file:
            text = file.read()
        mark = ";" if ";" in text.splitlines()[0] else ","
        lines = [
            {k.split("[")[0].strip(): v for k, v in line.items()}
            for line in csv.DictReader(text.splitlines(), delimiter=mark)
        ]
        names = (
            "Air temperature", "Process temperature", "Rotational speed", "Torque", "Tool wear",
        )  # fmt: skip
        raw = np.array([[float(line[n]) for n in names] for line in lines])
        true = np.array([line["Machine failure"].startswith("1") for line in lines])
        gap, power = raw[:, 1] - raw[:, 0], raw[:, 3] * raw[:, 2] * 2 * np.pi / 60
        strain = raw[:, 4] * raw[:, 3]
        limit = np.array([LIMIT_OSF[line["Type"]] for line in lines])
        rules = (
            (gap < 8.6) & (raw[:, 2] < 1380) | (power < 3500) | (power > 9000) | (strain > limit)
        )
        yield {
            "set": "ai4i", "detector": "rules", **measured([rules], [true]),
            "precision": round(float(true[rules].mean()), 4),
            "recall": round(float(rules[true].mean()), 4),
        }  # fmt: skip
        derived = np.column_stack([gap, power, strain / limit, raw[:, 4]])
        for name, columns in (("forest, raw", raw), ("forest, derived", derived)):
            scores = Forest(flat(grown(columns, seed=1, sampled=256)), columns.shape[1])
            yield {
                "set": "ai4i", "detector": name,
                "average_precision": round(_average_precision(scores.scores(columns), true), 4),
            }  # fmt: skip


def _average_precision(score, true):
    order = np.argsort(-score, kind="stable")
    hit = true[order]
    return float((np.add.accumulate(hit) / np.arange(1, len(hit) + 1))[hit].sum() / hit.sum())


SETS = {"skab": skab, "nab": nab, "ai4i": ai4i}


def main(argv):
    """Measure every set that is there."""
    place = argv[0] if argv else os.environ.get("CONDMON_OPEN_DATA", "")
    present = {n: Path(place) / n for n in SETS if place and (Path(place) / n).is_dir()}
    if not present and place and rigs(Path(place)):
        present = {"skab": Path(place)}
    if not present:
        print("no open data: give the folder that holds skab/, nab/ or ai4i/", file=sys.stderr)
        return 2
    for name, folder in present.items():
        for line in SETS[name](folder):
            print(json.dumps(line), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
