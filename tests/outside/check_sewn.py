"""Measures drafted pieces from pattern.json with code of its own: what is sewn together has one length,
the cut line keeps its distance from the sew line all round, closed darts leave a smooth edge, tapes on
the sewn base agree with the head.

Run: python tests/outside/check_sewn.py BINARY TARGET_FOLDER      (after scalp.py)

The geometry is that of any textbook (Bezier cubics, distance of a point from a line, a turn about a
dart's point); the limits are this program's own promises: legs and seams within 0.3 mm, margins within
0.05 mm, tapes within 1 %, the finished edge turns by less than 1 degree at a
closed dart unless the maker drew a corner there.
"""

import json
import pathlib
import sys

import numpy as np
from scipy.spatial import cKDTree

import scalp as scalp_of
from tally import Program, Tally

STEP = 0.25  # mm between points of a line
TAPER = 5.0  # a wider margin narrows over five times the difference (the program's own rule)


def curve(data, step=STEP):
    """Points along a curve of cubics, about `step` apart."""
    at = np.array(data["start_mm"], float)
    points = [at]
    for handles in data["cubics_mm"]:
        a, b, c = (np.array(p, float) for p in handles)
        long = sum(np.linalg.norm(q - p) for p, q in ((at, a), (a, b), (b, c)))
        t = np.linspace(0, 1, max(2, int(long / step) + 2))[1:, None]
        points.extend((1 - t) ** 3 * at + 3 * (1 - t) ** 2 * t * a + 3 * (1 - t) * t**2 * b + t**3 * c)
        at = c
    return np.array(points)


def length(points):
    return np.linalg.norm(np.diff(points, axis=0), axis=1).sum()


def dense(ring, step=STEP):
    ring = np.array(ring, float)
    out = []
    for p, q in zip(ring, np.roll(ring, -1, axis=0)):
        t = np.arange(0, 1, step / max(np.linalg.norm(q - p), step))[:, None]
        out.append(p + t * (q - p))
    return np.concatenate(out)


def angle(v):
    return np.arctan2(v[1], v[0])


def turn(a, b):
    """Angle from direction a to direction b, degrees, between -180 and 180."""
    return (np.degrees(angle(b) - angle(a)) + 180) % 360 - 180


KINK = 4.0  # degrees; a round of 8 mm radius turns by 1.8 from point to point


def kinks(line):
    """Points where a line turns sharply: a margin is mitred there (10 mm at 12 degrees: 0.05 mm wider)."""
    steps = np.diff(line, axis=0)
    steps = steps / np.maximum(np.linalg.norm(steps, axis=1), 1e-9)[:, None]
    across = steps[:-1, 0] * steps[1:, 1] - steps[:-1, 1] * steps[1:, 0]
    turns = np.degrees(np.arctan2(across, (steps[:-1] * steps[1:]).sum(1)))
    return line[1:-1][np.abs(turns) > KINK]


def tapers(piece):
    """For each stretch the points, and how far each lies from a border to a wider margin along the closed
    edge (darts closed), in units of the taper that border has; below 1 it lies in the taper."""
    edges = [s for s in piece["stretches"] if s["kind"] in ("front", "left", "nape", "right")]
    lines = [curve(s["curve"]) for s in edges]
    runs = [np.r_[0, np.linalg.norm(np.diff(line, axis=0), axis=1).cumsum()] for line in lines]
    starts = np.r_[0, np.cumsum([run[-1] for run in runs])]
    total = starts[-1]
    borders = []
    for k in range(len(edges)):
        jump = edges[k]["allowance_mm"] - edges[k - 1]["allowance_mm"]
        if jump:
            borders.append((starts[k], jump))
    free = []
    for k, run in enumerate(runs):
        least = np.full(len(run), np.inf)
        for at, jump in borders:
            # The taper lies on the narrower side: after the border where the width falls.
            ahead = (starts[k] + run - at) % total if jump < 0 else (at - starts[k] - run) % total
            least = np.minimum(least, ahead / (TAPER * abs(jump)))
        free.append(least)
    return {id(s): (line, least) for s, line, least in zip(edges, lines, free)}


