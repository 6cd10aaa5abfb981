"""Counts checks: a line each, and "N passed, N failed" last."""

import json
import pathlib
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
