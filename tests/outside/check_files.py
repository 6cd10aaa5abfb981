"""Hands our files to other people's readers, and other people's files to our readers.

Run: python tests/outside/check_files.py BINARY TARGET_FOLDER      (after scalp.py)

- Meshes written by trimesh, meshio and, where they are installed, pymeshlab and open3d (too large to be
  installed for every run: 0.3 and 0.9 GB): each format of each library has to give the pattern that our own
  plain OBJ gives.
- `pattern.json` against the kept schema, by `jsonschema` (JSON Schema 2020-12), with every name that
  the schema does not know refused, so that neither can drift from the other.
- `pattern.svg` by an XML parser, and rendered by MuPDF and librsvg; `sheets.pdf` by `qpdf --check`, by poppler and
  by MuPDF, which has to see the same number of pages, the same letters and as much ink as poppler.
"""

import copy
import importlib.util
import io
import json
import pathlib
import shutil
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ElementTree
from collections import Counter

import jsonschema
import meshio
import numpy as np
import pymupdf
import trimesh
from PIL import Image

from tally import Program, Tally

SCHEMA = pathlib.Path(__file__).parent.parent / "reference" / "pattern.schema.json"
# 32-bit floats of coordinates of a head differ from 64-bit ones by at most 8e-6 mm.
FIGURES = ["strain.p95", "strain.mean", "fit.perimeter_error", "surface.area_mm2", "surface.perimeter_mm"]


def closed(schema):
    """The schema with no room for names that it does not know."""
    if isinstance(schema, dict):
        schema = {key: closed(value) for key, value in schema.items()}
        if "properties" in schema and "additionalProperties" not in schema:
            schema["additionalProperties"] = False
        return schema
    return [closed(item) for item in schema] if isinstance(schema, list) else schema


def figure(record, name):
    for key in name.split("."):
        record = record[key]
    return record


def foreign_meshes(folder, points, faces):
    """(name, path) of the mesh as each library writes it."""
    mesh = trimesh.Trimesh(points, faces, process=False)
    for kind in ("obj", "ply", "stl", "glb"):
        path = folder / f"trimesh.{kind}"
        mesh.export(path)
        yield f"trimesh {kind}", path
    text = folder / "trimesh_text.ply"
    mesh.export(text, encoding="ascii")
    yield "trimesh ply, text", text
    (folder / "trimesh_text.stl").write_text(trimesh.exchange.stl.export_stl_ascii(mesh))
    yield "trimesh stl, text", folder / "trimesh_text.stl"
    for kind, more in (("obj", {}), ("ply", {"binary": True}), ("stl", {"binary": True})):
        path = folder / f"meshio.{kind}"
        meshio.Mesh(points, [("triangle", faces)]).write(path, **more)
        yield f"meshio {kind}", path
    path = folder / "meshio_text.ply"
    meshio.Mesh(points, [("triangle", faces)]).write(path, binary=False)
    yield "meshio ply, text", path
    if importlib.util.find_spec("pymeshlab"):
        import pymeshlab

        made = pymeshlab.MeshSet()
        made.add_mesh(pymeshlab.Mesh(points, faces))
        for kind in ("obj", "ply", "stl"):
            made.save_current_mesh(str(folder / f"pymeshlab.{kind}"))
            yield f"pymeshlab {kind}", folder / f"pymeshlab.{kind}"
    if importlib.util.find_spec("open3d"):
        import open3d

        made = open3d.geometry.TriangleMesh(
            open3d.utility.Vector3dVector(points), open3d.utility.Vector3iVector(faces)
        )
        made.compute_triangle_normals()
        for kind in ("obj", "ply", "stl", "glb"):
            open3d.io.write_triangle_mesh(str(folder / f"open3d.{kind}"), made)
            yield f"open3d {kind}", folder / f"open3d.{kind}"


def read_obj(path):
    points, faces = [], []
    for line in path.read_text().splitlines():
        words = line.split()
        if words[:1] == ["v"]:
            points.append([float(w) for w in words[1:4]])
        elif words[:1] == ["f"]:
            faces.append([int(w.split("/")[0]) - 1 for w in words[1:4]])
    # Binary STL and GLB carry 32-bit floats: give every format what all can carry.
    return np.array(points, "float32").astype(float), np.array(faces)


