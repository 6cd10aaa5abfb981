"""Lets everything go wrong round the built binary: full and read-only disks, folders that vanish,
kills at random moments, Ctrl-C, and hostile names.

Run: python tests/outside/check_faults.py BINARY TARGET_FOLDER [KILLS]

A replaced pattern is the old one whole or the new one whole, byte for byte, never a mixture. KILLS is
20 unless given; 200 is the long run. Mounting needs root; what can't be set up is said and not counted.
"""

import contextlib
import filecmp
import os
import pathlib
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import time
import xml.etree.ElementTree as ElementTree

from tally import Program, Tally

FILES = ["pattern.json", "pattern.svg", "report.html", "sheets.pdf"]
FITTING = """fitting = 1
client = "0042"
units = "mm"
[tape]
girth = 571
front_to_nape = 361
[material]
name = "light lace"
[darts]
layout = "even:{darts}"
"""
PARTIAL = ".out.partial-"


def listing(folder):
    return sorted(p.name for p in folder.iterdir())


def same(folder, other):
    """Whether two folders hold the same files with the same bytes."""
    if not folder.is_dir() or listing(folder) != listing(other):
        return False
    return all(filecmp.cmp(folder / n, other / n, shallow=False) for n in listing(other))


@contextlib.contextmanager
def mounted(folder, options):
    """A file system of its own in the memory; None where that may not be done."""
    folder.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)], capture_output=True, check=False
    )
    try:
        yield folder if done.returncode == 0 else None
    finally:
        if done.returncode == 0:
            subprocess.run(["umount", "-l", str(folder)], check=False)


