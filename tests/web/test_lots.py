"""The supervisor's lots: what the list and a lot's page say, and the calibration of a lot from photos."""

import pytest


class TestLots:
    def test_the_list_shows_each_lot_with_kind_expiry_limits_and_checks(self, signed_in):
        page = signed_in("Sol").get("/lots").text
        for name, kind in {"UL-2603": "clo2-ultralow", "WR-2601": "clo2-wide", "CP-2602": "chlorine-ph-duo"}.items():
            assert name in page
            assert kind in page
        assert "LOD 0.0" in page
        assert page.count("Check standards: none that counts yet") == 4  # a pad each, and the duo has two

    def test_a_damaged_lot_is_shown_with_its_reason_and_the_others_all_the_same(self, signed_in, site):
        (site / "WR-2601" / "lot.json").write_text("{}", encoding="utf-8")
        client = signed_in("Sol")
        page = client.get("/lots").text
        assert "Its file cannot be used" in page
        assert "a lot file of format" in page
        assert "UL-2603" in page
        (site / "UL-2603" / "verification.csv").write_text("no record", encoding="utf-8")
        assert client.get("/lots").status_code == 200
        assert "a record of checks" in client.get("/lots/UL-2603").text

    def test_an_expired_lot_says_so(self, signed_in, site):
        path = site / "UL-2603" / "lot.json"
        path.write_text(path.read_text(encoding="utf-8").replace('"expires": "2027', '"expires": "2020'), "utf-8")
        client = signed_in("Sol")
        assert "▲ EXPIRED since 2020" in client.get("/lots").text
        assert "▲ EXPIRED since 2020" in client.get("/lots/UL-2603").text

    def test_a_lot_has_curve_and_residuals_as_pictures_and_as_a_table(self, signed_in):
        page = signed_in("Sol").get("/lots/UL-2603").text
        assert page.count('<img src="data:image/png') == 3
        assert "<caption>Levels of the series" in page
        for level in ("0.1", "0.2", "0.3", "0.5", "1", "2.5"):
            assert f'<th scope="row" class="number">{level}</th>' in page
        assert "LOQ" in page

    @pytest.mark.parametrize("name", ["%2E%2E%2Fsite", "UL-2603%2Flot.json", "nothing"])
    def test_a_lot_is_a_name_and_never_a_path(self, signed_in, name):
        assert signed_in("Sol").get(f"/lots/{name}").status_code == 404

    @pytest.mark.parametrize("name", ["Ines", "Gus"])
    def test_it_is_the_supervisors(self, signed_in, name):
        client = signed_in(name)
        assert client.get("/lots").status_code == 403
        assert client.get("/lots/UL-2603").status_code == 403


def test_words_from_elsewhere_are_no_markup_and_may_hold_a_percent_sign(client):
    from starlette.requests import Request

    from stripread.errors import WrongUsageError
    from stripread.web.render import render

    request = Request({"type": "http", "method": "GET", "path": "/", "headers": [], "app": client.app})
    error = WrongUsageError(expected="100 %", found="<b>", remedy="Print <i>at 100 %, please.")
    page = bytes(render(request, "refused.html", error=error).body).decode()
    assert "Print &lt;i&gt;at 100 %, please." in page
