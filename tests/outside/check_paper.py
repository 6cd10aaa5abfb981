"""Renders the printed sheets with poppler and measures them, as a person with a ruler would.

Run: python tests/outside/check_paper.py BINARY TARGET_FOLDER      (after scalp.py)

Published truth used here: the PDF unit is 1/72 in (ISO 32000-1, 8.3.2.3) and PrintScaling None asks
for actual size (ISO 32000-1, table 150); an inch is 25.4 mm; letter is 215.9 x 279.4 mm (ANSI/ASME
Y14.1), A4 210 x 297 mm (ISO 216).
"""

import pathlib
import re
import subprocess
import sys
import tempfile

import numpy as np
from PIL import Image

from tally import Program, Tally

DPI = 300
LETTER_MM = (215.9, 279.4)
A4_MM = (210.0, 297.0)


def output(*command):
    return subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)


def pages_mm(pdf):
    told = output("pdfinfo", "-f", "1", "-l", "999", str(pdf)).stdout
    return [
        (float(w) / 72 * 25.4, float(h) / 72 * 25.4)
        for w, h in re.findall(r"Page +\d+ size: +([\d.]+) x ([\d.]+)", told)
    ]


def runs(line):
    """Beginnings and ends of the dark stretches of a line of pixels."""
    edges = np.diff(np.r_[0, line.astype(int), 0])
    return list(zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)))


def square_mm(picture):
    """Side lengths of the printed square of about 100 mm: the pairs of long straight dark lines whose
    distance comes nearest to 100 mm, across and up; centre line to centre line."""
    dark = np.asarray(picture.convert("L")) < 128
    per_mm = DPI / 25.4
    sides = []
    for axis in (0, 1):
        table = dark if axis == 1 else dark.T
        # Rows of `table` that hold an unbroken dark run of 95 to 105 mm.
        hits = [
            (row, start, end)
            for row in range(table.shape[0])
            for start, end in runs(table[row])
            if 95 * per_mm < end - start < 105 * per_mm
        ]
        groups = []
        for row, start, end in hits:
            if groups and row - groups[-1][-1][0] <= 1 and abs(start - groups[-1][-1][1]) < per_mm:
                groups[-1].append((row, start, end))
            else:
                groups.append([(row, start, end)])
        lines = [(np.mean([r for r, _, _ in g]) + 0.5, g[0][1]) for g in groups]
        best = None
        for i, (a, s) in enumerate(lines):
            for b, t in lines[i + 1 :]:
                gap = (b - a) / per_mm
                if abs(s - t) < per_mm and 90 < gap < 110 and (best is None or abs(gap - 100) < abs(best - 100)):
                    best = gap
        sides.append(best)
    return sides


def main():
    tally, target = Tally(), pathlib.Path(sys.argv[2])
    program = Program(sys.argv[1], target / "drafts")

    def pages():
        for name, size in (("even6", LETTER_MM), ("even6_a4", A4_MM)):
            if name == "even6_a4":
                text = (target / "scalp" / "even6.toml").read_text() + '\n[sheet]\npaper = "a4"\n'
                (target / "scalp" / "even6_a4.toml").write_text(text)
            pdf = program.drafted(target / "scalp" / f"{name}.toml")[2] / "sheets.pdf"
            found = pages_mm(pdf)
            upright = [tuple(sorted(page)) for page in found]
            tally.check(
                f"{name}: every page has the paper's size",
                found and all(abs(a - size[0]) < 0.1 and abs(b - size[1]) < 0.1 for a, b in upright),
                f"{len(found)} pages, {found[:1]}",
            )
            done = output("qpdf", "--check", str(pdf))
            tally.check(f"{name}: qpdf finds no fault", done.returncode == 0, done.stdout.strip()[-80:])
            told = output("qpdf", "--qdf", "--object-streams=disable", str(pdf), "-").stdout
            tally.check(f"{name}: asks for actual size", "/PrintScaling /None" in told)

    def square():
        pdf = program.drafted(target / "scalp" / "even6.toml")[2] / "sheets.pdf"
        with tempfile.TemporaryDirectory() as folder:
            output("pdftoppm", "-r", str(DPI), "-gray", "-png", str(pdf), folder + "/page")
            measured = 0
            for page in sorted(pathlib.Path(folder).glob("page*.png")):
                picture = Image.open(page)
                blank = np.asarray(picture.convert("L")).min() > 200
                tally.check(f"{page.stem}: not empty", not blank)
                across, up = square_mm(picture)
                if across is not None and up is not None:
                    measured += 1
                    tally.close(f"{page.stem}: square, across", across, 100.0, 0.1)
                    tally.close(f"{page.stem}: square, up", up, 100.0, 0.1)
            tally.check("a square was found and measured", measured > 0, str(measured))

    for work in (pages, square):
        tally.guard(work.__name__, work)
    tally.end()


if __name__ == "__main__":
    main()