def sew_lines(piece):
    """Every line with a margin beside it: points, width there, and whether the width is plain (no taper,
    no corner within reach)."""
    tapered = tapers(piece)
    edges = []
    for s in piece["stretches"]:
        line, free = tapered.get(id(s), (None, None))
        if line is None:
            line = curve(s["curve"])
            free = np.full(len(line), np.inf)
        edges.append((line, s["allowance_mm"], free > 1.0))
    for dart in piece["darts"]:
        if dart["style"] == "open":
            for leg in map(curve, dart["legs"]):
                edges.append((leg, dart["allowance_mm"], np.ones(len(leg), bool)))
        elif dart["cap_mm"]:
            # The width of a folded dart's cap is its edge's; its shape is judged by eye.
            start = np.array(dart["cap_mm"][0])
            edge = min(edges, key=lambda e: np.linalg.norm(e[0] - start, axis=1).min())
            edges.append((dense(dart["cap_mm"])[:-1], edge[1], np.zeros(len(dense(dart["cap_mm"])) - 1, bool)))
    points = np.concatenate([e[0] for e in edges])
    widths = np.concatenate([np.full(len(e[0]), e[1]) for e in edges])
    plain = np.concatenate([e[2] for e in edges])
    ends = np.concatenate([np.r_[e[0][[0, -1]], kinks(e[0])] for e in edges])
    # Corners are squared off or rounded: no plain distance from them.
    plain &= cKDTree(ends).query(points)[0] > 1.5
    along = np.concatenate([np.gradient(e[0], axis=0) for e in edges])
    along /= np.maximum(np.linalg.norm(along, axis=1), 1e-12)[:, None]
    return points, widths, plain, along


def inside(ring, points):
    """Which points a closed line holds (even-odd, Franklin's crossing count)."""
    a, b = np.array(ring, float), np.roll(np.array(ring, float), -1, axis=0)
    held = np.zeros(len(points), bool)
    for p, q in zip(a, b):
        if p[1] == q[1]:
            continue
        across = (p[1] > points[:, 1]) != (q[1] > points[:, 1])
        held ^= across & (points[:, 0] < (q[0] - p[0]) * (points[:, 1] - p[1]) / (q[1] - p[1]) + p[0])
    return held


def margins(piece):
    """Least and greatest error of the margin, mm, and the part of the cut line that was judged."""
    points, widths, plain, along = sew_lines(piece)
    openings = [o for o in piece["openings"] if o["cut_line_mm"]]
    narrow = {o["number"]: o["allowance_mm"] for o in piece["openings"]}
    cut = np.concatenate([dense(piece["cut_line_mm"])] + [dense(o["cut_line_mm"]) for o in openings])
    if any(abs(o["allowance_mm"] - o["asked_mm"]) > 1e-6 for o in piece["openings"]):
        return None, narrow, 0
    def material(at):
        # An edge seen through the piece from its other side has no margin there.
        held = inside(piece["sew_line_mm"], at)
        for opening in piece["openings"]:
            held &= ~inside(opening["sew_line_mm"], at)
        return held

    # What a cut point lacks to the width of the sew line nearest to it, for each width by itself.
    best = np.full(len(cut), np.inf)
    owner = np.zeros(len(cut), bool)
    for width in np.unique(widths):
        mine = widths == width
        far, which = cKDTree(points[mine]).query(cut)
        # Only what lies straight out from an edge is that edge's margin: past an edge's end another
        # width may hold, and gauge() looks at the corner itself.
        way = (cut - points[mine][which]) / np.maximum(far, 1e-12)[:, None]
        straight = np.abs((way * along[mine][which]).sum(1)) < 0.05
        straight &= ~material(points[mine][which] + 0.3 * way)
        nearer = straight & (far - width < best)
        best = np.where(nearer, far - width, best)
        owner = np.where(nearer, plain[mine][which], owner)
    # Where nothing lies straight out (round corners) there is no plain distance.
    far, which = cKDTree(points).query(cut)
    way = (cut - points[which]) / np.maximum(far, 1e-12)[:, None]
    owner &= np.abs((way * along[which]).sum(1)) < 0.05
    return best[owner], narrow, owner.mean()


