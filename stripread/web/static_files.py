"""The page's own files: kept by the browser under a name that changes with them, compressed; icon, manifest, worker."""

import os
from functools import cache
from hashlib import sha256
from importlib import resources
from pathlib import Path

from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from stripread.web.state import state_of

__all__ = ["static_address", "static_routes"]

_FOLDER = Path(str(resources.files("stripread.web") / "static"))
_KEPT = "public, max-age=31536000, immutable"


@cache
def static_address() -> str:
    """Return the folder of the files as pages name it; it tells one version of them from another."""
    digest = sha256()
    for path in sorted(_FOLDER.iterdir()):
        digest.update(path.name.encode() + path.read_bytes())
    return f"/static/v-{digest.hexdigest()[:12]}"


class _Files(StaticFiles):
    """Serves files with and without the version in their address; those with it are kept for good."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        """Return a file."""
        version = static_address().rpartition("/")[2]
        first, _, rest = path.replace(os.sep, "/").partition("/")
        versioned = first == version and bool(rest)
        answer = await super().get_response(rest if versioned else path, scope)
        if versioned and answer.status_code == 200:
            answer.headers["cache-control"] = _KEPT
        return answer


def static_routes() -> list[Mount | Route]:
    """Return the routes; a service worker may look after the whole page only from its top."""
    return [
        Route("/favicon.ico", _icon, methods=["GET"]),
        Route("/app.webmanifest", _manifest, methods=["GET"]),
        Route("/worker.js", _worker, methods=["GET"]),
        # Compressed are these alone: a page holds its token, and its length would tell of it.
        Mount("/static", GZipMiddleware(_Files(directory=str(_FOLDER)))),
    ]


def _icon(request: Request) -> Response:
    return FileResponse(_FOLDER / "icon-192.png", media_type="image/png")


def _manifest(request: Request) -> Response:
    """Tell a phone how the page stands on its home screen."""
    own, name = static_address(), state_of(request).site_name
    icons = [
        {"src": f"{own}/icon-{size}.png", "sizes": f"{size}x{size}", "type": "image/png", "purpose": purpose}
        for size in (192, 512)
        for purpose in ("any", "maskable")
    ]
    said = {
        "name": f"{name} · stripread", "short_name": name[:12], "start_url": "/", "scope": "/", "display": "standalone",
        "background_color": "#ffffff", "theme_color": "#0b4f3c", "icons": icons,
    }  # fmt: skip
    return JSONResponse(said, media_type="application/manifest+json")


def _worker(request: Request) -> Response:
    return FileResponse(_FOLDER / "worker.js", media_type="text/javascript")
