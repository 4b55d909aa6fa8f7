"""Each person's units: chosen and kept, the site's where nobody chose; amounts in both systems on the pages."""

import html
import sqlite3
from datetime import datetime

import pytest
from starlette.testclient import TestClient

from stripread.findings import make_finding
from stripread.i18n import Message
from stripread.records import Batch, InjectorSetting, Part, Stamp, open_records
from stripread.units import Volume, kept_findings
from stripread.web import People, Settings, create_app
from stripread.web.people.people import PEOPLE as PEOPLE_FILE
from tests.unit.made_records import made_payload
from tests.web.conftest import SECRET, csrf_of, sign_in
from tests.web.test_batches import make, plan_in, post, read, typed_in

GALLON = 3.785411784
NOW = datetime.now().astimezone()


def choose(client, units):
    return post(client, "/units", units=units, next="/more")


def enter_stock(site):
    make(site)
    stamp = Stamp(at=NOW, who="Ines")
    with open_records(site) as records:
        records.add_batch(
            Batch(
                id="S-1", kind="stock", made_at=NOW, made_by="Ines", water_l=4.5 * GALLON, u_water_l=0.3,
                parts=(Part(batch="C-14", volume_l=5.5 * GALLON, u_volume_l=0.5),),
            ),
            stamp,
        )  # fmt: skip
        records.add_injector_setting(
            InjectorSetting(injector="main", since=NOW, ratio=275.0, convention="in", flow_l_per_min=20 * GALLON), stamp
        )


