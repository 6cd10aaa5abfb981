"""Puts the printed tiles back together and compares them with the drawing, as a stranger would.

Reads only the files: `sheets.pdf` (through qpdf and poppler) and `pattern.svg`. Where the sheets lie on
the table is found from their match marks alone (diamonds with the same number meet), and where the
pieces lie from the lines themselves. Then every line on every sheet must be a line of the drawing, every
line of the drawing must be on some sheet, and the rendered scale square and the pieces must measure true.

Facts: 72 units in an inch (ISO 32000-1, 8.3.2.3); 25.4 mm in an inch; letter 215.9 x 279.4 mm
(ANSI/ASME Y14.1, size A). Tolerances are the product's own promises: 0.05 mm for the tiles put together,
0.1 mm for the rendered square.

Run: python tests/outside/check_print.py BINARY FOLDER
 or: python tests/outside/check_print.py --files pattern.svg sheets.pdf
"""

import pathlib
import re
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ElementTree

import numpy as np
from PIL import Image
from scipy.spatial import cKDTree

from tally import Program

MM = 25.4 / 72.0
DPI = 300
results = []


def check(name, good, figure=""):
    results.append(bool(good))
    print(("ok   " if good else "FAIL ") + name + (f": {figure}" if figure else ""))
    return bool(good)


# --- the PDF -----------------------------------------------------------------------------------------

TOKEN = re.compile(rb"\((?:\\.|[^\\()])*\)|<[0-9A-Fa-f\s]*>|\[|\]|/[^\s\[\]()<>/]+|[^\s\[\]()<>/]+")


def pages_of(pdf):
    """Every page's tokens and its MediaBox in mm, through qpdf's plain form."""
    with tempfile.TemporaryDirectory() as folder:
        plain = pathlib.Path(folder) / "plain.pdf"
        subprocess.run(
            ["qpdf", "--qdf", "--object-streams=disable", str(pdf), str(plain)], check=True
        )
        data = plain.read_bytes()
    contents = re.findall(rb"%% Contents for page \d+\n(?:%%[^\n]*\n)*\d+ 0 obj.*?stream\n(.*?)endstream", data, re.S)
    boxes = re.findall(rb"/MediaBox \[\s*([-\d.\s]+?)\s*\]", data)
    return [TOKEN.findall(content) for content in contents], [
        np.array(box.split(), float) * MM for box in boxes
    ]


def string(token):
    if token[:1] == b"<":
        return bytes.fromhex(token[1:-1].decode()).decode("cp1252")
    return re.sub(rb"\\(.)", rb"\1", token[1:-1]).decode("cp1252")


class Page:
    """What is drawn on a page, in mm from its lower left."""

    def __init__(self, tokens):
        self.steps = []  # inside the window: start, handle, handle, end
        self.squares = []  # closed rectangles outside it
        self.texts = []  # x, y, size, words
        self.darks = []  # filled dark triangles outside it
        self.window = None
        stack, clipped, gray, path = [], False, None, []
        at, size = (0.0, 0.0), 0.0
        first = last = None
        for token in tokens:
            if re.fullmatch(rb"[-+]?[\d.]+", token) or token[:1] in b"(</[]":
                stack.append(token)
                continue
            v = [float(t) * MM for t in stack if re.fullmatch(rb"[-+]?[\d.]+", t)]
            op = token.decode()
            if op == "m":
                first = last = v
                path = [v]
            elif op in ("l", "h"):
                to = v if op == "l" else first
                if clipped:
                    self.steps.append([*last, *last, *to, *to])
                path.append(to)
                last = to
            elif op == "c":
                if clipped:
                    self.steps.append([*last, *v])
                path.append(v[4:])
                last = v[4:]
            elif op == "W":
                clipped = True
                points = np.array(path)
                self.window = [*points.min(0), *points.max(0)]
            elif op == "Q":
                clipped = False
            elif op == "g":
                gray = v[0] / MM
            elif op == "f" and not clipped and gray is not None and abs(gray - 0.35) < 1e-6:
                self.darks.append(np.array(path[:3]))
            elif op == "S" and not clipped and len(path) == 5:
                self.squares.append(np.array(path[:4]))
            elif op == "Tf":
                size = v[-1]
            elif op == "Tm":
                at = (v[4], v[5])
            elif op == "Tj":
                self.texts.append((*at, size, string(stack[-1])))
            stack = []
        self.steps = np.array(self.steps).reshape(-1, 8)

    def is_tile(self):
        return self.window is not None and bool(len(self.steps))

    def marks(self):
        """Number of each match mark and its centre."""
        centres = np.array([(dark[0] + dark[2]) / 2 for dark in self.darks]).reshape(-1, 2)
        marks = {}
        for x, y, size, words in self.texts:
            if words.isdigit() and abs(size - 3.4) < 0.05 and len(centres):
                far = np.hypot(*(centres - (x, y)).T)
                marks[int(words)] = centres[far.argmin()]
        return marks


