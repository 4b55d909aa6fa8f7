"""Pictures of every screen of the list, at phone size: ``make screenshots``."""

import argparse
import io
import sys
import tempfile
from pathlib import Path

from PIL import Image

from tests.browser.live import CHROMIUM, chromium, make_site, phone, serve, sign_in
from tests.browser.screens import SCREENS

_COLOURS = 64  # the sheet has few; photos keep enough to be recognised
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
        pages = {}
        for screen in chosen:
            if screen.who not in pages:
                pages[screen.who] = phone(browser, live, device_scale_factor=1).new_page()
                if screen.who is not None:
                    sign_in(pages[screen.who], screen.who)
            page = pages[screen.who]
            screen.show(page, live)
            page.mouse.move(0, 0)
            tall = min(page.evaluate("document.documentElement.scrollHeight"), _TALLEST)
            taken = page.screenshot(full_page=True, clip={"x": 0, "y": 0, "width": 390, "height": tall})
            _save(taken, asked.folder / f"{screen.name}.png")
            sys.stderr.write(f"{screen.name}\n")
    if not asked.only:
        names = {f"{screen.name}.png" for screen in SCREENS}
        for path in asked.folder.glob("*.png"):
            if path.name not in names:
                path.unlink()
    return 0


def _save(taken: bytes, path: Path) -> None:
    with Image.open(io.BytesIO(taken)) as picture:
        picture.convert("RGB").quantize(_COLOURS, dither=Image.Dither.NONE).save(path, optimize=True)


if __name__ == "__main__":
    raise SystemExit(main())
