"""Makes scans and fittings of the average adult scalp that PyPI `mne` carries, for the outside checks.

Source: `data/fsaverage/fsaverage-head.fif` and `channels/data/montages/fsaverage_1005.tsv` of `mne`
1.13.2 (BSD-3-Clause): a closed head with face and neck, 2 033 vertices, metres, axes RAS, and named
positions on it by the 10-20 rule (Jasper 1958; Oostenveld & Praamstra 2001, Clin Neurophysiol
112:713-719). Nothing of the package is kept in this repository.

Template space is larger than living heads (Lancaster et al. 2007, Hum Brain Mapp 28:1194-1205):
scaled by 0.954 the girth is 574 mm, the mean of the men in the 2012 US Army survey (Gordon et al.
2014, NATICK/TR-15/007).

The hairline is INVENTED BY RULE: front 70 mm above the nasion along the midline (72 mm men, 67 mm
women in one study, doi 10.1186/s40902-019-0191-7), 10 mm above the tops of the ears, nape 45 mm below
the inion (from memory, no source); between them smooth curves in elevation over azimuth.

Run: python tests/outside/scalp.py FOLDER
"""

import csv
import json
import pathlib
import struct
import sys

import mne
import numpy as np
from scipy.interpolate import PchipInterpolator

SCALE = 0.954
CENTRE = np.array([0.9, -17.0, -8.0])  # inside the scaled head, mm; any inner point would do
FRONT_ABOVE_NASION = 70.0
NAPE_BELOW_INION = 45.0
EAR_TOP_ABOVE_TRAGUS = 28.0  # along the coronal arc; from memory, no source
CLEAR_OF_EAR = 10.0


def read():
    data = pathlib.Path(mne.__file__).parent
    head = mne.read_bem_surfaces(data / "data/fsaverage/fsaverage-head.fif", verbose=False)[0]
    named = {}
    with open(data / "channels/data/montages/fsaverage_1005.tsv") as table:
        for row in csv.DictReader(table, delimiter="\t"):
            named[row["label"]] = np.array([float(row[k]) for k in "xyz"]) * 1000 * SCALE
    return head["rr"] * 1000 * SCALE, head["tris"].astype(int), named


class Surface:
    """Rays and sections of a small mesh, by brute force."""

    def __init__(self, points, faces):
        self.points, self.faces = points, faces
        self.corners = points[faces]

    def shoot(self, origin, direction):
        """Farthest hit of a ray (Moeller & Trumbore 1997)."""
        a, b, c = self.corners.transpose(1, 0, 2)
        e1, e2 = b - a, c - a
        p = np.cross(direction, e2)
        det = (e1 * p).sum(1)
        det = np.where(np.abs(det) < 1e-12, np.nan, det)
        s = origin - a
        u = (s * p).sum(1) / det
        q = np.cross(s, e1)
        v = (q * direction).sum(1) / det
        t = (e2 * q).sum(1) / det
        hit = (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9) & (t > 0)
        return origin + direction * t[hit].max()

    def out(self, azimuth, elevation):
        """Point in a direction from the centre; azimuth from the front to the client's right."""
        az, el = np.radians([azimuth, elevation])
        way = np.array([np.sin(az) * np.cos(el), np.cos(az) * np.cos(el), np.sin(el)])
        return self.shoot(CENTRE, way)

    def arc(self, start, over, end):
        """The section by the plane through three points, from above the first over the second, as a
        polyline sampled by angle about the centre's shadow in that plane."""
        x = over - start
        normal = np.cross(x, end - start)
        normal /= np.linalg.norm(normal)
        middle = CENTRE - normal * ((CENTRE - start) @ normal)
        u = start - middle
        u /= np.linalg.norm(u)
        v = np.cross(normal, u)
        if (over - middle) @ v < 0:
            v = -v
        turn = np.radians(np.arange(-70, 330, 0.25))
        return np.array([self.shoot(middle, u * np.cos(t) + v * np.sin(t)) for t in turn])


def along(arc, start, distance):
    """The point so far along a polyline from the place nearest to a point, mm; signed."""
    steps = np.r_[0, np.cumsum(np.linalg.norm(np.diff(arc, axis=0), axis=1))]
    at = steps[np.linalg.norm(arc - start, axis=1).argmin()] + distance
    return np.array([np.interp(at, steps, arc[:, k]) for k in range(3)])