# Tapes whose name on paper is not their key's words.
SPOKEN = {"temple_to_temple_back": "temple to temple", "ear_to_ear_over": "ear to ear over top"}
MITRE = 2.0  # a pointed corner reaches at most twice the width (the program's own rule)


def straight_out(line, place, way):
    """How far a line is from a place in one direction, mm; 0 where it is not there."""
    to = line - place
    reach = np.linalg.norm(to, axis=1)
    seen = reach[to @ way > 0.9999 * reach]
    return seen.min() if len(seen) else 0.0


def gauge(piece):
    """A gauge as wide as the margin asked, moved along the sew line all round: straight out from every
    place, and at corners in every direction between. How far its end lies outside the cut line, mm, at
    worst; and how far the cut line is from a corner, in widths of the wider margin, at worst.

    Tapers, caps of folded darts, mitred corners: nothing is left out but openings too narrow for their
    margin, which are said to be.
    """
    points, widths, _, _ = sew_lines(piece)
    tree = cKDTree(points)
    cut = np.array(piece["cut_line_mm"], float)
    ends, far = [], 0.0
    # The piece lies on the left of its sew line.
    ring = np.array(piece["sew_line_mm"], float)
    ring = ring[np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1) > 1e-3]
    middles = (ring + np.roll(ring, -1, axis=0)) / 2
    step = np.roll(ring, -1, axis=0) - ring
    out = np.c_[step[:, 1], -step[:, 0]] / np.linalg.norm(step, axis=1)[:, None]
    own = widths[tree.query(middles)[1]]
    cut_line = dense(cut, 0.02)
    cut_tree = cKDTree(cut_line)
    for part in np.linspace(0.05, 0.95, 7):
        ends.append(ring + step * part + out * own[:, None])
    for k in range(len(ring)):
        before, after = out[k - 1], out[k]
        angle_ = turn(before, after)
        if angle_ <= 1.0:
            continue
        width = min(own[k - 1], own[k])
        for part in np.linspace(0, 1, 9):
            by = np.radians(angle_ * part)
            way = np.array([before[0] * np.cos(by) - before[1] * np.sin(by), before[0] * np.sin(by) + before[1] * np.cos(by)])
            ends.append((ring[k] + way * width)[None])
        if angle_ > 15.0:
            # Cut points that are nearest to this corner, in its own cone.
            away = cut_line - ring[k]
            reach = np.linalg.norm(away, axis=1)
            cone = (away @ step[k - 1] > 0) & (away @ step[k] < 0) & (reach < 5 * max(own[k - 1], own[k]))
            nearest = cone & (np.abs(reach - cKDTree(ring).query(cut_line)[0]) < 1e-9)
            if nearest.any():
                # A corner in a taper is mitred by the taper's own width, looked up straight out.
                drawn = max(straight_out(cut_line, middles[j], out[j]) for j in (k - 1, k))
                far = max(far, (reach[nearest] / max(own[k - 1], own[k], drawn)).max())
    ends = np.concatenate(ends)
    lacking = np.where(inside(cut, ends), 0.0, cut_tree.query(ends)[0])
    return lacking.max(), far, len(ends)


