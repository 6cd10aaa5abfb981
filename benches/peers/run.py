#!/usr/bin/env python3
"""Times our conformal map against general geometry libraries, side by side.

    python3 benches/peers/run.py [--rounds 3] [--largest 700000] [--no-pymeshlab]

Makes a virtual environment under target/peers (PyPI: libigl, pymeshlab, mne; pinned in
requirements.txt), builds the example `map_mesh`, makes the meshes, and runs all programs in turn,
several rounds on each mesh. One line a mesh: seconds (median), ratio to ours with its least and
greatest, and the greatest distance between our map and libigl's, the pins being 1 apart.

Meshes: the average adult scalp of `mne` (BSD-3) cut above the ears and subdivided by Loop's rule; a
bumpy half ellipsoid; the same with thin triangles beside full ones and with noise.

What is timed: from arrays of positions and triangles in memory to the map in memory. Ours adds
the finding of neighbours, the preparation and the map (from the JSON of map_mesh, all cores); libigl's
is the call igl.lscm, one thread as it is built; pymeshlab's is its filter, which chooses its own
pins, so its map is not compared. Peak memory is that of the process that did the work.
"""

import argparse
import json
import os
import pathlib
import statistics
import subprocess
import sys
import time
import venv

import measured

ROOT = pathlib.Path(__file__).resolve().parents[2]
WORK = ROOT / "target" / "peers"
HERE = pathlib.Path(__file__).resolve().parent


def enter_environment():
    """Restarts this script inside its own environment, made on the first run."""
    python = WORK / "env" / "bin" / "python"
    if pathlib.Path(sys.prefix) == WORK / "env":
        return
    if not python.exists():
        venv.create(WORK / "env", with_pip=True)
    wanted = (HERE / "requirements.txt").read_text()
    stamp = WORK / "env" / "installed.txt"
    if not stamp.exists() or stamp.read_text() != wanted:
        subprocess.run([python, "-m", "pip", "install", "--quiet", "-r", HERE / "requirements.txt"],
                       check=True)
        stamp.write_text(wanted)
    os.execv(python, [str(python), *sys.argv])