def angles(point):
    d = point - CENTRE
    return np.degrees(np.arctan2(d[0], d[1])), np.degrees(np.arcsin(d[2] / np.linalg.norm(d)))


def landmarks(surface, named):
    midline = surface.arc(named["NAS"], named["Cz"], named["INI"])
    left = surface.arc(named["LPA"], named["Cz"], named["RPA"])
    right = surface.arc(named["RPA"], named["Cz"], named["LPA"])
    return {
        "front": along(midline, named["NAS"], FRONT_ABOVE_NASION),
        "nape": along(midline, named["INI"], NAPE_BELOW_INION),
        "left_ear": along(left, named["LPA"], EAR_TOP_ABOVE_TRAGUS),
        "right_ear": along(right, named["RPA"], EAR_TOP_ABOVE_TRAGUS),
    }


def hairline(surface, marks):
    front, nape = angles(marks["front"])[1], angles(marks["nape"])[1]
    ring = []
    for side, ear in ((1, "right_ear"), (-1, "left_ear")):
        az, el = angles(marks[ear])
        az = abs(az)
        radius = np.linalg.norm(marks[ear] - CENTRE)
        over = el + np.degrees(CLEAR_OF_EAR / radius)
        knots = [0, 30, 42, az - 26, az, az + 12, az + 34, 155, 180]
        heights = [front, front + 2, front + 1, over - 8, over, over - 1, nape + 12, nape + 1, nape]
        # Level at both ends of the half, so that the two halves meet without a corner.
        curve = PchipInterpolator(
            np.r_[-30, knots, 210], np.r_[heights[1], heights, heights[-2]]
        )
        half = [(side * a, curve(a)) for a in np.linspace(0, 180, 61)]
        ring += half[:-1] if side > 0 else half[:0:-1]
    return np.array([surface.out(a, e) for a, e in ring])


def parting(surface, marks, left):
    """An opening 75 mm long and 12 mm wide on one side of the top."""
    x = marks["front"][0] + (-32.0 if left else 32.0)
    ys = np.linspace(-35, 40, 16)
    corners = [(x - 6, y) for y in ys] + [(x + 6, y) for y in ys[::-1]]
    up = np.array([0.0, 0.0, 1.0])
    hits = [surface.shoot(np.array([a, b, CENTRE[2]]), up) for a, b in corners]
    return np.array(hits)


def strip_seams(surface, perimeter):
    """Both seams of a centre strip: from the front to the nape, 60 mm apart on the top."""
    azimuths = np.array([angles(p)[0] for p in perimeter])
    turned = lambda to: (azimuths - to + 180) % 360 - 180
    up = np.array([0.0, 0.0, 1.0])
    seams = []
    for side in (-1, 1):
        ends = [perimeter[np.abs(turned(side * to)).argmin()] for to in (20, 165)]
        top = [surface.shoot(np.array([30.0 * side, y, CENTRE[2]]), up) for y in (10, -60)]
        seams.append(np.array([ends[0], *top, ends[1]]))
    return seams


def listed(points):
    return "[" + ", ".join("[" + ", ".join(f"{x:.6f}" for x in p) + "]" for p in points) + "]"


def fitting(scan, marks, perimeter, darts, opening=None, client="0001", units="auto", extra=""):
    lines = [
        "fitting = 1",
        f'client = "{client}"',
        'units = "mm"',
        "",
        "[mold]",
        f'scan = "{scan}"',
        f'scan_units = "{units}"',
        "",
        "[landmarks]",
    ]
    lines += [f"{name} = {listed([p])[1:-1]}" for name, p in marks.items()]
    lines += ["", "[perimeter]", 'from = "points"', f"points = {listed(perimeter)}", ""]
    if opening is not None:
        lines += ["[[opening]]", f"points = {listed(opening)}", ""]
    lines += [darts, "", extra]
    return "\n".join(lines)


def given(darts):
    return "".join(
        f'[[dart]]\nfrom = "{place}"\nalong = {along}\ndepth = {depth}\n\n' for place, along, depth in darts
    )


