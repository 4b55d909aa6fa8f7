"""``make screenshots``: pictures of every screen of the list, at phone size, and the page of the docs with them."""

import argparse
import io
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image

from tests.browser.live import CHROMIUM, chromium, make_site, phone, serve, sign_in, speaking
from tests.browser.screens import SCREENS, Screen

_COLOURS = 64  # the sheet has few; photos keep enough to be recognised
GALLERY = Path("docs/reference/screens.md")
IN_SPANISH = ("guide", "verdict-low", "batch-stock-plan")  # taken a second time
_INTRODUCTION = """# Screens

Every screen of the page for phones, 390 pixels wide; `make screenshots` takes them and writes this page. The nursery,
its people, lots and photos are invented; the photos are simulated.
"""
_WHO = {None: "Nobody signed in", "Ines": "A technician", "Sol": "A supervisor", "Gus": "A grower"}
# The whole page in one picture: what stays at the bottom of the screen stands at the end of the page.
_WHOLE = """() => {
  document.body.style.position = "relative";
  for (const nav of document.querySelectorAll("header nav")) nav.style.position = "absolute";
}"""
_SPANISH = "-spanish.png"
_TALLEST = 1600  # CSS pixels; what is longer is cut off, as it is scrolled to on a phone


def main() -> int:
    """Take the pictures; those of screens that are gone are deleted."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", nargs="*", default=[], metavar="NAME", help="these screens alone")
    asked = parser.parse_args()
    if not CHROMIUM.exists():
        sys.exit(f"no {CHROMIUM}: install it with apt-get install chromium")
    asked.folder.mkdir(parents=True, exist_ok=True)
    chosen = [screen for screen in SCREENS if not asked.only or screen.name in asked.only]
    with (
        tempfile.TemporaryDirectory() as folder,
        chromium() as browser,
        serve(make_site(Path(folder) / "site"), Path(folder) / "server.log") as live,
    ):
        pages: dict[str | None, Any] = {}
        for screen in chosen:
            if screen.who not in pages:
                pages[screen.who] = phone(browser, live, device_scale_factor=1).new_page()
                if screen.who is not None:
                    sign_in(pages[screen.who], screen.who)
            page = pages[screen.who]
            screen.show(page, live)
            _take(page, asked.folder / picture_of(screen))
            if screen.name in IN_SPANISH and screen.who is not None:
                with speaking(live, screen.who, "es"):
                    page.reload()
                _take(page, asked.folder / picture_of(screen, spanish=True))
    if not asked.only:
        names = pictures()
        for path in asked.folder.glob("*.png"):
            if path.name not in names:
                path.unlink()
        GALLERY.write_text(gallery(), "utf-8")
    return 0


def picture_of(screen: Screen, *, spanish: bool = False) -> str:
    """Return the name of a screen's picture."""
    return f"{screen.name}{_SPANISH if spanish else '.png'}"


def pictures() -> list[str]:
    """Return the names of all pictures, in the list's order."""
    english = [picture_of(screen) for screen in SCREENS]
    return [*english, *(picture_of(screen, spanish=True) for screen in SCREENS if screen.name in IN_SPANISH)]


def gallery() -> str:
    """Return the page of the docs that shows every picture."""
    made = _INTRODUCTION
    for who, title in _WHO.items():
        made += f"\n## {title}\n\n" + "".join(_shown(picture_of(s)) for s in SCREENS if s.who == who)
    made += "\n## In Spanish\n\n" + "".join(_shown(name) for name in pictures() if name.endswith(_SPANISH))
    return made


def _shown(name: str) -> str:
    title = name.removesuffix(".png").replace("-", " ")
    return f"![{title}](../images/screens/{name})\n"


def _take(page: Any, path: Path) -> None:
    page.mouse.move(0, 0)
    page.evaluate(_WHOLE)
    tall = min(page.evaluate("document.documentElement.scrollHeight"), _TALLEST)
    taken = page.screenshot(full_page=True, clip={"x": 0, "y": 0, "width": 390, "height": tall})
    _save(taken, path)
    sys.stderr.write(f"{path.stem}\n")


def _save(taken: bytes, path: Path) -> None:
    with Image.open(io.BytesIO(taken)) as picture:
        picture.convert("RGB").quantize(_COLOURS, dither=Image.Dither.NONE).save(path, optimize=True)


if __name__ == "__main__":
    raise SystemExit(main())
