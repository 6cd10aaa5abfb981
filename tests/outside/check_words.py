"""Looks at every page of printed patterns for words that meet words or lines, and for words cut by a join.

Text boxes come from the PDF's own text matrices and from the published metrics of Helvetica (Adobe Core 14
AFM files, as matplotlib carries them): capitals reach 0.718 of the size above the base line; advance widths
by letter. Lines come from the path operators, white grounds hide what was drawn before them. Nothing of the
program's own notion of room is used.

Run: python tests/outside/check_words.py BINARY TARGET_FOLDER      (after scalp.py)
"""

import pathlib
import re
import subprocess
import sys

import matplotlib
import numpy as np

from check_print import MM, pages_of, string
from tally import Program, Tally


def metrics(name):
    """Advance of each character code in WinAnsi order, in thousandths of the size."""
    path = pathlib.Path(matplotlib.get_data_path()) / "fonts/pdfcorefonts" / name
    by_name, by_code = {}, {}
    for line in path.read_text("latin-1").splitlines():
        found = re.match(r"C (-?\d+) ; WX (\d+) ; N (\w+)", line)
        if found:
            by_name[found[3]] = int(found[2])
            by_code[int(found[1])] = int(found[2])
    other = {"²": by_name["twosuperior"], "·": by_name["periodcentered"], "•": by_name["bullet"]}
    return lambda words: sum(other.get(c) or by_code.get(ord(c), 556) for c in words) / 1000


WIDTH = {False: metrics("Helvetica.afm"), True: metrics("Helvetica-Bold.afm")}
CAPITALS = 0.718


class Text:
    def __init__(self, at, along, size, bold, words, window):
        self.words, self.size, self.window = words, size, window
        up = np.array([-along[1], along[0]])
        wide, tall = WIDTH[bold](words) * size, CAPITALS * size
        self.middle = at + along * wide / 2 + up * tall / 2
        self.axes = np.array([along, up])
        self.half = np.array([wide, tall]) / 2
        self.corners = np.array([self.middle + self.axes.T @ (self.half * s) for s in ((-1, -1), (1, -1), (1, 1), (-1, 1))])

    def whole(self):
        """Whether all of it lies inside the window it is clipped to."""
        if self.window is None:
            return True
        low, high = self.window
        return bool((self.corners > low - 0.1).all() and (self.corners < high + 0.1).all())

    def seen(self):
        if self.window is None:
            return True
        low, high = self.window
        return bool((self.corners.max(0) > low + 0.3).all() and (self.corners.min(0) < high - 0.3).all())

    def meets(self, other):
        """Separating axes of two boxes."""
        for axis in np.concatenate([self.axes, other.axes]):
            a, b = self.corners @ axis, other.corners @ axis
            if a.max() <= b.min() + 0.05 or b.max() <= a.min() + 0.05:
                return False
        return True

    def crossed(self, lines, shrink=0.1):
        """Which of many segments enter the box (Liang & Barsky 1984)."""
        a = (lines[:, 0] - self.middle) @ self.axes.T
        d = (lines[:, 1] - lines[:, 0]) @ self.axes.T
        half = self.half - shrink
        from_, to = np.zeros(len(a)), np.ones(len(a))
        with np.errstate(divide="ignore", invalid="ignore"):
            for k in range(2):
                s, t = (-half[k] - a[:, k]) / d[:, k], (half[k] - a[:, k]) / d[:, k]
                still = np.abs(d[:, k]) < 1e-12
                outside = still & (np.abs(a[:, k]) > half[k])
                from_ = np.where(still, from_, np.maximum(from_, np.minimum(s, t)))
                to = np.where(still, to, np.minimum(to, np.maximum(s, t)))
                to = np.where(outside, -1.0, to)
        return from_ < to - 1e-9


def fonts(pdf):
    """Which font names are bold."""
    plain = subprocess.run(["qpdf", "--qdf", "--object-streams=disable", pdf, "-"], capture_output=True).stdout
    bold = {n for n, body in re.findall(rb"\n(\d+) 0 obj\n(.*?)endobj", plain, re.S) if b"Helvetica-Bold" in body}
    return {name for name, number in re.findall(rb"/(\w+) (\d+) 0 R", plain) if number in bold}


