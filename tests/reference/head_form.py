"""Fits the coefficients of the average head in flatten/src/form/average.rs.

Source: the average adult scalp `data/fsaverage/fsaverage-head.fif` and the positions
`channels/data/montages/fsaverage_1005.tsv` of PyPI `mne` (BSD-3-Clause; figures below from 1.13.2).
Template space is larger than living heads: the surface is scaled by 0.954 to a girth of 574 mm, the
mean of the men in the 2012 US Army survey (Gordon et al. 2014, NATICK/TR-15/007).

The radius about a centre inside the head is a sum of real spherical harmonics up to degree 6, only
those that are the same left and right. They are fitted by area-weighted least squares to the vertices
above a plane that runs from just above the nasion to 72 mm below the inion (well below hairline, ears
and nape hairline; the face is left out), with a light penalty on roughness that closes the surface
below smoothly.

Run: python tests/reference/head_form.py      (needs numpy, scipy, mne; prints the Rust array)
"""

import csv
import pathlib

import mne
import numpy as np
from scipy.special import sph_harm_y

SCALE = 0.954
DEGREE = 6
CENTRE = np.array([0.9, -17.0, -8.0])  # mm, scaled head; x is the scan's own plane of symmetry
ROUGHNESS = 3e-6


def basis(directions):
    """Columns Y_lm(direction), cosine kind only, phi from the front towards the client's right."""
    theta = np.arccos(np.clip(directions[:, 2], -1, 1))
    phi = np.arctan2(directions[:, 0], directions[:, 1])
    columns, degrees = [], []
    for l in range(DEGREE + 1):
        for m in range(l + 1):
            y = sph_harm_y(l, m, theta, phi).real
            columns.append(y * (np.sqrt(2) * (-1) ** m if m else 1))
            degrees.append(l)
    return np.array(columns).T, np.array(degrees)


def main():
    data = pathlib.Path(mne.__file__).parent
    head = mne.read_bem_surfaces(data / "data/fsaverage/fsaverage-head.fif", verbose=False)[0]
    points, faces = head["rr"] * 1000 * SCALE, head["tris"]
    named = {}
    with open(data / "channels/data/montages/fsaverage_1005.tsv") as table:
        for row in csv.DictReader(table, delimiter="\t"):
            named[row["label"]] = np.array([float(row[k]) for k in "xyz"]) * 1000 * SCALE

    area = np.zeros(len(points))
    a, b, c = (points[faces[:, k]] for k in range(3))
    of_face = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)
    for k in range(3):
        np.add.at(area, faces[:, k], of_face / 3)

    kept = points[:, 2] > -25 + 0.44 * (points[:, 1] - 82)
    radii = points[kept] - CENTRE
    r = np.linalg.norm(radii, axis=1)
    columns, degrees = basis(radii / r[:, None])
    weight = area[kept] / area[kept].sum()
    penalty = np.diag(ROUGHNESS * (degrees * (degrees + 1.0)) ** 2)
    solution = np.linalg.solve(
        columns.T @ (weight[:, None] * columns) + penalty, columns.T @ (weight * r)
    )
    error = columns @ solution - r
    print(f"vertices {kept.sum()} of {len(points)}, area {area[kept].sum():.0f} mm2")
    print(f"residual along the radius: rms {np.sqrt(weight @ error**2):.2f} mm, max {abs(error).max():.2f} mm")
    for name in ("NAS", "INI", "LPA", "RPA", "Cz"):
        print(name, np.round(named[name] - CENTRE, 1))
    print("// degree, then order")
    at = 0
    for l in range(DEGREE + 1):
        print("    " + ", ".join(f"{v:.3f}" for v in solution[at : at + l + 1]) + ",")
        at += l + 1


if __name__ == "__main__":
    main()
