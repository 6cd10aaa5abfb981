"""Least-squares conformal map of a small bumpy cap by libigl: values for tests/conformal.rs.

    pip install libigl==2.6.3 numpy
    python tests/reference/lscm_libigl.py > tests/reference/lscm_libigl.json

The surface is made here from a formula, so nothing of anybody else's data is in the file.
libigl (https://libigl.github.io, MPL-2.0) is run, not copied: igl.lscm, two vertices pinned.
"""

import importlib.metadata
import json
import math

import igl
import numpy as np

RINGS = 9
HALF_AXES = (75.0, 95.0, 80.0)
ANGLE = 1.7
BUMP = 0.03


def surface():
    """A hexagonal mesh of rings of 6, 12, 18 ... vertices on a bumpy half ellipsoid, mm."""
    positions, starts = [[0.0, 0.0, 0.0]], [0]
    for ring in range(1, RINGS + 1):
        starts.append(len(positions))
        for step in range(6 * ring):
            positions.append([ANGLE * ring / RINGS, 2 * math.pi * step / (6 * ring), 0.0])
    points = []
    for polar, turn, _ in positions:
        x, y, z = math.sin(polar) * math.cos(turn), math.sin(polar) * math.sin(turn), math.cos(polar)
        swell = 1 + BUMP * (math.sin(5 * x + 1) * math.cos(4 * y) + math.sin(3 * z * x))
        points.append([axis * c * swell for axis, c in zip(HALF_AXES, (x, y, z))])

    def at(ring, step):
        return 0 if ring == 0 else starts[ring] + step % (6 * ring)

    faces = []
    for ring in range(1, RINGS + 1):
        for side in range(6):
            for k in range(ring):
                outer, inner = side * ring + k, side * (ring - 1) + k
                faces.append([at(ring - 1, inner), at(ring, outer), at(ring, outer + 1)])
                if k + 1 < ring:
                    faces.append([at(ring - 1, inner), at(ring, outer + 1), at(ring - 1, inner + 1)])
    return np.array(points), np.array(faces)


def main():
    positions, faces = surface()
    edge = len(positions) - 6 * RINGS
    pins = [edge, edge + 3 * RINGS]
    places = np.array([[0.0, 0.0], [1.0, 0.0]])
    result = igl.lscm(positions, faces, np.array(pins), places)
    uv = next(a for a in (result if isinstance(result, tuple) else (result,))
              if getattr(a, "shape", None) == (len(positions), 2))
    print(json.dumps({
        "made_by": "libigl " + importlib.metadata.version("libigl") + ", igl.lscm",
        "positions": positions.tolist(),
        "faces": faces.tolist(),
        "pins": pins,
        "uv": np.round(uv, 13).tolist(),
    }, separators=(",", ":")))


main()