class Faults:
    def __init__(self, binary, target, kills):
        self.tally, self.kills = Tally(), kills
        home = pathlib.Path(target) / "faults"
        shutil.rmtree(home, ignore_errors=True)
        self.program = Program(binary, home)
        self.home = self.program.home
        for darts in (4, 6):
            (self.home / f"even{darts}.toml").write_text(FITTING.format(darts=darts))
            self.program.draft(self.home / f"even{darts}.toml", f"whole{darts}")
        self.whole = {darts: self.home / f"whole{darts}" for darts in (4, 6)}

    def command(self, darts, out, *more):
        return [self.program.binary, "draft", str(self.home / f"even{darts}.toml"), "--out", str(out), *more]

    def refused(self, name, done, folder, left):
        """Exit code 1, one sentence about the disk, and the folder as it was."""
        told = done.stderr.strip()
        self.tally.check(f"{name}: refused in a sentence", done.returncode == 1 and "can't write" in told and len(told.splitlines()) == 1, told)
        self.tally.check(f"{name}: no panic", "panicked" not in told)
        self.tally.check(f"{name}: nothing left", listing(folder) == left, str(listing(folder)))

    def run(self, command, **more):
        return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False, **more)

    def full_disk(self):
        with mounted(self.home / "small", "size=256k") as small:
            if small is None:
                print("skip a full disk: mounting is not allowed here")
            else:
                self.refused("a full disk", self.run(self.command(6, small / "out")), small, [])
                shutil.copytree(self.whole[4], self.home / "old4", dirs_exist_ok=True)

        def little():
            resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000))

        place = self.home / "limited"
        place.mkdir()
        # Python ignores SIGXFSZ and its child inherits that: writing then fails as on a full disk.
        done = self.run(self.command(6, place / "out"), preexec_fn=little, restore_signals=False)
        self.refused("no room for a file", done, place, [])
        shutil.copytree(self.whole[4], place / "out")
        done = self.run(self.command(6, place / "out", "--replace"), preexec_fn=little, restore_signals=False)
        self.refused("no room, replacing", done, place, ["out"])
        self.tally.check("no room, replacing: the old pattern is whole", same(place / "out", self.whole[4]))

    def read_only(self):
        with mounted(self.home / "fixed", "size=8m") as fixed:
            if fixed is None and os.geteuid() == 0:
                print("skip a read-only folder: root may write anywhere and mounting is not allowed here")
                return
            if fixed is None:
                fixed = self.home / "fixed"
            shutil.copytree(self.whole[4], fixed / "out")
            if os.path.ismount(fixed):
                subprocess.run(["mount", "-o", "remount,ro", str(fixed)], check=True)
            else:
                fixed.chmod(0o555)
            self.refused("a read-only folder", self.run(self.command(6, fixed / "new")), fixed, ["out"])
            done = self.run(self.command(6, fixed / "out", "--replace"))
            self.refused("a read-only folder, replacing", done, fixed, ["out"])
            self.tally.check("a read-only folder: the old pattern is whole", same(fixed / "out", self.whole[4]))
            if not os.path.ismount(fixed):
                fixed.chmod(0o755)

    def start(self, command):
        return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    def vanishing(self):
        place = self.home / "vanishing"
        place.mkdir()
        # The command has claimed its place once it has started its threads; half of its time is later.
        began = time.monotonic()
        self.run(self.command(6, place / "first"))
        half = (time.monotonic() - began) / 2
        shutil.rmtree(place)
        place.mkdir()
        child = self.start(self.command(6, place / "out"))
        time.sleep(half)
        shutil.rmtree(place)
        told = child.communicate(timeout=120)[1]
        self.tally.check("the folder it lies in vanishes: refused", child.returncode == 1 and "can't write" in told, told.strip())
        self.tally.check("the folder it lies in vanishes: no panic", "panicked" not in told and not place.exists())

        place.mkdir()
        shutil.copytree(self.whole[4], place / "out")
        child = self.start(self.command(6, place / "out", "--replace"))
        time.sleep(half)
        shutil.rmtree(place / "out")
        child.communicate(timeout=120)
        self.tally.check("the old pattern vanishes: the new one is whole", same(place / "out", self.whole[6]))

        child = self.start(self.command(4, place / "out", "--replace"))
        time.sleep(half)
        (place / "out" / "note.txt").write_text("take 5 mm off at the nape")
        told = child.communicate(timeout=120)[1]
        kept = (place / "out" / "note.txt").is_file()
        self.tally.check("a note is saved into it meanwhile: it is kept", child.returncode == 1 and kept, told.strip())
        self.tally.check("a note is saved into it meanwhile: nothing else", listing(place) == ["out"], str(listing(place)))

        child = self.start(self.command(6, place / "new"))
        time.sleep(half)
        (place / "new").mkdir()
        told = child.communicate(timeout=120)[1]
        empty = (place / "new").is_dir() and not listing(place / "new")
        self.tally.check("somebody else makes the folder meanwhile: refused", child.returncode == 1 and empty, told.strip())

        both = [self.start(self.command(darts, place / "both", "--replace")) for darts in (4, 6)]
        for child in both:
            child.communicate(timeout=120)
        whole = [darts for darts in (4, 6) if same(place / "both", self.whole[darts])]
        self.tally.check("two at once: one pattern, whole", len(whole) == 1, f"even:{whole}")

    def stop_often(self, name, number, times):
        """Stops drafts that replace a pattern: anywhere, and while they write."""
        place = self.home / name
        place.mkdir()
        shutil.copytree(self.whole[6], place / "out")
        began = time.monotonic()
        self.run(self.command(4, place / "aside"))
        whole_s = time.monotonic() - began
        shutil.rmtree(place / "aside")
        dice, count = random.Random(7), {"old": 0, "new": 0, "mixed": 0}
        standing, left, stopped, codes = 6, 0, 0, set()
        for turn in range(times):
            new = 10 - standing
            child = self.start(self.command(new, place / "out", "--replace"))
            if turn % 2 == 0:
                time.sleep(dice.uniform(0, 1.05 * whole_s))
            else:
                known = set(listing(place))
                limit = time.monotonic() + 60
                while set(listing(place)) <= known and child.poll() is None and time.monotonic() < limit:
                    time.sleep(0.0002)
                time.sleep(dice.uniform(0, 0.06))
            stopped += child.poll() is None
            with contextlib.suppress(ProcessLookupError):
                child.send_signal(number)
            child.communicate(timeout=120)
            codes.add(child.returncode)
            if same(place / "out", self.whole[new]):
                count["new"] += 1
                standing = new
            elif same(place / "out", self.whole[standing]):
                count["old"] += 1
            else:
                count["mixed"] += 1
            left = len([n for n in listing(place) if n.startswith(PARTIAL)])
        told = f"{times} times, {stopped} while it worked: old {count['old']}, new {count['new']}, mixed {count['mixed']}; {left} leftovers"
        self.tally.check(f"{name}: old or new, never a mixture", count["mixed"] == 0, told)
        strangers = [n for n in listing(place) if n != "out" and not n.startswith(PARTIAL)]
        self.tally.check(f"{name}: nothing but hidden leftovers beside it", not strangers, str(strangers))
        return place, left, codes

    def killed(self):
        place, _, _ = self.stop_often("killed", signal.SIGKILL, self.kills)
        # The next run takes leftovers away once no run can still be at work on them.
        for name in listing(place):
            if name.startswith(PARTIAL):
                os.utime(place / name, (time.time() - 7200,) * 2)
        self.run(self.command(6, place / "out", "--replace"))
        self.tally.check("killed: old leftovers are swept", listing(place) == ["out"], str(listing(place)))

    def interrupted(self):
        _, left, codes = self.stop_often("interrupted", signal.SIGINT, max(10, self.kills // 4))
        self.tally.check("interrupted: nothing is left", left == 0, f"{left} leftovers")
        told = sorted(codes)
        # Stopped before its handler stood, it ends by the signal itself.
        self.tally.check("interrupted: exit code 130", set(codes) <= {130, 0, 3, -signal.SIGINT}, str(told))

    def names(self):
        evil = "<script>alert(1)</script>&\"'`$(touch x);\\"
        folder = self.home / "a b 'c' \"d\" ü 🧢" / "-- $(touch pwned)"
        folder.mkdir(parents=True)
        scan = "mold <b>&'x' ü.obj"
        # The form's own mesh is not at hand here, so the scan stays a name in a fitting that is refused.
        (folder / "scan.toml").write_text(
            'fitting = 1\nclient = "7"\nunits = "mm"\n[mold]\nscan = "' + scan + '"\n[landmarks]\n'
            "front = [0, 9, 0]\nnape = [0, -9, 0]\nleft_ear = [-9, 0, 0]\nright_ear = [9, 0, 0]\n"
            '[perimeter]\nfrom = "points"\npoints = [[0,9,0],[1,9,0],[2,9,0],[3,9,0],[4,9,0],[5,9,0]]\n'
        )
        done = self.run([self.program.binary, "draft", str(folder / "scan.toml"), "--out", str(folder / "o")])
        self.tally.check("a scan with markup in its name: named and refused", done.returncode == 1 and scan in done.stderr)

        text = FITTING.format(darts=6).replace('"0042"', '"00/42.1-9"').replace('"light lace"', f"'''{evil[:38]}'''")
        text = text.replace("[tape]", f"date = '''{evil[:28]}'''\n[tape]").replace("[darts]", "limit = 0.03\n[darts]")
        text += "[[keep_clear]]\ncentre = [0, -20, 100]\nradius = 8\nreason = '''" + evil + "'''\n"
        (folder / "fitting.toml").write_text(text)
        out = folder / "x" / ".." / "out ]]> <i>&\"'"
        (folder / "x").mkdir()
        before = sorted(str(p.relative_to(self.home)) for p in self.home.rglob("*"))
        done = self.run([self.program.binary, "draft", str(folder / "fitting.toml"), "--out", str(out)], cwd=folder)
        self.tally.check("markup everywhere: drafted", done.returncode in (0, 3), done.stderr.strip()[:200])
        if done.returncode not in (0, 3):
            return
        after = sorted(str(p.relative_to(self.home)) for p in self.home.rglob("*"))
        new = [p for p in after if p not in before]
        inside = str((folder / out.name).relative_to(self.home))
        self.tally.check("markup everywhere: written where named and nowhere else", all(p.startswith(inside) for p in new), str(new[:3]))
        svg = (out / "pattern.svg").read_text()
        root = ElementTree.fromstring(svg)
        tags = {element.tag.rsplit("}")[-1].lower() for element in root.iter()}
        self.tally.check("markup in SVG: text only", not tags & {"script", "foreignobject", "image", "i", "b"}, str(sorted(tags)))
        words = "".join(root.itertext())
        self.tally.check("markup in SVG: shown as written", "<script>" in words)
        html = (out / "report.html").read_text()
        scripts = re.findall(r"<script\b[^>]*>", html)
        self.tally.check("markup in HTML: escaped", "alert(1)</script>" not in html and "<i>" not in html, str(scripts))
        done = self.run(["qpdf", "--check", str(out / "sheets.pdf")])
        self.tally.check("markup in PDF: sound", done.returncode == 0, done.stdout.strip()[-80:])
        done = self.run(["pdftotext", str(out / "sheets.pdf"), "-"])
        self.tally.check("markup in PDF: shown as written", "<script>" in done.stdout)

        out = self.home / "again"
        done = self.run([self.program.binary, "sheets", str(folder / "x" / ".." / "out ]]> <i>&\"'" / "pattern.json"), "--out", str(out)])
        alike = filecmp.cmp(out / "sheets.pdf", folder / "out ]]> <i>&\"'" / "sheets.pdf", shallow=False)
        self.tally.check("markup: prints again, the same bytes", alike)


def main():
    faults = Faults(sys.argv[1], sys.argv[2], int(sys.argv[3]) if len(sys.argv) > 3 else 20)
    for darts, folder in faults.whole.items():
        faults.tally.check(f"even:{darts} drafts", folder.is_dir() and listing(folder) == FILES)
    for work in (faults.full_disk, faults.read_only, faults.vanishing, faults.killed, faults.interrupted, faults.names):
        faults.tally.guard(work.__name__, work)
    faults.tally.end()


if __name__ == "__main__":
    main()