def walk_seams(tally, name, record):
    """Both sides of every seam: lengths, what is printed, and notches that pair up."""
    for seam in record["layout"]["seams"]:
        number = int(seam["id"][1:])
        sides = [(p, s) for p in record["pieces"] for s in p["stretches"] if s["kind"] == "seam" and s["number"] == number]
        tally.check(f"{name} {seam['id']}: two sides that name each other", len(sides) == 2 and all(
            a[1]["joins"] == b[0]["id"] and a[1]["hand"] != b[1]["hand"] for a, b in (sides, sides[::-1])
        ))
        lines = [curve(s["curve"]) for _, s in sides]
        # The piece lies on the left of its own side, so the sides run opposite ways.
        lines[1] = lines[1][::-1]
        long = [length(line) for line in lines]
        tally.check(f"{name} {seam['id']}: sides equal within 0.3 mm", abs(long[0] - long[1]) < 0.3, f"{long[0]:.3f} and {long[1]:.3f} mm")
        rounded = {round(s["length_mm"], 1) for _, s in sides}
        tally.check(f"{name} {seam['id']}: one length printed on both", len(rounded) == 1, str(rounded))
        groups = []
        for (piece, _), line in zip(sides, lines):
            runs = np.r_[0, np.linalg.norm(np.diff(line, axis=0), axis=1).cumsum()]
            notches = [m for m in piece["marks"] if m["kind"] == "notch" and m["name"] == seam["id"]]
            feet = [(runs[np.linalg.norm(line - m["towards_mm"], axis=1).argmin()], m["count"]) for m in notches]
            groups.append(sorted(feet))
        pair = len(groups[0]) == len(groups[1]) == 2 and all(
            abs(a[0] - b[0]) < 1.0 and a[1] == b[1] for a, b in zip(*groups)
        )
        told = "; ".join(", ".join(f"{count} at {at:.1f} mm" for at, count in group) for group in groups)
        tally.check(f"{name} {seam['id']}: notches meet within 1 mm, same counts", pair, told)
        # A side turned end for end must show it: its notches don't meet then.
        back = [long[0] - at for at, _ in groups[0][::-1]]
        tally.check(f"{name} {seam['id']}: turned end for end the notches do not meet", min(abs(b - a[0]) for b, a in zip(back, groups[1])) > 3.0)


def directions(data):
    """Directions at both ends of a curve."""
    points = [data["start_mm"]] + [p for handles in data["cubics_mm"] for p in handles]
    points = [np.array(p, float) for p in points]
    first = next(p - points[0] for p in points[1:] if np.linalg.norm(p - points[0]) > 1e-6)
    last = next(points[-1] - p for p in points[-2::-1] if np.linalg.norm(points[-1] - p) > 1e-6)
    return first, last


def closed_turn(piece, dart):
    """Turn of the finished edge where a dart is closed, degrees."""
    left, right = (np.array(leg["start_mm"]) for leg in dart["legs"])
    point = np.array(dart["point_mm"])
    before = [s for s in piece["stretches"] if np.linalg.norm(np.array(s["curve"]["cubics_mm"][-1][2]) - left) < 0.01]
    after = [s for s in piece["stretches"] if np.linalg.norm(np.array(s["curve"]["start_mm"]) - right) < 0.01]
    if not before or not after:
        return None
    # Bringing the left leg's mouth onto the right one's turns everything by this angle about the point.
    by = turn(left - point, right - point)
    return (turn(directions(before[0]["curve"])[1], directions(after[0]["curve"])[0]) - by + 180) % 360 - 180


def head_turn(record, dart):
    """How much the perimeter on the head turns at a dart's mouth, over 8 mm either way, degrees."""
    head = record["head"]
    ring = np.array(head["perimeter_mm"])
    along = np.r_[0, np.linalg.norm(np.diff(np.r_[ring, ring[:1]], axis=0), axis=1).cumsum()]
    mark = np.array(head[dart["from"] + "_mm"])
    # The perimeter runs from the front over the client's left; at the right ear + is onwards.
    sign = {"front": 1, "nape": -1, "left_ear": -1, "right_ear": 1}[dart["from"]]
    at = along[np.linalg.norm(ring - mark, axis=1).argmin()] + sign * dart["along_mm"]
    place = [
        np.array([np.interp((at + d) % along[-1], along, np.r_[ring[:, k], ring[0, k]]) for k in range(3)])
        for d in (-8, 0, 8)
    ]
    u, v = place[1] - place[0], place[2] - place[1]
    return np.degrees(np.arccos(u @ v / np.linalg.norm(u) / np.linalg.norm(v)))


