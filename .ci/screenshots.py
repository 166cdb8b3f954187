"""Take the pictures of the page that the documents show, from a running demo.

Owns the demo that it starts and ends, and the file names. Needs Chromium.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

ROOT = Path(__file__).resolve().parent.parent
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
SHOTS = (("page", 1280, 900, "light"), ("page-dark", 1280, 900, "dark"), ("page-narrow", 360, 900, "light"))


def main(folder: Path) -> int:
    """Write each picture into ``folder``; returns the exit code."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        print("screenshots: Chromium is missing; install Debian's package chromium", file=sys.stderr)
        return 1
    command = [str(Path(sys.executable).with_name("sillwatch")), "demo", "--speed", "4"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as demo:  # noqa: S603 - our own command
        try:
            assert demo.stdout is not None
            url = next(found[1] for line in demo.stdout if (found := re.match(r"page:\s+(\S+)", line)))
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=chromium, args=list(FLAGS))
                for name, width, height, scheme in SHOTS:
                    page = browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)
                    page.goto(url)
                    page.get_by_role("button", name=re.compile("Acknowledge")).first.wait_for(timeout=60_000)
                    page.screenshot(path=folder / f"{name}.png")
                    print(folder / f"{name}.png")
                browser.close()
        finally:
            demo.terminate()
    return 0


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp(prefix="sillwatch-shots-"))
    sys.exit(main(target))