def lay_out(tiles):
    """Shift of every tile so that marks of one number meet, and the worst they are apart."""
    marks = [tile.marks() for tile in tiles]
    shifts = {0: np.zeros(2)}
    queue = [0]
    while queue:
        here = queue.pop()
        for there in range(len(tiles)):
            common = sorted(marks[here].keys() & marks[there].keys())
            if there not in shifts and common:
                number = common[0]
                shifts[there] = shifts[here] + marks[here][number] - marks[there][number]
                queue.append(there)
    places = {}
    for index, own in enumerate(marks):
        for number, centre in own.items():
            if index in shifts:
                places.setdefault(number, []).append(centre + shifts[index])
    lonely = [number for number, all_ in places.items() if len(all_) != 2]
    apart = max((np.hypot(*(a[0] - a[1])) for a in places.values() if len(a) == 2), default=0.0)
    return shifts, apart, lonely


# --- the SVG -----------------------------------------------------------------------------------------


def drawn(svg):
    """Steps of every piece in mm, y up."""
    root = ElementTree.parse(svg).getroot()
    width, height = (float(root.get(side).removesuffix("mm")) for side in ("width", "height"))
    box = [float(n) for n in root.get("viewBox").split()]
    check("the SVG's unit is a millimetre", np.allclose(box, [0, 0, width, height], atol=1e-9))
    pieces = {}
    for group in root:
        if not group.tag.endswith("}g"):
            continue
        steps = []
        for path in group.iter("{http://www.w3.org/2000/svg}path"):
            first = last = None
            for letter, numbers in re.findall(r"([MLCZ])([^MLCZ]*)", path.get("d")):
                v = [float(n) for n in numbers.split()]
                v[1::2] = [height - y for y in v[1::2]]
                if letter == "M":
                    first = last = v
                elif letter == "C":
                    steps.append([*last, *v])
                    last = v[4:]
                else:
                    to = v if letter == "L" else first
                    steps.append([*last, *last, *to, *to])
                    last = to
        if steps:
            pieces[group.get("id")] = np.array(steps)
    return pieces


def turned(steps, quarters):
    points = steps.reshape(-1, 4, 2)
    for _ in range(quarters):
        points = np.stack([-points[..., 1], points[..., 0]], -1)
    return points.reshape(-1, 8)


def place(piece, printed):
    """The piece's steps where they lie on the table: the turn and shift that most lines agree on."""
    best = (0, None)
    shape = lambda steps: steps[:, 2:] - np.tile(steps[:, :2], 3)
    tree = cKDTree(shape(printed))
    for quarters in range(4):
        steps = turned(piece, quarters)
        long = np.hypot(*(steps[:, 6:] - steps[:, :2]).T) > 0.3
        near = tree.query_ball_point(shape(steps[long]), 0.01)
        shifts = [
            printed[other, :2] - start
            for start, others in zip(steps[long, :2], near)
            for other in others[:50]
        ]
        if not shifts:
            continue
        shifts = np.array(shifts)
        cells, counts = np.unique(np.round(shifts / 0.5), axis=0, return_counts=True)
        centre = cells[counts.argmax()] * 0.5
        agreeing = shifts[np.abs(shifts - centre).max(1) < 0.5]
        if counts.max() > best[0]:
            best = (counts.max(), steps + np.tile(np.median(agreeing, 0), 4))
    return best[1]


# --- pictures ----------------------------------------------------------------------------------------