def second(folder):
    """Writes a second mold of the scalp and its fitting; what has changed, by construction."""
    points, faces, named = scalp_of.read()
    surface = scalp_of.Surface(points, faces)
    marks = scalp_of.landmarks(surface, named)
    ring = scalp_of.hairline(surface, marks)
    scales = np.array([1.03, 1.02, 1.012])
    axis = np.array([0.3, -0.5, 0.8]) / np.linalg.norm([0.3, -0.5, 0.8])
    skew = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    by = np.radians(35)
    turned = np.eye(3) + np.sin(by) * skew + (1 - np.cos(by)) * skew @ skew  # Rodrigues' formula
    move = lambda p: (p * scales) @ turned.T + [120.0, -40.0, 300.0]
    # Every edge halved: other vertices, other triangles, the same surface.
    middles, all_points, finer = {}, list(points), []

    def middle(a, b):
        key = (min(a, b), max(a, b))
        if key not in middles:
            middles[key] = len(all_points)
            all_points.append((points[a] + points[b]) / 2)
        return middles[key]

    for a, b, c in faces:
        x, y, z = middle(a, b), middle(b, c), middle(c, a)
        finer += [(a, x, z), (x, b, y), (z, y, c), (x, y, z)]
    noise = np.random.default_rng(7).normal(0, 0.15, (len(all_points), 3))
    with open(folder / "second.obj", "w") as f:
        f.writelines("v %.6f %.6f %.6f\n" % tuple(p) for p in move(np.array(all_points) + noise))
        f.writelines("f %d %d %d\n" % tuple(np.array(t) + 1) for t in finer)
    moved = {name: move(p) for name, p in marks.items()}
    (folder / "second.toml").write_text(scalp_of.fitting("second.obj", moved, move(ring), "", client="0001"))

    # Rigid alignment of the four landmarks (Kabsch 1976), then how far the line has moved.
    four = np.array([marks[name] for name in ("front", "nape", "left_ear", "right_ear")])
    a, b = four - four.mean(0), four * scales - (four * scales).mean(0)
    u, _, vt = np.linalg.svd(b.T @ a)
    turn_back = (u @ np.diag([1, 1, np.sign(np.linalg.det(u @ vt))]) @ vt)
    now = (ring * scales - (four * scales).mean(0)) @ turn_back + four.mean(0)
    fill = lambda line, n: np.concatenate(
        [p + np.linspace(0, 1, n, endpoint=False)[:, None] * (q - p) for p, q in zip(line, np.roll(line, -1, axis=0))]
    )
    far = cKDTree(fill(now, 40)).query(fill(ring, 4))[0]
    around = lambda line: np.linalg.norm(np.roll(line, -1, axis=0) - line, axis=1).sum()
    # Area of the triangles above the line.
    angles = np.array([scalp_of.angles(p) for p in points[faces].mean(1)])
    line = np.array([scalp_of.angles(p) for p in ring])
    line = line[np.argsort(line[:, 0])]
    above = angles[:, 1] > np.interp(angles[:, 0], line[:, 0], line[:, 1], period=360)

    def area(p):
        a, b, c = p[faces[above]].transpose(1, 0, 2)
        return np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()

    return {
        "scales": scales,
        "mean": far.mean(),
        "largest": far.max(),
        "perimeter": around(now) - around(ring),
        "area": area(points * scales) / area(points),
    }