def letters(page):
    """All letters of a page as MuPDF reads them, and those that lie wholly on it."""
    every, on_page = Counter(), Counter()
    flags = pymupdf.TEXTFLAGS_RAWDICT & ~pymupdf.TEXT_MEDIABOX_CLIP
    for block in page.get_text("rawdict", flags=flags)["blocks"]:
        for line in block.get("lines", []):
            for letter in (one for span in line["spans"] for one in span["chars"]):
                if not letter["c"].isspace():
                    every[letter["c"]] += 1
                    on_page[letter["c"]] += page.rect.contains(pymupdf.Rect(letter["bbox"]))
    return every, +on_page


def darkness(picture):
    """Mean ink of a page in 8 x 8 fields, 0 to 1."""
    gray = picture.convert("L").resize((64, 64), Image.Resampling.BOX)
    return 1 - np.asarray(gray, float).reshape(8, 8, 8, 8).mean(axis=(1, 3)) / 255


def main():
    tally, target = Tally(), pathlib.Path(sys.argv[2])
    scalp, program = target / "scalp", Program(sys.argv[1], target / "drafts")
    good = {}

    def meshes():
        folder = target / "foreign"
        folder.mkdir(exist_ok=True)
        points, faces = read_obj(scalp / "scalp.obj")
        with open(folder / "plain.obj", "w") as out:
            out.writelines("v %.9g %.9g %.9g\n" % tuple(p) for p in points)
            out.writelines("f %d %d %d\n" % tuple(f + 1) for f in faces)
        text = (scalp / "even4.toml").read_text()

        def draft(path):
            (folder / f"{path.name}.toml").write_text(text.replace('"scalp.obj"', f'"{path.name}"'))
            return program.draft(folder / f"{path.name}.toml", "foreign")

        done, record, out = draft(folder / "plain.obj")
        if not tally.check("our own plain OBJ: drafted", record, done.stderr.strip()[:200]):
            return
        good["record"], good["svg"], good["pdf"] = record, (out / "pattern.svg").read_text(), (out / "sheets.pdf").read_bytes()
        for library in ("pymeshlab", "open3d"):
            if not importlib.util.find_spec(library):
                print(f"SKIPPED: {library} is not installed (pip install {library}); no mesh of its was read")
        for name, path in foreign_meshes(folder, points, faces):
            done, other, _ = draft(path)
            if not tally.check(f"{name}: drafted", other, done.stderr.strip()[:200]):
                continue
            worst = max(abs(figure(record, f) / figure(other, f) - 1) for f in FIGURES)
            size = [record["surface"][k] == other["surface"][k] for k in ("vertices", "triangles")]
            tally.check(f"{name}: the same base", all(size) and worst < 1e-3, f"figures within {worst:.1e}")

    def schema():
        kept = json.loads(SCHEMA.read_text())
        jsonschema.Draft202012Validator.check_schema(kept)
        judge = jsonschema.Draft202012Validator(closed(kept))
        faults = [f"{error.json_path}: {error.message[:90]}" for error in judge.iter_errors(good["record"])]
        tally.check("pattern.json keeps the schema, no name more", not faults, "; ".join(faults[:3]))
        for name, spoil in (
            ("a piece without its cut line", lambda r: r["pieces"][0].pop("cut_line_mm")),
            ("a point with three numbers", lambda r: r["pieces"][0]["sew_line_mm"][0].append(0)),
            ("a name nobody knows", lambda r: r["pieces"][0].update(colour="red")),
            ("a length in words", lambda r: r["surface"].update(perimeter_mm="650 mm")),
        ):
            spoiled = copy.deepcopy(good["record"])
            spoil(spoiled)
            tally.check(f"the schema refuses {name}", not judge.is_valid(spoiled))

    def svg():
        root = ElementTree.fromstring(good["svg"])
        wide, high = (float(root.get(side).removesuffix("mm")) for side in ("width", "height"))
        box = [float(word) for word in root.get("viewBox").split()]
        tally.check("SVG: true scale, mm", abs(box[2] - wide) < 1e-6 and abs(box[3] - high) < 1e-6, f"{wide} x {high} mm")
        page = pymupdf.open(stream=good["svg"].encode(), filetype="svg")[0]
        picture = page.get_pixmap(dpi=50, alpha=False)
        pixels = np.frombuffer(picture.samples, np.uint8).reshape(picture.height, picture.width, -1)
        dark = (pixels[..., :3].mean(axis=2) < 128).mean()
        tally.check("SVG: MuPDF renders lines", 0.001 < dark < 0.3, f"{100 * dark:.2f} % ink")
        if not shutil.which("rsvg-convert"):
            print("SKIPPED: no rsvg-convert; nothing else rendered the SVG (Debian: apt-get install librsvg2-bin)")
            return
        made = subprocess.run(["rsvg-convert", "--dpi-x=50", "--dpi-y=50", "--background-color=white"],
                              input=good["svg"].encode(), capture_output=True, check=False)
        if tally.check("SVG: librsvg takes it", made.returncode == 0 and not made.stderr, made.stderr.decode()[:200]):
            other = Image.open(io.BytesIO(made.stdout)).convert("RGB")
            near = all(abs(a - b) <= 1 for a, b in zip(other.size, (picture.width, picture.height)))
            tally.check("SVG: librsvg draws it at the same size", near, f"{other.size} pixels")
            first = Image.frombytes("RGB", (picture.width, picture.height), picture.samples)
            worst = np.abs(darkness(first) - darkness(other)).max()
            tally.check("SVG: MuPDF and librsvg draw the same", worst < 0.04, f"fields differ by at most {worst:.3f}")

    def pdf():
        with tempfile.TemporaryDirectory() as folder:
            path = pathlib.Path(folder) / "sheets.pdf"
            path.write_bytes(good["pdf"])
            done = subprocess.run(["qpdf", "--check", path], capture_output=True, text=True, check=False)
            tally.check("PDF: qpdf finds no fault", done.returncode == 0, done.stdout.strip()[-80:])
            subprocess.run(["pdftoppm", "-r", "50", "-png", path, path.with_suffix("")], check=True)
            drawn = [Image.open(p) for p in sorted(path.parent.glob("sheets-*.png"))]
            document = pymupdf.open(stream=good["pdf"], filetype="pdf")
            tally.check("PDF: MuPDF sees as many pages", len(document) == len(drawn) > 1, str(len(drawn)))
            tally.check("PDF: MuPDF mends nothing", not document.is_repaired)
            # A word is cut by a sheet's edge and some of its letters lie off the page: MuPDF leaves those out
            # unless asked, poppler keeps most. So every letter of poppler's has to be among all of MuPDF's, and
            # every letter that MuPDF sees on the page among poppler's.
            lost, odd, total = Counter(), Counter(), 0
            for number, page in enumerate(document, 1):
                only = ["-f", str(number), "-l", str(number)]
                text = subprocess.run(["pdftotext", "-raw", *only, path, "-"], capture_output=True, text=True, check=True)
                read, (every, on_page) = Counter("".join(text.stdout.split())), letters(page)
                lost += read - every
                odd += on_page - read
                total += read.total()
            alike = not lost and not odd and total > 1000
            tally.check("PDF: MuPDF and poppler read the same letters", alike, f"{total}; {dict(lost)} {dict(odd)}")
            worst = 0.0
            for page, picture in zip(document, drawn):
                other = page.get_pixmap(dpi=50)
                other = Image.frombytes("RGB", (other.width, other.height), other.samples)
                worst = max(worst, np.abs(darkness(picture) - darkness(other)).max())
            tally.check("PDF: MuPDF and poppler draw the same", worst < 0.04, f"fields differ by at most {worst:.3f}")

    for work in (meshes, schema, svg, pdf):
        tally.guard(work.__name__, work)
    tally.end()


if __name__ == "__main__":
    main()