def picture(pdf, number):
    with tempfile.TemporaryDirectory() as folder:
        root = pathlib.Path(folder) / "page"
        subprocess.run(
            ["pdftoppm", "-gray", "-singlefile", "-r", str(DPI), "-f", str(number), "-l", str(number), pdf, root],
            check=True,
        )
        with Image.open(root.with_suffix(".pgm")) as image:
            return 1.0 - np.asarray(image, float) / 255.0


def band(line, expected_mm):
    """Middle of the dark band within 1 mm of a place along a row or column of pixels, mm."""
    centres = (np.arange(len(line)) + 0.5) / DPI * 25.4
    weight = np.where(np.abs(centres - expected_mm) < 1.0, line, 0.0)
    return float((weight * centres).sum() / weight.sum()) if weight.sum() > 0 else float("nan")


def square_on(pdf, number, page, height):
    for corners in page.squares:
        low, high = corners.min(0), corners.max(0)
        if np.allclose(high - low, 100.0, atol=0.01):
            dark = picture(pdf, number)
            # Between the ticks: 23.5 mm along.
            row = dark[round((height - low[1] - 23.5) / 25.4 * DPI)]
            column = dark[:, round((low[0] + 23.5) / 25.4 * DPI)]
            across = band(row, high[0]) - band(row, low[0])
            up = band(column, height - low[1]) - band(column, height - high[1])
            return across, up
    return None


def measured_width(pdf, piece, tiles, numbers, shifts, heights):
    """Width of a piece on the table, measured on rendered sheets across its widest place with steep edges.

    A corner is no place to measure, for its two strokes run into one; so every line within
    1.5 mm must be steep, and none beside the edge within 2 mm.
    """
    corners = piece.reshape(-1, 4, 2)
    low, high = corners[:, 0], corners[:, 3]
    steep = np.abs(high[:, 0] - low[:, 0]) < 0.5 * np.abs(high[:, 1] - low[:, 1])
    best = None
    for y in np.linspace(low[:, 1].min(), low[:, 1].max(), 400)[1:-1]:
        crossing = (low[:, 1] - y) * (high[:, 1] - y) < 0
        if not crossing.any():
            continue
        a, b = low[crossing], high[crossing]
        t = (y - a[:, 1]) / (b[:, 1] - a[:, 1])
        x = a[:, 0] + t * (b[:, 0] - a[:, 0])
        ends = []
        for end in (np.argmin(x), np.argmax(x)):
            here = np.array([x[end], y])
            beside = np.minimum(low, high) - 1.5 < here
            beside &= np.maximum(low, high) + 1.5 > here
            alone = steep[beside.all(1)].all() and np.sum(np.abs(x - x[end]) < 2.0) == 1
            index = shown(here, tiles, shifts)
            if not alone or index is None:
                break
            ends.append((x[end], index))
        if len(ends) == 2 and (best is None or ends[1][0] - ends[0][0] > best[1][1][0] - best[1][0][0]):
            best = (y, ends)
    if best is None:
        return None
    y, ends = best
    measured = []
    for x, index in ends:
        at_x, at_y = np.array([x, y]) - shifts[index]
        row = picture(pdf, numbers[index])[int((heights[index] - at_y) / 25.4 * DPI)]
        measured.append(band(row, at_x) + shifts[index][0])
    return measured[1] - measured[0], ends[1][0] - ends[0][0]


def shown(point, tiles, shifts):
    """The tile that shows a point well inside its window."""
    for index, tile in enumerate(tiles):
        x, y = point - shifts[index]
        low_x, low_y, high_x, high_y = tile.window
        if low_x + 1 < x < high_x - 1 and low_y + 1 < y < high_y - 1:
            return index
    return None


# --- all of it ---------------------------------------------------------------------------------------


