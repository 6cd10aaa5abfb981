"""Writes the outside truth that some tests compare with, into the folder given.

Nothing of it is kept in the repository. Source: PyPI `mne` (BSD-3-Clause; written against 1.13.2):

- scalp.obj             `data/fsaverage/fsaverage-head.fif`, the average adult scalp, millimetres, RAS
- scalp_positions.csv   `channels/data/montages/fsaverage_1005.tsv`, 10-5 positions in the same frame
- colin27_positions.csv `channels/data/montages/colin27_1005.elc`, the same positions on one living head

Run: python tests/reference/outside_data.py DIR      then: OUTSIDE_DATA=DIR cargo test
"""

import csv
import pathlib
import sys

import mne


def main():
    out = pathlib.Path(sys.argv[1])
    out.mkdir(parents=True, exist_ok=True)
    data = pathlib.Path(mne.__file__).parent
    head = mne.read_bem_surfaces(data / "data/fsaverage/fsaverage-head.fif", verbose=False)[0]
    with open(out / "scalp.obj", "w") as f:
        for p in head["rr"] * 1000:
            f.write("v %.4f %.4f %.4f\n" % tuple(p))
        for t in head["tris"] + 1:
            f.write("f %d %d %d\n" % tuple(t))

    montages = data / "channels/data/montages"
    with open(montages / "fsaverage_1005.tsv") as table:
        rows = [(r["label"], *(1000 * float(r[k]) for k in "xyz")) for r in csv.DictReader(table, delimiter="\t")]
    write(out / "scalp_positions.csv", rows)

    lines = (montages / "colin27_1005.elc").read_text().split("\n")
    at, names = lines.index("Positions"), lines.index("Labels")
    points = [line.split(":")[-1].split() for line in lines[at + 1 : names] if line.strip()]
    labels = " ".join(lines[names + 1 :]).split()
    assert len(points) == len(labels)
    write(out / "colin27_positions.csv", [(n, *map(float, p)) for n, p in zip(labels, points)])


def write(path, rows):
    with open(path, "w") as f:
        f.write("label,x,y,z\n")
        for label, x, y, z in rows:
            f.write(f"{label},{x:.4f},{y:.4f},{z:.4f}\n")


if __name__ == "__main__":
    main()
