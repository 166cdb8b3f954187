"""Take pictures of every page of the board, from a running demo; the documents show one of them.

Owns the demo that it starts and ends, and the file names. Needs Chromium.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

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
LOOKS = (("light", 1280, 900), ("dark", 1280, 900), ("narrow", 360, 900))
WALL = ("wall", 1920, 1080)
DOORS = 'a[href*="?door="]'


def list_pages(registration: str) -> dict[str, str]:
    """The board's pages by name, with their addresses."""
    return {"apron": "/", "aircraft": f"/aircraft/{registration}", "alerts": "/alerts", "health": "/health"}


def take(browser: Browser, url: str, file: Path, width: int, height: int, look: str) -> None:
    """Take one picture of a page that is live."""
    page = browser.new_page(
        viewport={"width": width, "height": height}, color_scheme="dark" if look == "dark" else "light"
    )
    page.goto(url)
    page.wait_for_selector(".summary:not(:empty)")
    # What an aircraft's or the health's page asks for has come once nothing says that it is being asked.
    page.wait_for_function("() => !document.querySelector('[aria-busy=true]')")
    page.screenshot(path=file)
    page.close()
    print(file)


def wait_for_warning(browser: Browser, url: str) -> str:
    """Wait until a warning stands on the apron; returns the registration of its aircraft."""
    page = browser.new_page()
    page.goto(url)
    standing = ".mark.warning:not(.over)"
    page.wait_for_selector(standing, timeout=60_000)
    address = page.locator(f"li:has(.mark.warning) {DOORS}").first.get_attribute("href", timeout=60_000) or ""
    page.close()
    return address.removeprefix("/aircraft/").partition("?")[0]


def main(folder: Path) -> int:
    """Write each picture into ``folder``; returns the exit code."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        print("screenshots: Chromium is missing; install Debian's package chromium", file=sys.stderr)
        return 1
    folder.mkdir(parents=True, exist_ok=True)
    command = [str(Path(sys.executable).with_name("sillwatch")), "demo", "--speed", "2"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as demo:  # noqa: S603 - our own command
        try:
            assert demo.stdout is not None
            url = next(found[1].rstrip("/") for line in demo.stdout if (found := re.match(r"page:\s+(\S+)", line)))
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=chromium, args=list(FLAGS))
                registration = wait_for_warning(browser, url)
                for name, address in list_pages(registration).items():
                    for look, width, height in LOOKS:
                        take(browser, url + address, folder / f"{name}-{look}.png", width, height, look)
                take(browser, f"{url}/?wall", folder / "apron-wall.png", *WALL[1:], WALL[0])
                browser.close()
        finally:
            demo.terminate()
    return 0


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp(prefix="sillwatch-shots-"))
    sys.exit(main(target))
