"""Reports and exports as downloads, the language, signing out."""

import csv
import html
import io
import re
import zipfile
from datetime import datetime, timedelta

from stripread.i18n import LANGUAGES
from stripread.records import Stamp, open_records
from tests.unit.made_records import made_pad, made_payload
from tests.web.conftest import ROOT, csrf_of, sign_in

NOW = datetime.now().astimezone()


def enter(site, value=0.26, *, days=1.0):
    at = NOW - timedelta(days=days)
    payload = made_payload(point="bench 1", taken=at, pads=[made_pad(value)])
    with open_records(site) as records:
        records.add_reading(payload, files=(), stamp=Stamp(at=at, who="Ines"))


def days(first, last=0):
    return f"from={(NOW - timedelta(days=first)).date()}&to={(NOW - timedelta(days=last)).date()}"


def test_a_grower_takes_the_report_along_as_page_and_as_pdf(signed_in, site):
    enter(site)
    enter(site, 0.31, days=20)
    client = signed_in("Gus")
    assert 'action="/more/report"' in client.get("/more").text
    page = client.get(f"/more/report?form=html&{days(7)}")
    assert page.headers["content-disposition"].startswith('attachment; filename="report-')
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "1 reading at 1 point" in page.text
    assert "The record is as it was written" in page.text
    assert "2 readings at 1 point" in client.get(f"/more/report?form=html&{days(30)}").text
    pdf = client.get(f"/more/report?form=pdf&{days(7)}")
    assert pdf.headers["content-type"] == "application/pdf"
    assert pdf.content.startswith(b"%PDF-")


def test_the_docs_say_what_each_section_of_the_report_holds(signed_in, site):
    enter(site)
    page = signed_in("Gus").get(f"/more/report?form=html&{days(7)}").text
    headings = [html.unescape(text) for text in re.findall(r"<h2[^>]*>(.*?)</h2>", page)]
    text = (ROOT / "docs" / "how-to" / "report-a-season.md").read_text(encoding="utf-8")
    table = text.split("| section | what it holds |\n|---|---|\n")[1].split("\n\n")[0]
    assert len(headings) > 5
    assert [row.split(" | ")[0].removeprefix("| ") for row in table.splitlines()] == headings


def test_who_reads_spanish_gets_the_report_in_spanish(signed_in, site):
    from pypdf import PdfReader

    enter(site)
    client = signed_in("Gus")
    client.post("/language", data={"csrf": csrf_of(client.get("/more").text), "language": "es", "next": "/more"})
    page = client.get(f"/more/report?form=html&{days(7)}").text
    assert '<html lang="es">' in page
    assert "1 lectura en 1 punto: 1 dentro del intervalo." in page
    assert "El registro está como se escribió" in page
    assert "de 0,22 a 0,5 mg/L" in page
    reader = PdfReader(io.BytesIO(client.get(f"/more/report?form=pdf&{days(7)}").content))
    words = " ".join(one.extract_text() for one in reader.pages)
    assert "En resumen" in words
    assert "página 1" in words
    assert str(reader.root_object["/Lang"]).startswith("es")


def test_days_that_cannot_be_are_refused(signed_in, site):
    client = signed_in("Gus")
    for wrong in (days(0, 3), days(-3, -9), "from=2000-01-01", "from=x", "form=exe", "to=9999-12-31"):
        assert client.get(f"/more/report?{wrong}").status_code == 400, wrong
    assert client.get("/more/report?form=html").status_code == 200  # thirty days without any reading


def test_the_export_holds_the_readings_with_their_schema(signed_in, site):
    enter(site, 0.26)
    answer = signed_in("Gus").get("/more/export.zip")
    assert answer.headers["content-type"] == "application/zip"
    assert int(answer.headers["content-length"]) == len(answer.content)
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        assert archive.testzip() is None
        assert {"readings.csv", "batches.csv", "readings.schema.json", "datapackage.json"} <= set(archive.namelist())
        (row,) = csv.DictReader(io.StringIO(archive.read("readings.csv").decode("utf-8")))
    assert (row["point"], float(row["value"])) == ("bench 1", 0.26)


def test_nobody_can_keep_the_server_busy_with_reports(signed_in, client):
    signed_in("Gus")
    client.app.state.heavy_tries.most = 2
    answers = [client.get("/more/export.zip").status_code for _ in range(3)]
    assert answers == [200, 200, 429]


def test_the_language_is_changed_and_kept(signed_in, client, monkeypatch):
    monkeypatch.setitem(LANGUAGES, "es", "Español")  # as if there were a catalogue
    signed_in("Ines")
    csrf = csrf_of(client.get("/more").text)
    assert client.post("/language", data={"csrf": csrf, "language": "es", "next": "/more"}).status_code == 303
    page = client.get("/more").text
    assert '<html lang="es">' in page
    assert '<option value="es" lang="es" selected>' in page
    assert client.post("/language", data={"csrf": csrf, "language": "xx"}).status_code == 400
    assert client.post("/language", data={"language": "en"}).status_code == 403


def test_signing_out_ends_the_session(signed_in, client):
    signed_in("Ines")
    page = client.get("/more").text
    assert "Ines, technician" in page
    cookies = dict(client.cookies)
    assert client.post("/sign-out", data={"csrf": csrf_of(page)}).status_code == 303
    client.cookies.update(cookies)  # even for whoever kept the cookie
    assert client.get("/more").status_code == 303


def test_more_is_for_those_who_are_signed_in_and_the_injector_not_for_growers(client):
    for path in ("/more", "/more/report", "/more/export.zip"):
        assert client.get(path).status_code == 303, path
    sign_in(client, "Gus")
    assert 'href="/injector"' not in client.get("/more").text
    client.cookies.clear()
    sign_in(client, "Sol")
    assert 'href="/injector"' in client.get("/more").text