def prove(svg, pdf, paper=None):
    said = subprocess.run(["qpdf", "--check", str(pdf)], capture_output=True, text=True)
    check("qpdf finds no fault", said.returncode == 0 and "WARNING" not in said.stdout + said.stderr)
    contents, boxes = pages_of(pdf)
    check("every page was read", len(contents) == len(boxes) and len(contents) > 1, f"{len(contents)} pages")
    pages = [Page(tokens) for tokens in contents]
    height = [box[3] for box in boxes]
    square = square_on(pdf, 1, pages[0], height[0])
    check(
        "the rendered square on the cover is 100 mm within 0.1",
        square and max(abs(side - 100.0) for side in square) < 0.1,
        square and f"{square[0]:.3f} x {square[1]:.3f} mm",
    )
    numbers = [n for n, page in enumerate(pages, 1) if page.is_tile()]
    tiles = [pages[n - 1] for n in numbers]
    heights = [height[n - 1] for n in numbers]
    shifts, apart, lonely = lay_out(tiles)
    pieces = drawn(svg)
    joined = len(shifts) == len(tiles)
    sheets = [page for page in pages if page.window is not None]
    check("no sheet is without lines of a piece", all(len(sheet.steps) > 3 for sheet in sheets), f"{len(sheets)} sheets")
    if paper and not paper.startswith("roll"):
        # A lone piece's sheets can't be fewer; several share sheets or have some of their own.
        each = [fewest(steps, boxes[0][2:]) for steps in pieces.values()]
        check("no grid of sheets does with fewer", len(sheets) <= sum(each), f"{len(sheets)} sheets, {each} alone at least")
    check("match marks come in pairs and meet", not lonely and apart < 0.05, f"{apart:.5f} mm apart at most")
    if not joined:
        # Pieces on sheets of their own do not join: each connected set is placed by its lines alone.
        print("     some sheets do not join; they are compared one by one")
    everything = np.concatenate(
        [tile.steps + np.tile(shifts.get(i, np.array([2000.0 * i, 0.0])), 4) for i, tile in enumerate(tiles)]
    )
    laid = {name: place(steps, everything) for name, steps in pieces.items()}
    check("every piece of the drawing is found", all(steps is not None for steps in laid.values()))
    known = np.concatenate([steps for steps in laid.values() if steps is not None])
    if joined:
        far, _ = cKDTree(known).query(everything)
        check("every printed line is a line of the drawing within 0.05 mm", far.max() < 0.05, f"worst {far.max():.5f} mm")
    far, _ = cKDTree(everything).query(known)
    check("every line of the drawing is printed", far.max() < 0.05, f"worst {far.max():.5f} mm of {len(known)} lines")
    for name, steps in laid.items():
        if steps is None or not joined:
            continue
        width = measured_width(pdf, steps, tiles, numbers, shifts, heights)
        if width is None:
            print(f"     {name}: its ends lie on an edge, not measured")
            continue
        check(f"{name} measures its width on rendered sheets within 0.1 mm", abs(width[0] - width[1]) < 0.1, f"{width[0]:.3f} for {width[1]:.3f} mm")


PAPERS = ("letter", "legal", "tabloid", "a4", "a3", "18inx24in", "roll:610")