def write_ply(path, positions, faces):
    import numpy as np
    header = ("ply\nformat binary_little_endian 1.0\n"
              f"element vertex {len(positions)}\n"
              "property double x\nproperty double y\nproperty double z\n"
              f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n")
    rows = np.zeros(len(faces), dtype=[("n", "u1"), ("v", "<i4", 3)])
    rows["n"], rows["v"] = 3, faces
    path.write_bytes(header.encode() + positions.astype("<f8").tobytes() + rows.tobytes())


def read_ply(path):
    import numpy as np
    data = path.read_bytes()
    end = data.index(b"end_header\n") + len(b"end_header\n")
    counts = [int(line.split()[2]) for line in data[:end].split(b"\n") if line.startswith(b"element")]
    positions = np.frombuffer(data, "<f8", 3 * counts[0], end).reshape(-1, 3)
    rows = np.frombuffer(data, [("n", "u1"), ("v", "<i4", 3)], counts[1], end + positions.nbytes)
    return positions.copy(), rows["v"].copy()


def scalp():
    """The scalp above the ears: one boundary, some 2 400 triangles, mm."""
    import igl
    import mne
    import numpy as np
    file = pathlib.Path(mne.__file__).parent / "data" / "fsaverage" / "fsaverage-head.fif"
    head = mne.read_bem_surfaces(file, verbose="error")[0]
    positions, faces = head["rr"] * 1000, head["tris"]
    above = positions[:, 2] - 0.25 * positions[:, 1] > -52
    faces = faces[above[faces].all(1)]
    parts = np.asarray(igl.facet_components(faces)[1])
    faces = faces[parts == np.bincount(parts).argmax()]
    used, faces = np.unique(faces, return_inverse=True)
    return positions[used], faces.reshape(-1, 3)


def bumpy(rings):
    """Rings of 6, 12, 18 ... vertices on a bumpy half ellipsoid, mm."""
    import numpy as np
    ring = np.repeat(np.arange(1, rings + 1), 6 * np.arange(1, rings + 1))
    starts = 1 + 3 * np.arange(rings + 1) * (np.arange(rings + 1) - 1)
    starts[0] = 0
    step = np.arange(len(ring)) + 1 - starts[ring]
    polar = np.concatenate([[0], 1.7 * ring / rings])
    turn = np.concatenate([[0], 2 * np.pi * step / (6 * ring)])
    x, y, z = np.sin(polar) * np.cos(turn), np.sin(polar) * np.sin(turn), np.cos(polar)
    swell = 1 + 0.03 * (np.sin(5 * x + 1) * np.cos(4 * y) + np.sin(3 * z * x))
    positions = np.stack([75 * x * swell, 95 * y * swell, 80 * z * swell], axis=1)

    def at(r, s):
        return np.where(r == 0, 0, starts[r] + s % np.maximum(6 * r, 1))

    faces = []
    for side in range(6):
        r = np.repeat(np.arange(1, rings + 1), np.arange(1, rings + 1))
        k = np.arange(len(r)) - r * (r - 1) // 2
        outer, inner = side * r + k, side * (r - 1) + k
        faces.append(np.stack([at(r - 1, inner), at(r, outer), at(r, outer + 1)], axis=1))
        more = k + 1 < r
        r, outer, inner = r[more], outer[more], inner[more]
        faces.append(np.stack([at(r - 1, inner), at(r, outer + 1), at(r - 1, inner + 1)], axis=1))
    return positions, np.concatenate(faces)


def rough(rings):
    """The bumpy cap with noise of a tenth of an edge, and every third triangle split near a side."""
    import numpy as np
    positions, faces = bumpy(rings)
    generator = np.random.default_rng(7)
    edge = np.linalg.norm(positions[faces[:, 0]] - positions[faces[:, 1]], axis=1).mean()
    positions = positions + generator.normal(size=positions.shape) * 0.1 * edge
    split = faces[::3]
    near = 10 ** generator.uniform(-4, -1, len(split))
    along = generator.uniform(0.2, 0.8, len(split))
    weights = np.stack([(1 - near) * along, (1 - near) * (1 - along), near], axis=1)
    new = np.arange(len(split)) + len(positions)
    positions = np.concatenate([positions, np.einsum("fk,fkx->fx", weights, positions[split])])
    a, b, c = split.T
    kept = np.delete(faces, np.arange(0, len(faces), 3), axis=0)
    thin = [np.stack(t, axis=1) for t in ([a, b, new], [b, c, new], [c, a, new])]
    return positions, np.concatenate([kept, *thin])


def meshes(largest):
    import igl
    positions, faces = scalp()
    for level in range(2, 6):
        while len(faces) < 2000 * 4 ** level:
            positions, faces = igl.loop(positions, faces)
        if len(faces) > largest:
            break
        yield f"scalp_{len(faces) // 1000}k", positions, faces
    for rings in (81, 163, 327):
        for name, make in (("bumpy", bumpy), ("rough", rough)):
            positions, faces = make(rings)
            if len(faces) <= largest:
                yield f"{name}_{len(faces) // 1000}k", positions, faces


def opposite_pins(faces):
    import igl
    import numpy as np
    loop = np.asarray(igl.boundary_loop(faces))
    return int(loop[0]), int(loop[len(loop) // 2])


def peer(program, path, pins):
    """Runs in a process of its own: prints seconds, and saves the map."""
    import numpy as np
    positions, faces = read_ply(path)
    if program == "libigl":
        import igl
        faces = faces.astype(np.int64)
        places = np.array([[0.0, 0.0], [1.0, 0.0]])
        start = time.perf_counter()
        result = igl.lscm(positions, faces, np.array(pins), places)
        seconds = time.perf_counter() - start
        maps = result if isinstance(result, tuple) else (result,)
        uv = next(m for m in maps if getattr(m, "shape", None) == (len(positions), 2))
        np.save(path.with_suffix(".igl.npy"), uv)
    else:
        import pymeshlab
        mesh = pymeshlab.MeshSet()
        mesh.add_mesh(pymeshlab.Mesh(positions, faces))
        start = time.perf_counter()
        mesh.compute_texcoord_parametrization_least_squares_conformal_maps()
        seconds = time.perf_counter() - start
    print(json.dumps(seconds))


def ours(path, pins):
    out = path.with_suffix(".ours.obj")
    command = [ROOT / "target/release/examples/map_mesh", path, out, "--pins", f"{pins[0]},{pins[1]}"]
    report, taken = measured.run(command)
    assert taken["code"] == 0, "map_mesh failed"
    times = json.loads("".join(report))["timings_ms"]
    return 1e-3 * sum(times[k] for k in ("neighbours", "prepare", "map")), taken["megabytes"]


def our_map(path):
    import numpy as np
    with open(path.with_suffix(".ours.obj")) as lines:
        return np.array([line.split()[1:] for line in lines if line.startswith("vt ")], dtype=float)


def main():
    import numpy as np
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--largest", type=int, default=700_000)
    parser.add_argument("--no-pymeshlab", action="store_true")
    options = parser.parse_args()
    subprocess.run(["cargo", "build", "--release", "--quiet", "-p", "flatten", "--example", "map_mesh"],
                   cwd=ROOT, check=True)
    peers = ["libigl"] + ([] if options.no_pymeshlab else ["pymeshlab"])
    print(f"{'mesh':<12}{'triangles':>10}{'ours s':>9}{'MB':>6}", end="")
    print("".join(f"{p + ' s':>13}{'MB':>7}{'ratio (spread)':>22}" for p in peers), "  map difference")
    found = []
    for name, positions, faces in meshes(options.largest):
        path = WORK / f"{name}.ply"
        write_ply(path, positions, faces)
        pins = opposite_pins(faces)
        mine, theirs, memory = [], {p: [] for p in peers}, {}
        for _ in range(options.rounds):
            for program in peers:
                # Ours before each peer, so that a slow moment of the machine meets both.
                seconds, megabytes = ours(path, pins)
                mine.append(seconds)
                memory["ours"] = megabytes
                command = [sys.executable, __file__, "--peer", program, path, *pins]
                report, taken = measured.run(command)
                assert taken["code"] == 0, f"{program} failed"
                memory[program] = taken["megabytes"]
                theirs[program].append(json.loads(report[-1]) / mine[-1])
        difference = np.abs(our_map(path) - np.load(path.with_suffix(".igl.npy"))).max()
        middle = statistics.median(mine)
        found.append((name, len(faces), middle))
        print(f"{name:<12}{len(faces):>10}{middle:>9.3f}{memory['ours']:>6.0f}", end="")
        for p in peers:
            ratio = statistics.median(theirs[p])
            spread = f"{ratio:.1f} ({min(theirs[p]):.1f}-{max(theirs[p]):.1f})"
            print(f"{ratio * middle:>13.2f}{memory[p]:>7.0f}{spread:>22}", end="")
        print(f"   {difference:.1e}", flush=True)
    for family in ("scalp", "bumpy", "rough"):
        sizes = [(n, t) for name, n, t in found if name.startswith(family)]
        if len(sizes) > 1:
            (n, t), (m, s) = sizes[0], sizes[-1]
            print(f"{family}: {m / n:.1f} times the triangles take {s / t:.1f} times as long, "
                  f"exponent {np.log(s / t) / np.log(m / n):.2f}")


if __name__ == "__main__":
    enter_environment()
    if len(sys.argv) > 1 and sys.argv[1] == "--peer":
        peer(sys.argv[2], pathlib.Path(sys.argv[3]), [int(a) for a in sys.argv[4:6]])
    else:
        main()