class TestTheChoice:
    def test_it_is_kept_with_the_person_and_with_nobody_else(self, signed_in, client):
        signed_in("Ines")
        page = client.get("/more").text
        assert '<option value="metric" selected>' in page
        assert "1 mg/L is 1 ppm" in page
        assert choose(client, "us").headers["location"] == "/more"
        assert '<option value="us" selected>' in client.get("/more").text
        client.cookies.clear()
        sign_in(client, "Sol")
        assert '<option value="metric" selected>' in client.get("/more").text
        client.cookies.clear()
        sign_in(client, "Ines")
        assert '<option value="us" selected>' in client.get("/more").text

    def test_others_than_these_two_and_other_sites_requests_are_refused(self, signed_in, client):
        signed_in("Ines")
        for wrong in ("", "uk", "US", "us "):
            assert choose(client, wrong).status_code == 400, wrong
        assert client.post("/units", data={"units": "us"}).status_code == 403
        assert post(client, "/units", units="us", next="//elsewhere.example").headers["location"] == "/"

    def test_without_one_the_site_s_units_hold(self, site):
        file = site / "site.toml"
        file.write_text('units = "us"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
        with TestClient(create_app(Settings(folder=site, workers=1)), follow_redirects=False) as client:
            sign_in(client, "Ines")
            assert '<option value="us" selected>' in client.get("/more").text
            assert "As 6 gal or 22 L." in client.get("/batches/generate").text
            choose(client, "metric")
            assert "As 22 L or 6 gal." in client.get("/batches/generate").text


class TestTheFileOfPeople:
    def test_one_from_before_there_were_units_is_given_them_and_loses_nothing(self, tmp_path):
        old = People(tmp_path)
        old.add("Ines", "technician", SECRET)
        old.speak("Ines", "es")
        token = old.sign_in("Ines", SECRET, now=NOW)
        old.close()
        with sqlite3.connect(tmp_path / PEOPLE_FILE) as file:
            file.execute("ALTER TABLE people DROP COLUMN units")
        file.close()
        for _ in range(2):  # given once, and found there the second time
            people = People(tmp_path)
            (ines,) = people.everybody()
            assert (ines.name, ines.role, ines.language, ines.units) == ("Ines", "technician", "es", "")
            assert people.session(token, now=NOW).person == ines
            people.close()
        people = People(tmp_path)
        people.measure_in("Ines", "us")
        people.add("Ola", "grower", SECRET)
        assert {p.name: p.units for p in people.everybody()} == {"Ines": "us", "Ola": ""}
        people.add("Ines", "technician", "other-471")  # a new secret leaves the choice
        assert people.everybody()[0].units == "us"
        people.close()

    def test_an_older_program_can_still_add_people(self, tmp_path):
        People(tmp_path).close()
        with sqlite3.connect(tmp_path / PEOPLE_FILE) as file:
            file.execute(
                "INSERT INTO people (name, role, secret, language, active) VALUES ('Ola', 'grower', 'x', '', 1)"
            )
        file.close()
        people = People(tmp_path)
        assert people.everybody()[0].units == ""
        people.close()


class TestThePages:
    @pytest.mark.parametrize(
        ("units", "water", "part", "flow"),
        [
            ("metric", "17 L", "20.8 L", "75.7 L/min"),
            ("us", "4.5 US gal (17 L)", "5.5 US gal (20.8 L)", "20 US gal/min (75.7 L/min)"),
        ],
    )
    @pytest.mark.parametrize("language", ["en", "es"])
    def test_what_the_record_holds_is_shown_in_the_person_s_units(
        self, signed_in, site, units, water, part, flow, language
    ):
        enter_stock(site)
        client = signed_in("Ines")
        choose(client, units)
        post(client, "/language", language=language)
        page = client.get("/batches/made/S-1").text
        if language == "es":
            water, part, flow = (amount.replace(".", ",") for amount in (water, part, flow))
        assert f"<dd>{water}</dd>" in page
        assert f"<dd>{part} <a" in page
        assert f"· {flow}<" in client.get("/injector").text

    def test_hints_show_the_person_s_units_first(self, signed_in):
        client = signed_in("Ines")
        pages = {
            "/batches/generate": ("6 gal", "22 L"),
            "/batches/stock": ("10 gal", "40 L"),
            "/batches/top-up": ("8 gal", "30 L"),
            "/injector": ("20 gpm", "90 L/min"),
        }
        for where, (us, metric) in pages.items():
            choose(client, "us")
            assert f"As {us} or {metric}." in client.get(where).text
            choose(client, "metric")
            page = client.get(where).text
            assert f"As {metric} or {us}." in page
            assert "ppm" not in page
        choose(client, "us")
        assert client.get("/batches/stock").text.count("ppm") == 1

    @pytest.mark.parametrize("units", ["metric", "us"])
    def test_a_number_without_a_unit_is_never_guessed(self, signed_in, site, units):
        make(site)
        read(site, "C-14", 400.0, sample="concentrate")
        client = signed_in("Ines")
        choose(client, units)
        page = client.get("/batches/stock?concentrate=C-14&make=12")
        assert page.status_code == 400
        assert "without a unit" in page.text
        assert "Add the unit." in page.text
        assert 'class="pour"' not in page.text

    @pytest.mark.parametrize("units", ["metric", "us"])
    def test_a_plan_answers_as_typed_and_is_shown_as_it_was_entered(self, signed_in, site, units):
        make(site)
        read(site, "C-14", 400.0, sample="concentrate")
        client = signed_in("Ines")
        choose(client, units)
        for number, (typed, says) in enumerate((("10 gal", "4.5 US gal (17 L)"), ("40 L", "18 L")), start=1):
            page = client.get("/batches/stock", params={"concentrate": "C-14", "make": typed}).text
            assert plan_in(page).startswith(f"{says} of water, then ")
            fields = {**typed_in(page), "id": f"S-{number}"}
            assert post(client, "/batches/stock", **fields).status_code == 303
            own = typed.endswith("gal") == (units == "us")
            shown = client.get(f"/batches/made/S-{number}").text
            assert (f"<dd>{says}</dd>" in shown) is own
            assert "17 L" in shown if typed == "10 gal" else "18 L" in shown  # litres are there for everyone

    @pytest.mark.parametrize(("units", "says"), [("metric", "17 L of water"), ("us", "4.5 US gal (17 L) of water")])
    def test_a_report_to_keep_is_in_the_person_s_units(self, signed_in, site, units, says):
        enter_stock(site)
        client = signed_in("Gus")
        choose(client, units)
        assert says in html.unescape(client.get("/more/report?form=html").text)


@pytest.mark.parametrize("language", ["en", "es"])
def test_a_finding_of_the_record_has_its_volumes_in_the_person_s_units(signed_in, site, language):
    enter_stock(site)
    message = Message(
        "%(batch)s, %(parts)s in %(volume)s of water",
        batch="S-1",
        parts=Message("%(volume)s of %(batch)s", volume=Volume(20.82), batch="C-14"),
        volume=Volume(17.03),
    )
    finding = make_finding("recipe_mismatch", message)
    said = {"code": finding.code, "severity": finding.severity, "message": str(message), "advice": str(finding.advice)}
    payload = made_payload(point="tank", sample="stock", taken=NOW)
    payload |= {"findings": [said], "messages": kept_findings((finding,))}
    with open_records(site) as records:
        seq = records.add_reading(payload, files=(), stamp=Stamp(at=NOW, who="Ines")).seq
    client = signed_in("Ines")
    post(client, "/language", language=language)
    sign = {"en": ".", "es": ","}[language]
    assert f"20{sign}82 L " in client.get(f"/log/{seq}").text
    choose(client, "us")
    page = client.get(f"/log/{seq}").text
    assert f"5{sign}5 US gal (20{sign}8 L) " in page
    assert f"4{sign}5 US gal (17 L) " in page


def test_a_plan_in_gallons_is_told_in_spanish(signed_in, site):
    make(site)
    read(site, "C-14", 400.0, sample="concentrate")
    client = signed_in("Ines")
    choose(client, "us")
    csrf = csrf_of(client.get("/more").text)
    client.post("/language", data={"csrf": csrf, "language": "es", "next": "/more"})
    page = client.get("/batches/stock?concentrate=C-14&make=10+gal").text
    assert "Como 10 gal o 40 L." in page
    assert plan_in(page) == "4,5 US gal (17 L) de agua, y después 5,5 US gal (20,8 L) de concentrado"
    assert "Ponga 4,5 US gal (17 L) de agua en el tanque vacío y enjuagado. El agua va primero." in page
    page = client.get("/batches/generate?water=6+gal&after=12+h").text
    assert "Ponga 6 US gal (22,7 L) de agua" in page
    assert "Su curva vale para agua a 68 F (20 C)." in page
