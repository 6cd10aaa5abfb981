"""Counts how often `trace` proposes front, nape, LEFT and RIGHT where they are, on many heads and lines.

Run: python tests/outside/count_sides.py BINARY FOLDER [LINES [SEED]]

Heads: the two of check_trace.py and their mirror images, whole and cut 60, 28 and 20 mm below the line.
On each, LINES full hairlines that differ at random from the invented ones: front and nape by up to 15 mm
up or down, temples, ears and nape corners by up to 10; and as many pieces for the top, 15 mm up or down.
Wrong and not told to be unsure is the worst that can happen here; it fails.
"""

import json
import pathlib
import sys

import numpy as np
from scipy.interpolate import CubicSpline

import check_trace
import scalp
from tally import Program

# Elevations over azimuth of a piece for front and crown, degrees.
TOP = [(0, 25), (28, 30), (42, 37), (70, 36), (100, 32), (130, 28), (155, 25), (180, 24)]


def heads(rng):
    """Mesh, landmarks and line, each with a line of its own."""
    shift = lambda by: rng.uniform(-by, by)
    scalp.FRONT_ABOVE_NASION, scalp.NAPE_BELOW_INION = 70 + shift(15), 45 + shift(15)
    scalp.CLEAR_OF_EAR = 10 + shift(8)
    yield "average", *check_trace.average()[:3]
    front, nape = shift(15), abs(shift(15))
    moved = [front, front, front + shift(5), *(shift(10) for _ in range(3)), nape + shift(5), nape, nape]
    yield "other", *check_trace.other(np.array([62, 66, 62, 22, 38, 36, 14, 8, 8]) + moved)[:3]


def piece(mesh, marks, rng):
    """A line for front and crown on the same head."""
    points, faces = mesh(0)
    surface = scalp.Surface(points, faces)
    middle = np.mean(list(marks.values()), axis=0)
    azimuths, elevations = np.array(TOP, float).T
    tilt, up = rng.uniform(-8, 8), rng.uniform(-8, 8)
    elevations = elevations + up + tilt * np.cos(np.radians(azimuths))
    curve = CubicSpline(np.r_[-azimuths[:0:-1], azimuths], np.r_[elevations[:0:-1], elevations])
    ring = []
    for azimuth in np.arange(0, 360, 3.0):
        a, e = np.radians([azimuth, curve((azimuth + 180) % 360 - 180)])
        ring.append(surface.shoot(middle, np.array([np.sin(a) * np.cos(e), np.cos(a) * np.cos(e), np.sin(e)])))
    return {**marks, "front": ring[0], "nape": ring[60]}, np.array(ring)


def main():
    program, home = Program(sys.argv[1], pathlib.Path(sys.argv[2])), pathlib.Path(sys.argv[2])
    lines = int(sys.argv[3]) if len(sys.argv) > 3 else 2
    rng = np.random.default_rng(int(sys.argv[4]) if len(sys.argv) > 4 else 0)
    counts = {}
    for _ in range(lines):
        for name, mesh, marks, ring in heads(rng):
            kinds = [("full line", marks, ring), ("piece for the top", *piece(mesh, marks, rng))]
            for kind, own, line in kinds:
                for below in (None, 60, 28, 20):
                    for mirrored in (False, True):
                        verdict = one(program, home, mesh, own, line, below, mirrored, rng)
                        cut = "whole" if below is None else f"cut {below} mm below"
                        key = (kind, name, cut)
                        counts.setdefault(key, []).append(verdict)
    surely_wrong = 0
    for (kind, name, cut), verdicts in counts.items():
        told = [f"{verdicts.count(v)} {v}" for v in sorted(set(verdicts))]
        print(f"{kind}, {name}, {cut}: " + ", ".join(told))
        surely_wrong += verdicts.count("WRONG AND SURE")
    sys.exit(surely_wrong > 0)


def one(program, home, mesh, marks, ring, below, mirrored, rng):
    """The verdict on one scan."""
    points, faces = mesh(3)
    line = check_trace.dense(ring)
    if below is not None:
        points, faces = check_trace.shell(points, faces, ring, marks, below)
    if mirrored:
        flip = np.array([-1.0, 1, 1])
        points, line, faces = points * flip, line * flip, faces[:, [0, 2, 1]]
        swap = {"left_ear": "right_ear", "right_ear": "left_ear"}
        marks = {swap.get(k, k): v * flip for k, v in marks.items()}
    spots = points[rng.choice(len(points), 5, replace=False)]
    path = home / "scan.ply"
    check_trace.write(path, points, faces, check_trace.painted(points, line, spots, rng))
    done = program.run("trace", path, "--out", home / "traced", "--replace", "--json")
    if done.returncode not in (0, 3):
        return "refused"
    told = json.loads(done.stdout)
    off = {k: np.linalg.norm(np.array(told["landmarks"][k]) - v) for k, v in marks.items()}
    right = max(off["front"], off["nape"]) < 50 and max(off["left_ear"], off["right_ear"]) < 65
    sure = told["reversed_misfit_mm"] > 1.5 * told["misfit_mm"]
    return ("right" if right else "WRONG") + (" AND SURE" if sure and not right else "" if sure else " but told to be unsure")


if __name__ == "__main__":
    main()