def along(step, apart=0.5):
    """Points on one step, a cubic, no farther apart than this, mm."""
    a, b, c, d = np.reshape(step, (4, 2))
    long = np.linalg.norm([b - a, c - b, d - c], axis=1).sum()
    t = np.linspace(0, 1, int(3 * long / apart) + 2)[:, None]
    return (1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * b + 3 * (1 - t) * t**2 * c + t**3 * d


def fewest(steps, page_mm, margin=12.0, overlap=12.0, inset=0.5):
    """Fewest sheets that any quarter turn and any shift of the grid (every millimetre) can do with for a
    piece alone: sheets with lines that no neighbour's strip shows, and one more where these sheets may leave
    a line unshown. A strip shows a line from `inset` inside its edge: nearer
    to it half the line's own width is missing."""
    reach = overlap / 2 - inset
    points = np.concatenate([along(step) for step in steps])
    squares = np.unique(np.floor(points - points.min(0)).astype(int), axis=0)
    ink = np.zeros(squares.max(0) + 1, int)
    ink[tuple(squares.T)] = 1
    # Ink in all squares to the left and below (Crow 1984).
    sums = np.zeros(np.array(ink.shape) + 1, int)
    sums[1:, 1:] = ink.cumsum(0).cumsum(1)

    def spans(count, cell):
        """For every shift, first and last square of each cell that no neighbour's strip reaches."""
        low = cell * np.arange(count // cell + 2) - np.arange(int(cell))[:, None]
        clip = lambda x: np.clip(x, 0, count).astype(int)
        first, end = clip(np.ceil(low + reach)), clip(np.floor(low + cell - reach))
        return first, np.maximum(first, end)

    def all_shown(n, cell, shift):
        """Whether so many sheets with lines of their own show every other line in their strips, wherever in
        its square of a millimetre it lies."""
        at = (squares + 0.5 + shift) / cell
        own = np.floor(at)
        side = np.round(at)
        near = np.abs(at - side) * cell <= reach - 0.5
        # The neighbour across a trim line that is near; else the sheet itself.
        other = np.where(near, 2 * side - 1 - own, own)
        code = lambda x, y: x * 1000 + y
        needed = np.unique(code(*own[~near.any(1)].T))
        ways = [code(a, b) for a in (own[:, 0], other[:, 0]) for b in (own[:, 1], other[:, 1])]
        return len(needed) <= n and np.isin(ways, needed).any(0).all()

    counts = []
    for sides in (page_mm, page_mm[::-1]):
        cell = np.array(sides) - 2 * margin - overlap
        left, right = spans(ink.shape[0], cell[0])
        for y, (low, high) in enumerate(zip(*spans(ink.shape[1], cell[1]))):
            inked = [sums[right, h] - sums[left, h] - sums[right, l] + sums[left, l] for l, h in zip(low, high)]
            counts += [(n, cell, (x, y)) for x, n in enumerate((np.array(inked) > 0).sum((0, 2)))]
    least = min(n for n, _, _ in counts)
    return int(least) + (not any(all_shown(n, cell, shift) for n, cell, shift in counts if n == least))


def corrected(program, demo):
    """Prints for printers that are off, and measures the square as those would print it."""
    for paper, (x, y) in (("letter", (98.6, 99.1)), ("a4", (101.3, 99.7))):
        _, out = program.printed(demo, "--paper", paper, "--measured", f"{x}x{y}")
        pdf = out / "sheets.pdf"
        contents, boxes = pages_of(pdf)
        found = []
        for number, (tokens, box) in enumerate(zip(contents, boxes), 1):
            # x runs along the paper's short edge.
            off = np.array([x, y] if box[2] < box[3] else [y, x]) / 100
            for corners in Page(tokens).squares:
                low, high = corners.min(0), corners.max(0)
                if np.allclose((high - low) * off, 100.0, atol=0.5):
                    dark, tall = picture(pdf, number), box[3]
                    row = dark[round((tall - low[1] - 23.5) / 25.4 * DPI)]
                    column = dark[:, round((low[0] + 23.5) / 25.4 * DPI)]
                    across = band(row, high[0]) - band(row, low[0])
                    up = band(column, tall - low[1]) - band(column, tall - high[1])
                    found.append(np.array([across, up]) * off)
        found = np.array(found)
        good = len(found) and np.abs(found - 100).max() < 0.1
        check(
            f"{paper}: on a printer that makes {x} x {y} mm the corrected squares are 100 mm within 0.1",
            good,
            "; ".join(f"{a:.3f} x {b:.3f}" for a, b in found),
        )


def papers(program, demo):
    for paper in PAPERS:
        done, out = program.printed(demo, "--paper", paper)
        print(f"--- {paper}")
        if check(f"{paper}: printed", done.returncode in (0, 3), done.stderr.strip()[-200:]):
            prove(out / "pattern.svg", out / "sheets.pdf", paper)


def main():
    if sys.argv[1] == "--files":
        prove(sys.argv[2], sys.argv[3])
    else:
        target = pathlib.Path(sys.argv[2])
        program = Program(sys.argv[1], target / "print")
        done, record, folder = program.demo()
        if check("the demo is drafted", record is not None, done.stderr.strip()[-200:]):
            prove(folder / "pattern.svg", folder / "sheets.pdf", "letter")
            papers(program, folder)
            corrected(program, folder)
        for name in ("even8", "seamed"):
            done, record, out = program.drafted(target / "scalp" / f"{name}.toml")
            print(f"--- {name}")
            if check(f"{name} is drafted", record is not None, done.stderr.strip()[-200:]):
                prove(out / "pattern.svg", out / "sheets.pdf", "letter")
    print(f"{sum(results)} passed, {len(results) - sum(results)} failed")


if __name__ == "__main__":
    main()
