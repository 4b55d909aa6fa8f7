"""A diluted sample on the page: asked for in the guide, told with the verdict and in the log, in either language."""

import pytest

from stripread.i18n import Reader
from stripread.records import ReadingFilter, open_records
from stripread.units import kept_shown
from tests.web.conftest import ROOT, SAMPLE
from tests.web.test_jobs import TAKEN, answer
from tests.web.test_read import upload

STOCK = ROOT / "sample_images" / "stock-good.jpg"
PAGE, PAGINA = Reader(face="page"), Reader(face="page", language="es")


def stock(site, *, number=1, **said):
    photo = (STOCK if number == 1 else ROOT / "sample_images" / "stock-with-vial.jpg").read_bytes()
    return answer(site, photo, number=number, point="tank", sample="stock", lot="WR-2601", **said)


def test_the_guide_asks_for_the_part_and_the_whole(signed_in):
    page = signed_in("Ines").get("/read/tank").text
    assert 'name="diluted_part"' in page
    assert 'name="diluted_whole"' in page
    assert "1 part in 10 of the whole, which is 1 part to 9 of water" in page
    assert "Pour gently" in page
    assert "takes no disinfectant" in page
    assert "Dip into the sample as it is" not in page


def test_what_is_advised_on_the_page_is_there_at_every_point(signed_in):
    assert 'name="diluted_part"' in signed_in("Ines").get("/read/bench 1").text


@pytest.mark.parametrize(
    ("part", "whole"), [("50 mL", "500 mL"), ("1", "10"), ("50 mL u 0.5 mL", "500 mL u 5 mL")], ids=str
)
def test_what_was_filled_in_comes_with_the_photo(signed_in, monkeypatch, part, whole):
    client = signed_in("Ines")
    kept = []
    monkeypatch.setattr(type(client.app.state.queue.inbox), "accept", lambda self, job, *data: kept.append(job))
    sent = upload(client, "tank", lot="WR-2601", data=STOCK.read_bytes(), diluted_part=part, diluted_whole=whole)
    assert sent.status_code == 303
    assert kept[0].diluted.startswith(part)
    assert kept[0].diluted.endswith(whole)


@pytest.mark.parametrize(
    ("part", "whole"), [("50 mL", ""), ("", "10"), ("10", "1"), ("50 mL", "500"), ("a", "b"), ("1", "1e9")], ids=str
)
def test_what_is_no_dilution_is_refused_and_nothing_is_kept(signed_in, part, whole):
    client = signed_in("Ines")
    sent = upload(client, "tank", lot="WR-2601", diluted_part=part, diluted_whole=whole)
    assert sent.status_code == 400


def test_the_verdict_is_of_the_sample_and_tells_of_the_dilution(site):
    said = stock(site, diluted="50 mL to 500 mL")
    assert said["pads"][0]["value"] == pytest.approx(2240, rel=0.01)
    assert "1 part to 9 of water" in PAGE.show(kept_shown(said["diluted"]))
    assert "1 parte por 9 de agua" in PAGINA.show(kept_shown(said["diluted"]))
    assert any("pour gently" in PAGE.show(kept_shown(caution)) for caution in said["cautions"])
    with open_records(site) as records:
        (one,) = records.readings(ReadingFilter(point="tank"))
    assert one.entry.payload["how"]["diluted"]["typed"] == "50 mL to 500 mL"
    assert one.main.value == pytest.approx(said["pads"][0]["value"])


def test_an_undiluted_strip_says_nothing_of_it(site):
    assert stock(site)["diluted"] is None


def test_the_log_shows_how_it_was_diluted(site, signed_in):
    entry = stock(site, diluted="50 mL to 500 mL")["entry"]
    page = signed_in("Ines").get(f"/log/{entry}").text
    assert "1 part to 9 of water" in page
    assert "the strip read 224 mg/L" in page


def test_a_second_strip_is_of_the_same_diluted_sample(site, signed_in):
    stock(site, diluted="50 mL to 500 mL")
    second = stock(site, number=2, at=TAKEN, beside=f"{1:032x}", diluted="1 in 10")
    assert not [f for f in second["findings"] if f["code"] == "replicates_not_compared"]
    both = PAGE.show(kept_shown(second["both"][1]["pads"][0]))
    assert "2" in both.split()[0]
    assert len(both.split(" ")[0]) == 4  # some 2200 mg/L, not 220
    page = signed_in("Ines").get(f"/read/tank?beside={1:032x}").text
    assert 'value="50 mL"' in page
    assert 'value="500 mL"' in page


def test_strips_of_other_dilutions_are_not_held_against_each_other(site):
    stock(site)
    second = stock(site, number=2, at=TAKEN, beside=f"{1:032x}", diluted="1 in 10")
    (finding,) = [f for f in second["findings"] if f["code"] == "replicates_not_compared"]
    assert "diluted otherwise" in PAGE.show(kept_shown(finding["message"]))


def test_over_the_top_advises_the_fields_of_the_page(site):
    """The line's strip ends at 2 mg/L: in the stock it is over its top, or bleached."""
    said = answer(site, SAMPLE.read_bytes(), point="tank", sample="stock", lot="UL-2603")
    steps = " ".join(PAGE.show(kept_shown(step)) for step in said["steps"])
    assert "--diluted" not in steps
    assert "“Diluted?”" in steps
