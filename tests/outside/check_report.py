"""Opens the report in a real headless Chromium: no error, no request, readable on a phone and in print.

Run: python tests/outside/check_report.py BINARY TARGET_FOLDER

Where there is no Chromium the checks are skipped, said so, and not counted as passed. Published truth
used here: 390 CSS pixels are the width of a common phone (window size of the browser's own device
list); A4 is 210 x 297 mm (ISO 216).
"""

import http.server
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import threading

import numpy as np
from PIL import Image

from tally import Program, Tally

PHONE = (500, 6000)  # Chromium on a desktop makes no window narrower than 500
QUIET = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-sync --hide-scrollbars "
    "--disable-background-networking --disable-component-update --disable-default-apps"
).split()


def chromium():
    names = ("chromium", "chromium-browser", "google-chrome", "chrome")
    return next(filter(None, map(shutil.which, names)), None)


def main():
    tally, target = Tally(), pathlib.Path(sys.argv[2])
    program = Program(sys.argv[1], target / "report")
    browser = chromium()
    if not browser:
        print("SKIPPED: no chromium found; nothing about the report was checked (Debian: apt-get install chromium)")
        tally.end()

    def run(*options):
        with tempfile.TemporaryDirectory() as profile:
            command = [browser, *QUIET, f"--user-data-dir={profile}", *options]
            return subprocess.run(command, capture_output=True, text=True, timeout=180)

    # The demo's invented fitting with everything a report can hold: an opening, a zone to keep clear, and warnings, for
    # four evenly spread darts are too few.
    _, _, demo = program.demo()
    fitting = program.home / "too_few.toml"
    text = (demo / "fitting.toml").read_text()
    fitting.write_text(re.sub('(?m)^layout = "auto"', 'layout = "even:4"', text))
    done, record, folder = program.draft(fitting, "too_few")
    tally.check("the demo with four even darts is drafted", record is not None, done.stderr.strip()[:200])
    tally.check("it has warnings", record and record["warnings"] and done.returncode == 3, str(done.returncode))
    page = folder / "report.html"

    def console():
        asked = []

        class Handler(http.server.SimpleHTTPRequestHandler):
            def __init__(self, *args):
                super().__init__(*args, directory=str(page.parent))

            def do_GET(self):
                asked.append(self.path)
                super().do_GET()

            def log_message(self, *_):
                pass

        server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        threading.Thread(target=server.serve_forever, daemon=True).start()
        # Whatever the page asks for, of whichever host, comes to this server and is counted.
        rules = "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1"
        address = f"http://127.0.0.1:{server.server_port}/report.html"
        done = run(rules, "--enable-logging=stderr", "--v=0", "--dump-dom", address)
        server.shutdown()
        told = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
        tally.check("the whole page is read", "Cautions" in done.stdout and "</html>" in done.stdout)
        tally.check("nothing on the console", not told, "; ".join(told)[:300])
        others = [path for path in asked if path not in ("/report.html", "/favicon.ico")]
        tally.check("no request but for the page itself", asked and not others, str(others))

    def canary():
        # The two checks above must be able to fail.
        bad = program.home / "bad.html"
        bad.write_text("<!doctype html><title>x</title><script>console.error('seen')</script>")
        done = run("--enable-logging=stderr", "--v=0", "--dump-dom", bad.as_uri())
        tally.check("an error on the console is seen when there is one", "seen" in done.stderr)

    def phone():
        picture = program.home / "phone.png"
        run(f"--screenshot={picture}", "--window-size=%d,%d" % PHONE, page.as_uri())
        dark = np.asarray(Image.open(picture).convert("L")) < 250
        tally.check("the phone's picture is as wide as asked", dark.shape[1] == PHONE[0], str(dark.shape))
        # Text that ran out of the window would be cut at its right edge.
        tally.check("nothing runs out at the right", not dark[:, -4:].any())
        # The narrowest phones: laid out in a frame of 390 pixels, which needs no bar to move sideways.
        frame = program.home / "frame.html"
        frame.write_text(
            "<!doctype html><body style='margin:0'><iframe id=f style='width:390px;height:3000px;border:0' "
            f"src='{page.as_uri()}'></iframe><script>f.onload=()=>{{const d=f.contentDocument.documentElement;"
            "document.title=d.scrollWidth}</script>"
        )
        done = run("--allow-file-access-from-files", "--virtual-time-budget=4000", "--dump-dom", frame.as_uri())
        wide = re.search(r"<title>(\d+)</title>", done.stdout)
        tally.check("no moving sideways at 390 pixels", wide and int(wide[1]) <= 390, wide and wide[1])

    def paper():
        pdf = program.home / "report.pdf"
        run(f"--print-to-pdf={pdf}", "--no-pdf-header-footer", page.as_uri())
        text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True).stdout
        order = [text.find(words) for words in ("Beware", "Lengths to check", "The head", "Cautions")]
        tally.check("printed: warnings first, cautions last", -1 not in order and order == sorted(order), str(order))
        pages = text.count("\f")
        tally.check("printed: on few pages", 2 <= pages <= 8, f"{pages} pages")

    def grey():
        # Lightness falls from band to band of the printed scale (luma of ITU-R BT.601).
        bands = re.findall(r'<rect[^>]*fill="rgb\((\d+),(\d+),(\d+)\)"', page.read_text())
        luma = [0.299 * int(r) + 0.587 * int(g) + 0.114 * int(b) for r, g, b in bands]
        steps = [a - b for a, b in zip(luma, luma[1:])]
        tally.check("the strain scale reads in grey", len(luma) == 8 and min(steps) > 10, str([round(x) for x in luma]))

    for work in (console, canary, phone, paper, grey):
        tally.guard(work.__name__, work)
    tally.end()


if __name__ == "__main__":
    main()