class Page:
    """Texts and visible lines, mm."""

    def __init__(self, tokens, bold_names):
        self.texts, lines = [], []
        stack, path, line = [], [], []
        window, gray, bold, size = None, 0.0, False, 0.0
        at = along = None

        def curve(a, b, c, d):
            t = np.linspace(0, 1, 9)[:, None]
            p = (1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * b + 3 * (1 - t) * t**2 * c + t**3 * d
            return list(zip(p[:-1], p[1:]))

        for token in tokens:
            if re.fullmatch(rb"[-+]?[\d.]+", token) or token[:1] in b"(</[]":
                stack.append(token)
                continue
            raw = [float(t) for t in stack if re.fullmatch(rb"[-+]?[\d.]+", t)]
            v = np.array(raw) * MM
            op = token.decode()
            if op == "m":
                start = here = v
                path.append(v)
            elif op == "l":
                line.append((here, v))
                here = v
                path.append(v)
            elif op == "h":
                line.append((here, start))
                here = start
            elif op == "c":
                line.extend(curve(here, v[:2], v[2:4], v[4:]))
                here = v[4:]
                path.append(here)
            elif op == "re":
                low, size_ = v[:2], v[2:]
                box = [low, low + [size_[0], 0], low + size_, low + [0, size_[1]]]
                line.extend(zip(box, box[1:] + box[:1]))
                path.extend(box)
            elif op == "W":
                window = np.min(path, 0), np.max(path, 0)
            elif op == "Q":
                window = None
            elif op == "g":
                gray = raw[0]
            elif op == "S":
                lines.extend((a, b, window) for a, b in line)
            elif op in ("f", "f*") and gray == 1.0 and path:
                # A white ground hides the parts of lines under it.
                ground = np.array(path)
                lines = [kept for one in lines for kept in outside(one, ground)]
            elif op == "Tf":
                size = v[-1]
                bold = next(t for t in stack if t[:1] == b"/")[1:] in bold_names
            elif op == "Tm":
                along = np.array(raw[:2]) / np.hypot(*raw[:2])
                at = v[4:6]
            elif op == "Tj":
                self.texts.append(Text(at, along, size, bold, string(stack[-1]), window))
            if op in ("S", "f", "f*", "n", "B"):
                path, line = [], []
            stack = []
        clipped = [one for a, b, w in lines for one in clip(a, b, w)]
        self.lines = np.array(clipped).reshape(-1, 2, 2)


def clip(a, b, window):
    if window is None:
        return [(a, b)]
    from_, to, d = 0.0, 1.0, b - a
    for k in range(2):
        if abs(d[k]) < 1e-12:
            if not window[0][k] <= a[k] <= window[1][k]:
                return []
            continue
        s, t = sorted(((window[0][k] - a[k]) / d[k], (window[1][k] - a[k]) / d[k]))
        from_, to = max(from_, s), min(to, t)
    return [(a + d * from_, a + d * to)] if from_ < to else []


def outside(one, ground):
    """A line without its part inside a convex white ground."""
    a, b, window = one
    d, from_, to = b - a, 0.0, 1.0
    turning = np.sum(ground[:, 0] * np.roll(ground[:, 1], -1) - ground[:, 1] * np.roll(ground[:, 0], -1))
    for p, q in zip(ground, np.roll(ground, -1, axis=0)):
        normal = np.array([p[1] - q[1], q[0] - p[0]]) * np.sign(turning)
        at, slope = (a - p) @ normal, d @ normal
        if abs(slope) < 1e-12:
            if at < 0:
                return [one]
        elif slope > 0:
            from_ = max(from_, -at / slope)
        else:
            to = min(to, -at / slope)
    if from_ >= to:
        return [one]
    return [(a + d * s, a + d * t, window) for s, t in ((0.0, from_), (to, 1.0)) if t - s > 1e-9]


def faults(pdf):
    """Words that meet, words that lines cross, and words that are whole on no page."""
    contents, _ = pages_of(pdf)
    bold = fonts(pdf)
    meeting, crossed = [], []
    whole, parts = set(), set()
    for number, tokens in enumerate(contents, 1):
        page = Page(tokens, bold)
        seen = [t for t in page.texts if t.words.strip() and t.seen()]
        for text in seen:
            if text.window is not None:
                (whole if text.whole() else parts).add(text.words)
        # What a join cuts is whole on the other sheet, and is cut off or covered here.
        full = [t for t in seen if t.whole()]
        for i, one in enumerate(full):
            for two in full[i + 1 :]:
                if one.meets(two):
                    meeting.append(f"page {number}: {one.words!r} and {two.words!r}")
            if len(page.lines) and page.lines.size:
                if one.crossed(page.lines).any():
                    crossed.append(f"page {number}: {one.words!r}")
    return len(contents), meeting, crossed, sorted(parts - whole)


def main():
    tally, target = Tally(), pathlib.Path(sys.argv[2])
    program = Program(sys.argv[1], target / "words")
    scalp = target / "scalp"

    def prove(name, pdf):
        pages, meeting, crossed, cut = faults(str(pdf))
        tally.check(f"{name}: {pages} pages, no words on words", not meeting, "; ".join(meeting[:6]))
        tally.check(f"{name}: no line through words", not crossed, "; ".join(crossed[:6]))
        tally.check(f"{name}: no words that only a join shows in two parts", not cut, "; ".join(cut[:6]))

    def demo():
        done, record, folder = program.demo()
        if tally.check("the demo is drafted", record is not None, done.stderr.strip()[:200]):
            prove("demo", folder / "sheets.pdf")

    def scalps():
        for name in ("even8", "parting_left", "seamed", "auto"):
            done, record, folder = program.drafted(scalp / f"{name}.toml")
            if not tally.check(f"{name}: drafted", record is not None, done.stderr.strip()[:200]):
                continue
            prove(name, folder / "sheets.pdf")
            for paper in ("a4", "roll:610"):
                _, out = program.printed(folder, "--paper", paper)
                prove(f"{name} on {paper}", out / "sheets.pdf")

    def canary():
        # The checks must be able to fail: words on words, a line through them.
        one = Text(np.zeros(2), np.array([1.0, 0.0]), 4.0, False, "allowance", None)
        two = Text(np.array([5.0, 1.0]), np.array([0.0, 1.0]), 4.0, False, "front", None)
        line = np.array([[[-5.0, -5.0], [9.0, 9.0]]])
        tally.check("words on words are seen", one.meets(two))
        tally.check("a line through words is seen", one.crossed(line).all())
        tally.check("a line beside words is not", not one.crossed(line + [0.0, 30.0]).any())

    for work in (demo, scalps, canary):
        tally.guard(work.__name__, work)
    tally.end()


if __name__ == "__main__":
    main()
