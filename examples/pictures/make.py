"""Makes README's pictures of the demo, and its table of `compare`, with the program itself.

Run after `tests/run` (it needs that build, the Python packages, pdftoppm; and rsvg-convert of
librsvg): target/outside/venv/bin/python examples/pictures/make.py [BINARY]
trace.png shows an invented, painted head and is not made here.
"""

import pathlib
import re
import subprocess
import sys
import tempfile

from PIL import Image

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
BINARY = pathlib.Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "target" / "checked" / "pattern-cli"
DOTS = 60  # per inch of the pages
WIDE = 1500  # pixels of the comparison


def run(*command):
    return subprocess.run([str(part) for part in command], capture_output=True, text=True, check=False)


def pages(folder):
    """The cover and the second sheet side by side."""
    run("pdftoppm", "-r", DOTS, "-gray", "-png", folder / "demo/sheets.pdf", folder / "page")
    drawn = sorted(folder.glob("page-*.png"))
    told = run("pdftotext", "-layout", folder / "demo/sheets.pdf", "-").stdout.split("\f")
    second = next(k for k, text in enumerate(told) if re.search(r"Sheet 2 of \d", text))
    chosen = [Image.open(drawn[0]), Image.open(drawn[second])]
    rim = 4
    both = Image.new("L", (sum(p.width for p in chosen) + 3 * rim, max(p.height for p in chosen) + 2 * rim), 128)
    x = rim
    for page in chosen:
        both.paste(page, (x, rim))
        x += page.width + rim
    both.save(HERE / "pages.png", optimize=True)


def comparison(folder):
    """The layouts, and their table in README."""
    told = run(BINARY, "compare", folder / "demo/fitting.toml", "--out", folder / "layouts").stdout
    run("rsvg-convert", "-w", WIDE, folder / "layouts/compare.svg", "-o", folder / "compare.png")
    with Image.open(folder / "compare.png") as picture:
        picture.convert("RGB").quantize(64).save(HERE / "compare.png", optimize=True)
    lines = told.splitlines()
    first = next(k for k, line in enumerate(lines) if line.startswith("layout "))
    table = [line for line in lines[first:] if not line.startswith("wrote ")]
    readme = ROOT / "README.md"
    text = readme.read_text()
    new, count = re.subn(r"```text\nlayout .*?```", "```text\n" + "\n".join(table).rstrip() + "\n```", text, flags=re.S)
    assert count == 1, "README has one table of compare"
    readme.write_text(new)


def main():
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        run(BINARY, "demo", "--out", folder / "demo")
        pages(folder)
        comparison(folder)


if __name__ == "__main__":
    main()
