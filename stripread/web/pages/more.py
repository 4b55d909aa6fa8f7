"""The rest: reports and exports to take along, the language, signing out."""

import tempfile
import zipfile
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import IO

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from stripread.errors import WrongUsageError
from stripread.i18n import Message, Reader
from stripread.records import Stamp, export_records, period_of
from stripread.report import document_html, document_pdf, period_report
from stripread.site import load_site
from stripread.web.forms import chosen, day
from stripread.web.language import language_of
from stripread.web.people.people import Person
from stripread.web.queue.exclusive import DRAWING, exclusive
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.site_record import records_of
from stripread.web.state import state_of
from stripread.web.units import units_of

__all__ = ["more_routes"]

_FORMS = {"pdf": "application/pdf", "html": "text/html; charset=utf-8"}
_USUAL = timedelta(days=30)
_LONGEST = timedelta(days=400)  # a year and some weeks; longer ones are made on the server's own command line. Ours
_CHUNK = 1 << 16


def more_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/more", more, methods=["GET"]),
        Route("/more/report", report, methods=["GET"]),
        Route("/more/export.zip", export, methods=["GET"]),
    ]


@need()
def more(request: Request, person: Person) -> Response:
    """Offer them."""
    today = datetime.now().astimezone()
    return render(request, "more.html", first=(today - _USUAL).date().isoformat(), last=today.date().isoformat())


@need()
async def report(request: Request, person: Person) -> Response:
    """Make the report of a period, to be kept as a file."""
    state, now = state_of(request), datetime.now().astimezone()
    form = chosen(request.query_params, "form", list(_FORMS), Message("pdf or html")) or "pdf"
    start, end = day(request.query_params, "from"), day(request.query_params, "to", end=True)
    end = min(end, now) if end is not None else now
    start = start if start is not None else (end - _USUAL).replace(hour=0, minute=0, second=0, microsecond=0)
    if not start < end <= start + _LONGEST:
        raise WrongUsageError(
            expected=Message(
                "a first day that has begun, and a last one at most %(days)s days later", days=_LONGEST.days
            ),
            found=Message("%(start)s and %(end)s", start=start.date(), end=end.date()),
            remedy=Message("Choose other days."),
        )

    reader = Reader(language=language_of(request), units=units_of(request))

    def make() -> bytes:
        site = load_site(state.folder)
        with records_of(state) as records:
            period = period_of(records, site, start=start, end=end, now=datetime.now().astimezone())
        with DRAWING:
            document = period_report(period, site, made_at=now, reader=reader)
        return document_pdf(document) if form == "pdf" else document_html(document).encode("utf-8")

    made = await exclusive(state, person, make)
    name = f"report-{start.date()}-{(end - timedelta(microseconds=1)).date()}.{form}"
    return Response(made, media_type=_FORMS[form], headers=_to_keep(name))


@need()
async def export(request: Request, person: Person) -> Response:
    """Export readings and batches as CSV with the schema of their columns, in one ZIP file."""
    state, stamp = state_of(request), Stamp(at=datetime.now().astimezone(), who=person.name)

    def make() -> tuple[IO[bytes], int]:
        packed = tempfile.TemporaryFile()  # noqa: SIM115  # closed when it was sent
        with tempfile.TemporaryDirectory() as place, records_of(state) as records:
            folder = Path(place) / "export"
            export_records(records, folder, form="csv", stamp=stamp)
            with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
                for path in sorted(folder.iterdir()):
                    archive.write(path, path.name)
        size = packed.tell()
        packed.seek(0)
        return packed, size

    packed, size = await exclusive(state, person, make)
    headers = {**_to_keep(f"export-{stamp.at.date()}.zip"), "content-length": str(size)}
    return StreamingResponse(_pieces(packed), media_type="application/zip", headers=headers)


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    with file:
        while piece := file.read(_CHUNK):
            yield piece


def _to_keep(name: str) -> dict[str, str]:
    return {"content-disposition": f'attachment; filename="{name}"'}