def main():
    tally, target = Tally(), pathlib.Path(sys.argv[2])
    program = Program(sys.argv[1], target / "sewn")
    scalp = target / "scalp"

    def prove(name, record):
        pieces = record["pieces"]
        walked = worst = 0.0
        legs = 0.0
        for piece in pieces:
            for stretch in piece["stretches"]:
                worst = max(worst, abs(length(curve(stretch["curve"])) - stretch["length_mm"]))
            for dart in piece["darts"]:
                a, b = (length(curve(leg)) for leg in dart["legs"])
                legs = max(legs, abs(a - b))
                worst = max(worst, abs(a - dart["legs_mm"][0]), abs(b - dart["legs_mm"][1]))
        tally.check(f"{name}: printed lengths are the lines' own", worst < 0.02, f"worst {worst:.4f} mm")
        tally.check(f"{name}: both legs of every dart", legs <= 0.3, f"worst {legs:.4f} mm")
        seams = {}
        for piece in pieces:
            for stretch in piece["stretches"]:
                if stretch["kind"] == "seam":
                    seams.setdefault(stretch["number"], {}).setdefault(stretch["hand"], 0.0)
                    seams[stretch["number"]][stretch["hand"]] += length(curve(stretch["curve"]))
        for sides in seams.values():
            walked = max(walked, abs(sides["left"] - sides["right"]))
        if seams:
            tally.check(f"{name}: both sides of every seam", walked <= 0.3, f"{len(seams)} seams, worst {walked:.4f} mm")
        for piece in pieces:
            errors, _, share = margins(piece)
            if errors is None:
                print(f"     {name} {piece['id']}: an opening is too narrow for its allowance; margins not judged")
                continue
            tally.check(
                f"{name} {piece['id']}: the cut line keeps its distance all round",
                errors.min() > -0.05 and errors.max() < 0.05 and share > 0.5,
                f"{errors.min():+.3f} to {errors.max():+.3f} mm over {100 * share:.0f} % of it",
            )
            for dart in piece["darts"]:
                by = closed_turn(piece, dart)
                if by is None:
                    continue
                drawn = head_turn(record, next(d for d in record["layout"]["darts"] if d["id"] == dart["id"]))
                # Where the maker drew a corner at the mouth it is kept (the program's own rule).
                tally.check(
                    f"{name} {dart['id']}: the edge runs on across the closed dart",
                    abs(by) < 1.0 or drawn > 25,
                    f"{by:+.2f} degrees, {drawn:.0f} on the head",
                )
            for opening in piece["openings"]:
                sew, cut = dense(opening["sew_line_mm"]), dense(opening["cut_line_mm"])
                inside = np.linalg.norm(cut - sew.mean(0), axis=1).max() < np.linalg.norm(sew - sew.mean(0), axis=1).max()
                tally.check(f"{name}: an opening's allowance lies inside it", inside)
            if all(abs(o["allowance_mm"] - o["asked_mm"]) < 1e-6 for o in piece["openings"]):
                lacking, far, count = gauge(piece)
                tally.check(
                    f"{name} {piece['id']}: a gauge finds the margin asked all round, corners and tapers too",
                    lacking < 0.05,
                    f"at worst {lacking:.4f} mm short, {count} places",
                )
                tally.check(
                    f"{name} {piece['id']}: no corner reaches farther than {MITRE:g} widths",
                    far <= MITRE + 0.01,
                    f"{far:.3f}",
                )
        walk_seams(tally, name, record)
        perimeter = sum(
            length(curve(s["curve"])) for p in pieces for s in p["stretches"] if s["kind"] in ("front", "left", "nape", "right")
        )
        # A folded dart's perimeter is closed at its mouth; the sum of stretches is the sewn edge.
        tally.close(f"{name}: the sewn perimeter is the one said", perimeter, record["fit"]["perimeter_finished_mm"], 0.1)
        told = any("finished edges" in warning for warning in record["warnings"])
        tally.check(
            f"{name}: the sewn perimeter within 0.5 % of the head's, or warned of",
            abs(perimeter / record["surface"]["perimeter_mm"] - 1) < 0.005 or told,
            f"{100 * (perimeter / record['surface']['perimeter_mm'] - 1):+.3f} %",
        )
        fronts = [s["allowance_mm"] for p in pieces for s in p["stretches"] if s["kind"] == "front"]
        tally.check(f"{name}: 20 mm at the front", fronts and set(fronts) == {20.0}, str(fronts))

    def tapes(name, record):
        sewn = {t["name"]: t for t in record["tapes"] if t.get("finished_mm") is not None}
        tally.check(f"{name}: six tapes on the sewn base", len(sewn) == 6, ", ".join(sewn))
        for key, tape in sewn.items():
            # Base and head over the same course.
            on_head = tape["mold_mm"] - tape["off_base_mm"]
            error = tape["finished_mm"] / on_head - 1
            tally.check(f"{name}: {key} off by what is said", abs(error - tape["finished_error"]) < 2e-4, f"{error:.5f}")
            words = SPOKEN.get(key, key.replace("_", " "))
            told = any(f"{words} " in warning for warning in record["warnings"])
            tally.check(
                f"{name}: {key} on the sewn base within 1 % of the head, or warned of",
                abs(error) <= 0.01 or told,
                f"{100 * error:+.2f} %, {tape['off_base_mm']:.1f} mm off the base",
            )

    def scalp_drafts():
        for name in ("even6", "even8", "given", "parting_left", "seamed"):
            done, record, _ = program.drafted(scalp / f"{name}.toml")
            if tally.check(f"{name}: drafted", record is not None, done.stderr.strip()[:200]):
                prove(name, record)
                tapes(name, record)

    def likeness():
        # The same layout on the same head: nothing has changed.
        first = program.drafted(scalp / "even6.toml")[2] / "pattern.json"
        done, again, _ = program.draft(scalp / "even6.toml", "like", "--like", first)
        if tally.check("like: the old layout is kept", again is not None, done.stderr.strip()[:300]):
            change = again["change"]
            tally.check("like: the same head has not moved", change["perimeter"]["largest_mm"] < 0.01, str(change["perimeter"]))
            worst = max(abs(pair["now"] - pair["earlier"]) for pair in change["figures"] if pair["unit"] == "mm")
            tally.check("like: the same lengths", worst < 0.5, f"worst {worst:.4f} mm")
        text = (scalp / "even6.toml").read_text()
        (scalp / "other_client.toml").write_text(text.replace('client = "', 'client = "9'))
        done, other, _ = program.draft(scalp / "other_client.toml", "like_other", "--like", first)
        tally.check(
            "like: another client's pattern is warned of",
            done.returncode == 3 and other and any("same person" in w for w in other["warnings"]),
        )

    def second_mold():
        # The same client a year on: scaled unevenly, another mesh, noise of 0.15 mm, in another place.
        truth = second(scalp)
        first = program.drafted(scalp / "given.toml")[2] / "pattern.json"
        done, record, _ = program.draft(scalp / "second.toml", "second", "--like", first)
        if not tally.check("second mold: the old layout is kept", record is not None, done.stderr.strip()[:300]):
            return
        change = record["change"]
        old = [(d["from"], d["along_mm"], d["depth_mm"]) for d in json.loads(first.read_text())["layout"]["darts"]]
        new = [(d["from"], d["along_mm"], d["depth_mm"]) for d in record["layout"]["darts"]]
        tally.check("second mold: the same darts", np.allclose([d[1:] for d in old], [d[1:] for d in new], atol=0.1))
        tally.close("second mold: the perimeter's mean shift", change["perimeter"]["mean_mm"], truth["mean"], 0.3)
        tally.close("second mold: its largest shift", change["perimeter"]["largest_mm"], truth["largest"], 0.5)
        figures = {f["name"]: (f["earlier"], f["now"]) for f in change["figures"]}
        for name, scale in (("head_length", truth["scales"][1]), ("head_breadth", truth["scales"][0])):
            earlier, now = figures[name]
            tally.close(f"second mold: {name} grows as it was made to", now - earlier, earlier * (scale - 1), 0.4)
        earlier, now = figures["perimeter"]
        # Noise makes a line over the surface longer.
        tally.close("second mold: the perimeter grows as it was made to", now - earlier, truth["perimeter"], 1.5)
        earlier, now = figures["area"]
        tally.close("second mold: the area grows as it was made to", now / earlier, truth["area"], 0.004)

    def flat_centre():
        # A tape over a centre without darts is the centre line of the flat piece: what it is off by is
        # what the cloth is to stretch there, not the measuring.
        for name in ("even6", "even8", "given"):
            record = program.drafted(scalp / f"{name}.toml")[1]
            (path,) = [g["path_mm"] for g in record["pieces"][0]["guides"] if g["name"] == "centre"]
            (tape,) = [t for t in record["tapes"] if t["name"] == "front_to_nape"]
            tally.close(f"{name}: front to nape is the flat centre line", tape["finished_mm"], length(np.array(path)), 0.5)

    for work in (scalp_drafts, flat_centre, likeness, second_mold):
        tally.guard(work.__name__, work)
    tally.end()


if __name__ == "__main__":
    main()
