"""Draws a pen line on scalps of real heads, lets `trace` find it, and counts how often the sides are right.

Run: python tests/outside/check_trace.py BINARY TARGET_FOLDER

Heads: the average adult scalp of PyPI `mne` (see scalp.py), and another individual: the hull of the 10-05
positions that `mne` carries for the `colin27` head (Holmes et al. 1998, J Comput Assist Tomogr
22:324-333; positions by Oostenveld & Praamstra 2001, Clin Neurophysiol 112:713-719), closed below
by a flat cut as a block is. Each as it is and as its mirror image, which is a head as well; in the
scan's own axes and turned at random; whole, and as the open shell of a mold.

The hairlines are INVENTED BY RULE. What must come out: every landmark on the side it was drawn on, and
the line within half a pen's width, which is this program's own promise.
"""

import json
import pathlib
import sys

import mne
import numpy as np
from scipy.interpolate import CubicSpline
from scipy.spatial import ConvexHull, cKDTree
from scipy.spatial.transform import Rotation

import scalp
from tally import Program, Tally

PEN = 3.0  # width, mm
SKIN, HAIR, INK = np.array([200.0, 160, 135]), np.array([70.0, 55, 45]), np.array([30.0, 30, 40])


def divided(points, faces, times):
    """Every triangle into four, several times."""
    for _ in range(times):
        edges = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
        unique, back = np.unique(edges, axis=0, return_inverse=True)
        middles = (len(points) + back.reshape(-1, 3)).astype(int)
        points = np.vstack([points, points[unique].mean(axis=1)])
        a, b, c = faces.T
        ab, bc, ca = middles.T
        faces = np.vstack([np.c_[a, ab, ca], np.c_[ab, b, bc], np.c_[ca, bc, c], np.c_[ab, bc, ca]])
    return points, faces


def dense(ring, points):
    """The closed ring at a quarter of a millimetre, laid onto the nearest points of the surface's samples."""
    closed = np.vstack([ring, ring[:1]])
    t = np.r_[0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    return CubicSpline(t, closed, bc_type="periodic")(np.arange(0, t[-1], 0.25))


def painted(points, line, rng):
    """Skin with patches of hair, light from one side, noise, a line of ink."""
    colour = np.tile(SKIN, (len(points), 1))
    spots = points[rng.choice(len(points), 25, replace=False)]
    hair = (cKDTree(spots).query(points)[0] < 11).astype(float)[:, None] * rng.uniform(0.6, 1, (len(points), 1))
    colour += hair * (HAIR - colour)
    ink = np.clip(0.5 - (cKDTree(line).query(points)[0] - PEN / 2) / 0.5, 0, 1)[:, None]
    colour += ink * 0.92 * (INK - colour)
    way = rng.normal(size=3)
    side = (points - points.mean(0)) @ (way / np.linalg.norm(way)) / 200
    colour *= (0.85 + 0.3 * np.clip(side, -0.5, 0.5))[:, None]
    return np.clip(colour + rng.normal(0, 4, colour.shape), 0, 255).astype("u1")


def write(path, points, faces, colours):
    vertex = np.zeros(len(points), [("p", "<f4", 3), ("c", "u1", 3)])
    vertex["p"], vertex["c"] = points, colours
    face = np.zeros(len(faces), [("n", "u1"), ("v", "<i4", 3)])
    face["n"], face["v"] = 3, faces
    head = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(points)}\nproperty float x\nproperty float y\nproperty float z\n"
        "property uchar red\nproperty uchar green\nproperty uchar blue\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    path.write_bytes(head.encode() + vertex.tobytes() + face.tobytes())


def average():
    points, faces, named = scalp.read()
    surface = scalp.Surface(points, faces)
    marks = scalp.landmarks(surface, named)
    ring = scalp.hairline(surface, marks)
    points, faces = divided(points, faces, 3)
    return points, faces, marks, ring


def other():
    """The hull of the positions on one living head, with a line of our own round it."""
    folder = pathlib.Path(mne.__file__).parent / "channels/data/montages"
    text = (folder / "colin27_1005.elc").read_text().split("\n")
    at, names = text.index("Positions"), text.index("Labels")
    points = np.array([list(map(float, t.split(":")[-1].split())) for t in text[at + 1 : names] if t.strip()])
    labels = " ".join(text[names + 1 :]).split()
    named = dict(zip(labels, points))
    hull = ConvexHull(points)
    faces = hull.simplices.copy()
    outward = np.cross(points[faces[:, 1]] - points[faces[:, 0]], points[faces[:, 2]] - points[faces[:, 0]])
    wrong = np.einsum("ij,ij->i", outward, hull.equations[:, :3]) < 0
    faces[wrong] = faces[wrong][:, [0, 2, 1]]
    surface = scalp.Surface(points, faces)
    nasion = named.get("NAS", named.get("Nz"))
    inion = named.get("INI", named.get("Iz"))
    left, right = named["LPA"], named["RPA"]
    # Heights over the plane of nasion, inion and ears: mm at azimuths from the front.
    middle = (nasion + inion + left + right) / 4
    y = nasion - inion
    y /= np.linalg.norm(y)
    x = right - left
    x -= y * (x @ y)
    x /= np.linalg.norm(x)
    z = np.cross(x, y)
    knots = np.array([0, 30, 42, 72, 98, 110, 130, 155, 180])
    heights = np.array([62, 66, 62, 22, 38, 36, 14, 8, 8.0])
    curve = CubicSpline(np.r_[-knots[:0:-1], knots], np.r_[heights[:0:-1], heights])
    ring = []
    for azimuth in np.arange(0, 360, 3.0):
        a = np.radians(azimuth)
        h = curve((azimuth + 180) % 360 - 180)
        ring.append(surface.shoot(middle + z * h, x * np.sin(a) + y * np.cos(a)))
    ring = np.array(ring)
    side = {"front": ring[0], "nape": ring[60], "right_ear": ring[33], "left_ear": ring[87]}
    points, faces = divided(points, faces, 4)
    return points, faces, side, ring


