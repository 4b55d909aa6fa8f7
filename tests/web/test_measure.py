"""A reading by other means than a strip on the page: entered once, shown with its means, in the reader's units."""

import pytest

from stripread.records import ReadingFilter, open_records
from tests.web.conftest import csrf_of

GOOD = {"point": "bench 1", "analyte": "chlorine dioxide", "value": "0.41 mg/L", "u": "0.02 mg/L", "by": "meter",
        "instrument": "photometer 2", "note": "cloudy"}  # fmt: skip


def post(client, **fields):
    return client.post("/measure", data={"csrf": csrf_of(client.get("/measure").text), **fields})


def entered(site):
    with open_records(site) as records:
        return records.readings(ReadingFilter(entered=True))


def test_it_is_entered_once_and_shown_everywhere(signed_in, site):
    client = signed_in("Ines")
    assert '/measure?point=bench+1"' in client.get("/points/bench 1").text
    for _ in range(2):  # sent twice
        answer = post(client, **GOOD)
        assert answer.status_code == 303
    (one,) = entered(site)
    assert (one.method.by, one.method.instrument, one.point, one.sample) == ("meter", "photometer 2", "bench 1", "line")
    assert (one.main.value, one.main.u, one.entry.who) == (0.41, 0.02, "Ines")
    assert answer.headers["location"] == f"/log/{one.entry.seq}"
    shown = client.get(answer.headers["location"]).text
    for words in ("WITHIN RANGE", "0.41 mg/L", "meter (photometer 2)", "cloudy"):
        assert words in shown
    assert "Strip lot" not in shown
    for page in ("/log", "/log?method=meter", "/points/bench 1", "/"):
        assert "meter (photometer 2)" in client.get(page).text, page
    assert "photometer 2" not in client.get("/log?method=strip").text.split("</form>")[1]
    assert client.get("/points/bench 1/figure.png").headers["content-type"] == "image/png"
    assert '<option value="photometer 2">' in client.get("/measure").text


@pytest.mark.parametrize(
    ("name", "value"),
    [("point", "bench 99"), ("value", "0.41"), ("value", ""), ("analyte", "caesium"), ("u", "3 mV"), ("by", "eye"),
     ("at", "2999-01-01T10:00"), ("sample", "soup"), ("point", "")],
)  # fmt: skip
def test_what_is_wrong_is_said_and_nothing_entered(signed_in, site, name, value):
    client = signed_in("Ines")
    answer = post(client, **{**GOOD, name: value})
    assert answer.status_code == 400
    assert "That cannot be done" in answer.text
    assert entered(site) == []


def test_a_temperature_and_a_flow_are_kept_in_one_unit_and_shown_in_the_readers(signed_in, site):
    client = signed_in("Ines")
    assert post(client, point="bench 1", analyte="temperature", value="68 F", u="1 F").status_code == 303
    assert post(client, point="bench 1", analyte="flow", value="10 gpm").status_code == 303
    flow, temperature = entered(site)
    assert (temperature.main.value, temperature.main.unit) == (pytest.approx(20.0), "C")
    assert temperature.main.u == pytest.approx(1 / 1.8)
    assert (flow.main.value, flow.main.unit) == (pytest.approx(37.85411784), "L/min")
    assert "20.0 C" in client.get(f"/log/{temperature.entry.seq}").text
    assert "its uncertainty was assumed" in client.get(f"/log/{flow.entry.seq}").text
    client.post("/units", data={"csrf": csrf_of(client.get("/more").text), "units": "us", "next": "/"})
    page = client.get(f"/log/{temperature.entry.seq}").text
    assert "68.0 F" in page
    assert "66.0 to 70.0" in page
    assert "10.0 US gal/min" in client.get(f"/log/{flow.entry.seq}").text
    trend = client.get("/points/bench 1?analyte=temperature").text
    assert "68.0 F" in trend
    assert client.get("/points/bench 1/figure.png?analyte=temperature").status_code == 200


def test_in_spanish(signed_in):
    client = signed_in("Ines")
    client.post("/language", data={"csrf": csrf_of(client.get("/more").text), "language": "es", "next": "/"})
    assert "Introducir la lectura de un medidor" in client.get("/measure").text
    answer = post(client, point="bench 1", analyte="pH", value="menos de 4,5", by="laboratory")
    page = client.get(answer.headers["location"]).text
    assert "menos de 4,5" in page
    assert "laboratorio" in page


def test_a_report_tells_by_which_means_and_what_differs(signed_in):
    client = signed_in("Ines")
    post(client, **GOOD)
    post(client, point="bench 1", analyte="chlorine dioxide", value="0.25 mg/L u 0.01", by="titration")
    page = client.get("/more/report?form=html").text
    for words in ("By which means: bench 1: 1 meter, 1 titration", "Readings by other means", "One sample by two means",
                  "▲ 1 of 1 cannot both be right", "-7.2", "▲ DIFFERS", "Two means, such as a strip"):  # fmt: skip
        assert words in page, words
    assert client.get("/more/report?form=pdf").content.startswith(b"%PDF")
