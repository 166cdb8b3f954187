"""The board's files: named by content, kept for ever, packed, small, and clean."""

from __future__ import annotations

import gzip
import json
import re
from pathlib import Path

import pytest

from monitor.adapters.web.assets import hash_name
from tests.adapters.web.http_client import Answer, ask

BOARD = Path(__file__).parents[3] / "monitor/adapters/web/board"
SOURCES = sorted(path for path in (BOARD / "src").rglob("*") if path.suffix in {".ts", ".tsx"})
STYLES = sorted((BOARD / "src/styles").glob("*.css"))
PAGES = ("/", "/?wall", "/aircraft/ZZ-KAT", "/aircraft/ZZ-KAT?door=L1", "/alerts", "/health")
FIRST_LOAD_BYTES_MAX = 205_000
KEPT = "public, max-age=31536000, immutable"

NAMESPACES = {
    "http://www.w3.org/1999/xhtml",
    "http://www.w3.org/2000/svg",
    "http://www.w3.org/1998/Math/MathML",
    "http://www.w3.org/1999/xlink",
    "http://www.w3.org/XML/1998/namespace",
}
"""Names that look like addresses; nobody fetches them."""


def named_files(page: Answer) -> list[str]:
    """Every address of ours that the page names, the words of its languages among them."""
    text = page.body.decode()
    [locales] = re.findall(r"name=\"sillwatch-locales\" content='([^']*)'", text)
    return [*re.findall(r'(?:src|href|content)="(/[^"]*)"', text), *json.loads(locales).values()]


def parts_of(script: str, *, at_once: bool) -> list[str]:
    """The parts that a script imports at once, or those that it fetches later."""
    form = r'(?:from|import)\s*"\./(part-[\w-]+\.js)"' if at_once else r'import\("\./(part-[\w-]+\.js)"\)'
    return [f"/assets/{name}" for name in re.findall(form, script)]


async def every_part(url: str, named: list[str], *, later: bool = True) -> list[str]:
    """Those files and every part that they name, however far down."""
    found = list(named)
    for name in found:
        if name.endswith(".js"):
            script = (await ask(url, name)).body.decode()
            parts = parts_of(script, at_once=True) + (parts_of(script, at_once=False) if later else [])
            found += [part for part in dict.fromkeys(parts) if part not in found]
    return found


def test_a_name_follows_its_content() -> None:
    """SHA-256 of "abc" begins ba7816bf8f01cfea (FIPS 180-2, appendix B.1)."""
    assert hash_name("page.css", b"abc") == "page.ba7816bf8f01cfea.css"


async def test_the_page_names_files_that_may_be_kept_for_ever(url: str) -> None:
    page = await ask(url, "/")
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert page.headers["cache-control"] == "no-cache"
    named = named_files(page)
    assert {"css", "js", "svg", "txt", "json"} == {name.rsplit(".", 1)[1] for name in named}
    for name in named:
        file = await ask(url, name)
        assert file.status == 200, name
        assert file.headers["cache-control"] == KEPT, name
        stem, digest, suffix = name.removeprefix("/assets/").rsplit(".", 2)
        assert hash_name(f"{stem}.{suffix}", file.body) == f"{stem}.{digest}.{suffix}"
    assert (await ask(url, "/assets/board.js")).status == 404, "only under the name of its content"


async def test_a_client_that_takes_gzip_gets_less_of_the_same(url: str) -> None:
    for name in ("/", *await every_part(url, named_files(await ask(url, "/")))):
        plain = await ask(url, name)
        packed = await ask(url, name, headers={"Accept-Encoding": "br;q=1.0, gzip;q=0.8"})
        assert "content-encoding" not in plain.headers
        assert packed.headers["content-encoding"] == "gzip"
        assert plain.headers["vary"] == packed.headers["vary"] == "Accept-Encoding"
        assert gzip.decompress(packed.body) == plain.body


async def test_every_address_of_a_page_is_the_same_document(url: str) -> None:
    bodies = {(await ask(url, address)).body for address in PAGES}
    assert len(bodies) == 1
    for address in ("/nothing", "/aircraft/", "/assets/nothing.js", "/alerts/"):
        assert (await ask(url, address)).status == 404, address


async def test_the_policy_lets_nothing_in_from_elsewhere_and_nothing_inline(url: str) -> None:
    for address in PAGES:
        policy = (await ask(url, address)).headers["content-security-policy"]
        rules = {rule.split()[0]: rule.split()[1:] for rule in policy.split(";")}
        assert rules.pop("default-src") == ["'none'"]
        assert rules["script-src"] == rules["style-src"] == rules["connect-src"] == ["'self'"]
        assert all(sources in (["'self'"], ["'none'"]) for sources in rules.values()), policy


async def test_the_page_works_under_its_own_policy(url: str) -> None:
    text = (await ask(url, "/")).body.decode()
    assert re.search(r"<style|<script(?![^>]*\bsrc=)|\bstyle=|\bon[a-z]+=", text) is None
    assert "Advisory only. It does not replace your own look at the door" in text


async def test_nothing_names_an_address_elsewhere(url: str) -> None:
    named = await every_part(url, named_files(await ask(url, "/")))
    for name in ("/", *(name for name in named if not name.endswith(".txt"))):
        text = (await ask(url, name)).body.decode()
        assert set(re.findall(r"(?:https?|wss?)://[^\s\"'`)<>\\]*", text)) <= NAMESPACES, name
        assert re.search(r"@import|url\((?!#)", text) is None or not name.endswith(".css"), name


