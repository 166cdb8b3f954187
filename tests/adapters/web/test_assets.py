"""The page's files: named by content, kept for ever, and clean."""

from __future__ import annotations

import re
from importlib import resources

import pytest

from monitor.adapters.web.assets import hash_name
from tests.adapters.web.http_client import ask

STATIC = resources.files("monitor.adapters.web") / "static"


def test_a_name_follows_its_content() -> None:
    """SHA-256 of "abc" begins ba7816bf8f01cfea (FIPS 180-2, appendix B.1)."""
    assert hash_name("page.css", b"abc") == "page.ba7816bf8f01cfea.css"


async def test_the_page_names_files_that_may_be_kept_for_ever(url: str) -> None:
    page = await ask(url, "/")
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert page.headers["cache-control"] == "no-cache"
    named = re.findall(r'(?:src|href)="(/[^"]*)"', page.body.decode())
    assert sorted(name.rsplit(".", 1)[1] for name in named) == ["css", "js", "svg"]
    for name in named:
        file = await ask(url, name)
        assert file.status == 200
        assert file.headers["cache-control"] == "public, max-age=31536000, immutable"


async def test_the_page_works_under_its_own_policy(url: str) -> None:
    text = (await ask(url, "/")).body.decode()
    assert re.search(r"<style|<script(?![^>]*\bsrc=)|\bstyle=|\bon[a-z]+=", text) is None
    assert re.search(r"https?://", text) is None
    assert "Advisory only. It does not replace your own look at the door" in text


def test_the_script_sets_text_and_never_markup() -> None:
    script = (STATIC / "page.js").read_text("utf-8")
    found = re.findall(
        r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\b|new Function|\.style\b", script
    )
    assert found == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_and_nothing_is_green(scheme: str) -> None:
    """WCAG 2.2, 1.4.3 asks for 4.5:1 and 1.4.11 for 3:1 (shapes, borders); text for a wall 7:1."""
    colours = read_colours(scheme)
    for name in ("text", "quiet", "warning", "caution"):
        for ground in ("ground", "sheet"):
            assert contrast(colours[name], colours[ground]) >= 7, (name, ground)
    for name in ("line", "caution-shape", "focus"):
        assert contrast(colours[name], colours["sheet"]) >= 3, name
    assert contrast(colours["on-warning"], colours["warning"]) >= 4.5
    for name, (red, green, blue) in colours.items():
        assert not green > 1.08 * max(red, blue), name
        if name not in {"warning", "caution", "caution-shape", "on-warning"}:
            assert max(red, green, blue) - min(red, green, blue) <= 20, name


def read_colours(scheme: str) -> dict[str, tuple[int, ...]]:
    light, _, rest = (STATIC / "page.css").read_text("utf-8").partition("@media (prefers-color-scheme: dark)")
    source = light if scheme == "light" else rest.split("* {")[0]
    found = re.findall(r"--([\w-]+): #([0-9a-f]{6});", source)
    colours = {name: tuple(int(code[at : at + 2], 16) for at in (0, 2, 4)) for name, code in found}
    assert len(colours) == 11
    return colours


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