def write_meshes(folder, points, faces):
    with open(folder / "scalp.obj", "w") as f:
        f.write("# average adult scalp, mm\n")
        f.writelines("v %.6f %.6f %.6f\n" % tuple(p) for p in points)
        f.writelines("f %d %d %d\n" % tuple(t + 1) for t in faces)
    head = (
        "ply\nformat {} 1.0\nelement vertex {}\nproperty {t} x\nproperty {t} y\nproperty {t} z\n"
        "element face {}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    with open(folder / "scalp.ply", "w") as f:
        f.write(head.format("ascii", len(points), len(faces), t="double"))
        f.writelines("%.6f %.6f %.6f\n" % tuple(p) for p in points)
        f.writelines("3 %d %d %d\n" % tuple(t) for t in faces)
    with open(folder / "scalp_binary.ply", "wb") as f:
        f.write(head.format("binary_little_endian", len(points), len(faces), t="double").encode())
        f.write(np.round(points, 6).astype("<f8").tobytes())
        f.writelines(struct.pack("<Biii", 3, *t) for t in faces)
    with open(folder / "scalp.stl", "wb") as f:
        f.write(b"average adult scalp".ljust(80) + struct.pack("<I", len(faces)))
        for t in faces:
            f.write(struct.pack("<12fH", 0, 0, 0, *points[t].ravel(), 0))
    with open(folder / "scalp_metres.obj", "w") as f:
        f.writelines("v %.9f %.9f %.9f\n" % tuple(p / 1000) for p in points)
        f.writelines("f %d %d %d\n" % tuple(t + 1) for t in faces)


LAYOUTS = {
    "none": '[darts]\nlayout = "none"',
    "even4": '[darts]\nlayout = "even:4"',
    "even6": '[darts]\nlayout = "even:6"',
    "even8": '[darts]\nlayout = "even:8"',
    "auto": '[darts]\nlayout = "auto"\nmost = 8',
    "given": given([("nape", 40, 80), ("nape", -40, 80), ("left_ear", 45, 70), ("right_ear", 45, 70)]),
}


def main():
    folder = pathlib.Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    points, faces, named = read()
    surface = Surface(points, faces)
    marks = landmarks(surface, named)
    perimeter = hairline(surface, marks)
    write_meshes(folder, points, faces)

    def put(name, **more):
        scan = more.pop("scan", "scalp.obj")
        text = fitting(scan, marks, perimeter, **more)
        (folder / f"{name}.toml").write_text(text)

    for name, darts in LAYOUTS.items():
        put(name, darts=darts)
    for scan in ("scalp.ply", "scalp_binary.ply", "scalp.stl"):
        put("even6_" + scan.replace(".", "_"), scan=scan, darts=LAYOUTS["even6"])
    for side in ("left", "right"):
        hole = parting(surface, marks, side == "left")
        put("parting_" + side, darts=LAYOUTS["even6"], opening=hole, client="0002")
    seams = "".join(f"[[seam]]\nthrough = {listed(line)}\n\n" for line in strip_seams(surface, perimeter))
    ears = [(ear, along, depth) for ear in ("left_ear", "right_ear") for along, depth in ((40, 70), (-35, 60))]
    put("seamed", darts='[darts]\nlayout = "given"\n\n' + seams + given(ears), client="0003")
    metres = {name: p / 1000 for name, p in marks.items()}
    text = fitting("scalp_metres.obj", metres, perimeter / 1000, LAYOUTS["even6"])
    (folder / "even6_metres.toml").write_text(text)

    picked = ["NAS", "Fpz", "AFz", "Fz", "FCz", "Cz", "CPz", "Pz", "POz", "Oz", "INI"]
    picked += ["LPA", "T9", "T7", "C5", "C3", "C1", "C2", "C4", "C6", "T8", "T10", "RPA"]
    picked += ["Fp1", "F7", "P7", "O1", "O2", "P8", "F8", "Fp2"]
    positions = {name: named[name].round(4).tolist() for name in picked if name in named}
    (folder / "positions.json").write_text(
        json.dumps({"unit": "mm", "scale": SCALE, "positions": positions}, indent=1)
    )
    step = np.linalg.norm(np.roll(perimeter, -1, axis=0) - perimeter, axis=1)
    print(f"scalp: {len(points)} vertices, {len(faces)} triangles; perimeter {step.sum():.0f} mm")


if __name__ == "__main__":
    main()