async def test_the_first_load_is_small(url: str) -> None:
    """Page, script, style and icon, not packed: what a tablet outdoors fetches before it shows anything."""
    page = await ask(url, "/")
    first = [name for name in named_files(page) if name.rsplit(".", 1)[1] in {"css", "js", "svg"}]
    assert len(first) == 3
    at_once = await every_part(url, first, later=False)
    sizes = {"/": len(page.body), **{name: len((await ask(url, name)).body) for name in at_once}}
    assert sum(sizes.values()) < FIRST_LOAD_BYTES_MAX, sizes


async def test_parts_that_are_fetched_later_are_named_by_their_content_too(url: str) -> None:
    [script] = [name for name in named_files(await ask(url, "/")) if name.endswith(".js")]
    parts = [name for name in await every_part(url, [script]) if "/part-" in name]
    assert parts
    for name in parts:
        part = await ask(url, name)
        assert (part.status, part.headers["cache-control"]) == (200, KEPT), name
        assert re.fullmatch(r"/assets/part-\w+-[A-Z0-9]{8}\.js", name)


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.name)
def test_a_source_sets_text_and_never_markup(path: Path) -> None:
    found = re.findall(
        r"innerHTML|outerHTML|insertAdjacentHTML|dangerouslySet|createContextualFragment|setHTML|srcdoc"
        r"|document\.write|\beval\b|new Function|DOMParser|javascript:",
        path.read_text("utf-8"),
    )
    assert found == []


@pytest.mark.parametrize("path", [path for path in STYLES if path.name != "tokens.css"], ids=lambda path: path.name)
def test_a_style_takes_its_colours_from_the_tokens(path: Path) -> None:
    text = re.sub(r"/\*.*?\*/", "", path.read_text("utf-8"), flags=re.DOTALL)
    found = re.findall(r"#[0-9a-fA-F]{3,8}\b|\b(?:rgba?|hsla?|oklch|oklab|lab|lch|hwb)\(", text)
    if path.name == "print.css":
        assert {"#000000", "#ffffff"} <= set(found), "black on white"
    grey = [code for code in found if path.name == "print.css" and re.fullmatch(r"#([0-9a-f]{2})\1\1", code)]
    assert found == grey
    assert re.search(r":\s*(?:red|green|lime|amber|orange|yellow|blue|teal)\b", text) is None


# The four looks


LOOKS = ("light", "dark by the device", "dark", "contrast")
GROUNDS = ("ground", "sheet", "sunk")
ALERTING = ("warning", "warning-shape", "caution", "caution-shape", "on-warning", "on-caution")


def read_looks() -> dict[str, dict[str, tuple[int, ...]]]:
    """The colours of each look, by the selector that sets them; what a look leaves out is as by day."""
    text = re.sub(r"/\*.*?\*/", "", (BOARD / "src/styles/tokens.css").read_text("utf-8"), flags=re.DOTALL)
    looks: dict[str, dict[str, tuple[int, ...]]] = {look: {} for look in LOOKS}
    for selector, body in re.findall(r"(:root[^{]*)\{([^{}]*)\}", text):
        found = dict(re.findall(r"--([\w-]+):\s*#([0-9a-f]{6});", body))
        if ":not(" in selector:
            look = "dark by the device"
        else:
            look = next((word for word in ("dark", "contrast", "light") if word in selector), "light")
        looks[look].update(
            {name: tuple(int(code[at : at + 2], 16) for at in (0, 2, 4)) for name, code in found.items()}
        )
    return {look: {**looks["light"], **colours} for look, colours in looks.items()}


@pytest.mark.parametrize("look", LOOKS)
def test_text_stands_out_in_each_look(look: str) -> None:
    """WCAG 2.2, 1.4.6 asks for 7:1 (text for a wall, outdoors) and 1.4.11 for 3:1 (shapes, borders)."""
    colours = read_looks()[look]
    for ground in GROUNDS:
        for name in ("text", "quiet", "warning", "caution"):
            assert contrast(colours[name], colours[ground]) >= 7, (name, ground)
        for name in ("line", "focus", "warning-shape", "caution-shape"):
            assert contrast(colours[name], colours[ground]) >= 3, (name, ground)
    for name in ("warning", "caution"):
        assert contrast(colours[f"on-{name}"], colours[f"{name}-shape"]) >= 3, f"the sign in the shape of a {name}"


@pytest.mark.parametrize("look", LOOKS)
def test_nothing_is_green_and_only_alerts_have_a_tint(look: str) -> None:
    for name, (red, green, blue) in read_looks()[look].items():
        assert not green > 1.08 * max(red, blue), name
        if name not in ALERTING:
            assert max(red, green, blue) - min(red, green, blue) <= 20, name


def test_dark_is_the_same_whoever_asks_for_it() -> None:
    looks = read_looks()
    assert looks["dark"] == looks["dark by the device"] != looks["light"]
    assert len(looks["light"]) >= 14


def contrast(one: tuple[int, ...], other: tuple[int, ...]) -> float:
    """The contrast ratio of WCAG 2.2."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def luminance(colour: tuple[int, ...]) -> float:
    parts = [value / 255 for value in colour]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_the_contrast_formula_agrees_with_its_source() -> None:
    """WCAG 2.2: black on white is 21:1, equal colours 1:1."""
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21)
    assert contrast((9, 9, 9), (9, 9, 9)) == 1
