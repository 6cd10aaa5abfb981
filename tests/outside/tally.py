"""Counts checks: a line each, and "N passed, N failed" last."""

import hashlib
import json
import pathlib
import re
import shutil
import subprocess
import sys
import time


class Tally:
    def __init__(self):
        self.passed = self.failed = 0

    def check(self, name, ok, told=""):
        self.passed += bool(ok)
        self.failed += not ok
        print(f"{'ok  ' if ok else 'FAIL'} {name}{': ' if told else ''}{told}", flush=True)
        return bool(ok)

    def close(self, name, found, wanted, within):
        return self.check(name, abs(found - wanted) <= within, f"{found:.6g} for {wanted:.6g} ± {within:.3g}")

    def guard(self, name, work):
        """Runs a group of checks; an exception in it is one failed check, not the end of all."""
        try:
            work()
        except Exception as error:  # noqa: BLE001
            self.check(name, False, f"{type(error).__name__}: {error}")

    def end(self):
        print(f"{self.passed} passed, {self.failed} failed", flush=True)
        sys.exit(self.failed > 0)


class Program:
    """The built binary, with a folder to work in."""

    def __init__(self, binary, home):
        self.binary = str(pathlib.Path(binary).resolve())
        self.home = pathlib.Path(home).resolve()
        self.home.mkdir(parents=True, exist_ok=True)

    def run(self, *args):
        start = time.monotonic()
        done = subprocess.run(
            [self.binary, *map(str, args)], capture_output=True, text=True, timeout=300
        )
        done.seconds = time.monotonic() - start
        return done

    def draft(self, fitting, out, *more):
        """Drafts into a fresh folder; the exit code, the record and the folder."""
        folder = self.home / out
        if folder.exists():
            shutil.rmtree(folder)
        done = self.run("draft", fitting, "--out", folder, *more)
        record = None
        if (folder / "pattern.json").is_file():
            record = json.loads((folder / "pattern.json").read_text())
        return done, record, folder

    def drafted(self, fitting, *more):
        """As draft(), into a folder that all scripts read and none changes: the first to ask drafts it, and
        again only when the binary, the fitting, its scan or the options are others."""
        fitting = pathlib.Path(fitting)
        text = fitting.read_bytes()
        parts = [pathlib.Path(self.binary).read_bytes(), text, repr(more).encode()]
        parts += [(fitting.parent / name).read_bytes() for name in re.findall(r'^scan = "(.*)"', text.decode(), re.M)]
        return self._shared("-".join([fitting.stem, *map(str, more)]), parts, ["draft", fitting, *more])

    def demo(self):
        """The demo, shared in the same way."""
        return self._shared("demo", [pathlib.Path(self.binary).read_bytes()], ["demo"])

    def printed(self, folder, *options):
        """A shared draft printed once more, shared in the same way; the run and the folder."""
        record = folder / "pattern.json"
        parts = [pathlib.Path(self.binary).read_bytes(), record.read_bytes(), repr(options).encode()]
        name = "-".join([folder.name, *options])
        done, _, out = self._shared(name, parts, ["sheets", record, *options])
        return done, out

    def _shared(self, name, parts, command):
        home = self.home.parent / "shared"
        home.mkdir(exist_ok=True)
        folder = home / re.sub(r"[^\w.-]+", "_", name)
        stamp = home / (folder.name + ".stamp")
        key = hashlib.sha256(b"\0".join(hashlib.sha256(part).digest() for part in parts)).hexdigest()
        kept = json.loads(stamp.read_text()) if stamp.is_file() else {}
        if kept.get("key") != key or kept["written"] != folder.exists():
            shutil.rmtree(folder, ignore_errors=True)
            done = self.run(*command, "--out", folder)
            kept = {"key": key, "written": folder.exists(), "code": done.returncode, "told": [done.stdout, done.stderr]}
            kept["seconds"] = done.seconds
            stamp.write_text(json.dumps(kept))
        done = subprocess.CompletedProcess(command, kept["code"], *kept["told"])
        done.seconds = kept["seconds"]
        record = None
        if (folder / "pattern.json").is_file():
            record = json.loads((folder / "pattern.json").read_text())
        return done, record, folder