def shell(points, faces, ring, marks):
    """What lies above a surface 28 mm below the line, as a mold is cut."""
    middle = ring.mean(0)
    up = np.cross(marks["right_ear"] - marks["left_ear"], marks["front"] - marks["nape"])
    up /= np.linalg.norm(up)
    way = ring - middle
    flat = cKDTree((way - np.outer(way @ up, up)) / np.linalg.norm(way - np.outer(way @ up, up), axis=1)[:, None])
    p = points - middle
    q = p - np.outer(p @ up, up)
    near = flat.query(q / np.maximum(np.linalg.norm(q, axis=1), 1e-9)[:, None])[1]
    keep = p @ up > (way @ up)[near] - 28
    faces = faces[keep[faces].all(axis=1)]
    used = np.unique(faces)
    number = np.full(len(points), -1)
    number[used] = np.arange(len(used))
    return points[used], number[faces]


def main():
    tally, target = Tally(), pathlib.Path(sys.argv[2])
    program = Program(sys.argv[1], target / "traces")
    rng = np.random.default_rng(20)
    counts = {"sides": [0, 0], "lines": [0, 0]}

    def one(name, points, faces, marks, ring, turn):
        line = dense(ring, points)
        colours = painted(points, line, rng)
        moved = Rotation.random(random_state=rng) if turn else Rotation.identity()
        shift = rng.uniform(-200, 200, 3) if turn else np.zeros(3)
        path = program.home / f"{name}.ply"
        write(path, moved.apply(points) + shift, faces, colours)
        done = program.run("trace", path, "--out", program.home / f"{name}-traced", "--replace", "--json")
        path.unlink()
        counts["sides"][1] += 1
        counts["lines"][1] += 1
        if not tally.check(f"{name}: traced", done.returncode in (0, 3), done.stderr.strip()[:250]):
            return
        told = json.loads(done.stdout)
        found = {k: moved.inv().apply(np.array(v) - shift) for k, v in told["landmarks"].items()}
        off = {k: np.linalg.norm(found[k] - marks[k]) for k in marks}
        # Exchanged landmarks are 130 mm off and more.
        sides = max(off.values()) < 40
        counts["sides"][0] += sides
        tally.check(
            f"{name}: landmarks on their sides",
            sides,
            ", ".join(f"{k} {v:.0f} mm off" for k, v in off.items())
            + f"; misfit {told['misfit_mm']}, reversed {told['reversed_misfit_mm']}; {done.seconds:.1f} s",
        )
        centre = moved.inv().apply(np.array(told["perimeter"]["points"]) - shift)
        worst = cKDTree(line).query(centre)[0].max()
        back = np.sqrt(max(0.0, cKDTree(centre).query(line)[0].max() ** 2 - 1.0))
        good = max(worst, back) < PEN / 2
        counts["lines"][0] += good
        tally.check(f"{name}: line within half a pen's width", good, f"{worst:.2f} and {back:.2f} mm of {PEN / 2}")

    def head(name, points, faces, marks, ring):
        flip = np.array([-1.0, 1, 1])
        swap = {"left_ear": "right_ear", "right_ear": "left_ear"}
        mirrored = {swap.get(k, k): v * flip for k, v in marks.items()}
        for kind in ("whole", "shell"):
            p, f = (points, faces) if kind == "whole" else shell(points, faces, ring, marks)
            for turn in (False, True):
                where = "turned" if turn else "straight"
                tally.guard(f"{name} {kind} {where}", lambda: one(f"{name}-{kind}-{where}", p, f, marks, ring, turn))
                tally.guard(
                    f"{name} mirrored {kind} {where}",
                    lambda: one(
                        f"{name}-mirrored-{kind}-{where}", p * flip, f[:, [0, 2, 1]], mirrored, ring * flip, turn
                    ),
                )

    tally.guard("average", lambda: head("average", *average()))
    tally.guard("other", lambda: head("other", *other()))
    for what, (right, of) in counts.items():
        print(f"{what} right: {right} of {of}")
    tally.end()


if __name__ == "__main__":
    main()
