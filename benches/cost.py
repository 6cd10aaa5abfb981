#!/usr/bin/env python3
"""What a draft costs by size of scan: time by stage, peak memory, exponents, a picture.

    python3 benches/cost.py [--rounds 3] [--layout even:8] [--threads N]

Drafts the average adult scalp of PyPI `mne` (BSD-3), its triangles divided by Loop's rule to five sizes
from 4 000 to a million, with the program as released. One line a size: wall seconds and processor
seconds of the whole process, peak memory, and the stages as `draft --timings` tells them (medians of
the rounds). Below, the exponent of each: the slope of a line through the logarithms of the three
largest sizes. target/peers/cost.svg draws them. The environment is that of benches/peers/run.py.
"""

import argparse
import json
import math
import pathlib
import shutil
import statistics
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "benches/peers"), str(ROOT / "tests/outside")]
import measured  # noqa: E402
import run as peers  # noqa: E402

SIZES = 5


def scans(folder):
    """Writes each size and its fitting; yields triangles and the fitting's path without its layout."""
    import igl
    import scalp
    points, faces, named = scalp.read()
    marks = scalp.landmarks(surface := scalp.Surface(points, faces), named)
    perimeter = scalp.hairline(surface, marks)
    for size in range(SIZES):
        if size:
            points, faces = igl.loop(points, faces)
        name = f"cost_{len(faces) // 1000}k"
        peers.write_ply(folder / f"{name}.ply", points, faces)
        yield len(faces), folder / name, lambda darts, name=name: scalp.fitting(
            f"{name}.ply", marks, perimeter, darts)


def draft(program, fitting, out, threads):
    """Wall and processor seconds, megabytes at the peak, and milliseconds by stage."""
    shutil.rmtree(out, ignore_errors=True)
    command = [program, "draft", fitting, "--out", out, "--timings", "--quiet"]
    command += ["--threads", str(threads)] if threads else []
    _, taken = measured.run(command)
    assert taken["code"] in (0, 3), f"draft ended with {taken['code']}"
    stages = json.loads((out / "pattern.json").read_text())["timings_ms"]
    return taken["seconds"], taken["processor"], taken["megabytes"], stages


def exponent(sizes, values):
    """Slope of the least-squares line through the logarithms of the last three."""
    points = [(math.log(n), math.log(v)) for n, v in zip(sizes, values) if v > 0][-3:]
    if len(points) < 3:
        return None
    x, y = (sum(p[k] for p in points) / len(points) for k in (0, 1))
    return sum((a - x) * (b - y) for a, b in points) / sum((a - x) ** 2 for a, _ in points)


def picture(sizes, lines):
    """Lines on logarithmic scales, each named at its end; the thin grey ones grow like n."""
    width, height, left, right, top, bottom = 760, 520, 60, 190, 20, 45
    most = max(max(v) for v in lines.values())
    least = max(min(min(x for x in v if x > 0) for v in lines.values()), 1e-3)
    low, high = math.floor(math.log10(least)), math.ceil(math.log10(most))
    first, last = math.log10(sizes[0]), math.log10(sizes[-1])

    def at(n, v):
        x = left + (math.log10(n) - first) / (last - first) * (width - left - right)
        y = top + (high - math.log10(max(v, least))) / (high - low) * (height - top - bottom)
        return x, y

    dashes = ["", "7 3", "2 3", "9 3 2 3", "12 4", "1 2"]
    parts = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
             'font-family="sans-serif" font-size="12">', '<rect width="100%" height="100%" fill="#fff"/>']
    for power in range(low, high + 1):
        x, y = at(sizes[0], 10.0 ** power)
        parts.append(f'<path d="M{x:.1f} {y:.1f}H{width - right}" stroke="#ddd"/>'
                     f'<text x="{x - 6:.1f}" y="{y + 4:.1f}" text-anchor="end">{10.0 ** power:g}</text>')
        a, b = at(sizes[0], 10.0 ** power), at(sizes[-1], 10.0 ** power * sizes[-1] / sizes[0])
        if b[1] >= top:
            parts.append(f'<path d="M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}" stroke="#eee"/>')
    for n in sizes:
        x, _ = at(n, 10.0 ** low)
        parts.append(f'<text x="{x:.1f}" y="{height - 24}" text-anchor="middle">{n // 1000} k</text>')
    parts.append(f'<text x="{left}" y="{height - 6}">triangles; seconds, and memory in gigabytes</text>')
    ends = sorted((at(sizes[-1], v[-1])[1], name) for name, v in lines.items())
    label = {}
    for y, name in ends:
        label[name] = max(y, max(label.values(), default=-99) + 14)
    for k, (name, values) in enumerate(lines.items()):
        path = "L".join(f"{x:.1f} {y:.1f}" for x, y in (at(n, v) for n, v in zip(sizes, values)))
        wide = 2.4 if name in ("whole", "memory") else 1.3
        parts.append(f'<path d="M{path}" fill="none" stroke="#222" stroke-width="{wide}" '
                     f'stroke-dasharray="{dashes[k % len(dashes)]}"/>')
        x, y = at(sizes[-1], values[-1])
        parts.append(f'<path d="M{x + 2:.1f} {y:.1f}L{x + 14:.1f} {label[name]:.1f}" stroke="#999"/>'
                     f'<text x="{x + 18:.1f}" y="{label[name] + 4:.1f}">{name}</text>')
    return "\n".join([*parts, "</svg>", ""])


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--layout", default="even:8")
    parser.add_argument("--threads", type=int)
    options = parser.parse_args()
    subprocess.run(["cargo", "build", "--release", "--quiet", "-p", "pattern-cli"], cwd=ROOT, check=True)
    program = ROOT / "target/release/pattern-cli"
    sizes, lines = [], {}
    for triangles, path, fitting in scans(peers.WORK):
        toml = path.with_suffix(".toml")
        toml.write_text(fitting(f'[darts]\nlayout = "{options.layout}"'))
        runs = [draft(program, toml, path.with_suffix(".out"), options.threads)
                for _ in range(options.rounds)]
        middle = statistics.median
        found = {"whole": middle(r[0] for r in runs), "processor": middle(r[1] for r in runs),
                 "memory": middle(r[2] for r in runs) / 1024}
        for stage in runs[0][3]:
            found[stage] = middle(r[3].get(stage, 0.0) for r in runs) / 1000
        sizes.append(triangles)
        for name, value in found.items():
            lines.setdefault(name, []).append(value)
        spread = max(r[0] for r in runs) - min(r[0] for r in runs)
        print(f"{triangles:>8} triangles, spread {spread:.2f} s: " +
              ", ".join(f"{name} {value:.3g}" for name, value in found.items()), flush=True)
    print("seconds, memory in GB; exponents over the three largest:")
    for name, values in lines.items():
        slope = exponent(sizes, values)
        if slope is not None:
            print(f"  {name:<12} n^{slope:.2f}")
    lines = {name: v for name, v in lines.items() if len(v) == len(sizes) and max(v) > 0.02}
    (peers.WORK / "cost.svg").write_text(picture(sizes, lines))
    print(f"drawn: {(peers.WORK / 'cost.svg').relative_to(ROOT)}")


if __name__ == "__main__":
    peers.enter_environment()
    main()
