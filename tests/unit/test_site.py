from importlib import resources
from pathlib import Path

import pytest

from stripread.card import design_card, save_card
from stripread.errors import KindFileError, LotFileError, SiteError
from stripread.site import Expectation, find_site, load_site, resolve_card, resolve_kind, resolve_lot, write_demo_site
from tests.listed import each

SMALL = """
name = "Small"
[sample.line]
analyte = "chlorine dioxide"
unit = "mg/L"
expected = [0.15, 0.4]
kinds = ["clo2-ultralow"]
"""


def site_of(folder: Path, text: str):
    (folder / "site.toml").write_text(text, encoding="utf-8")
    return load_site(folder)


def shipped_kind_text(name: str) -> str:
    return (resources.files("stripread.strip") / "kinds" / f"{name}.toml").read_text(encoding="utf-8")


class TestDemoSite:
    def test_loads_with_the_sample_types_of_the_job(self, tmp_path):
        folder = tmp_path / "new" / "site"
        assert write_demo_site(folder) == folder / "site.toml"
        site = load_site(folder)
        assert list(site.samples) == ["source", "concentrate", "stock", "line", "return"]
        line = site.sample("line")
        assert line.main == Expectation(analyte="chlorine dioxide", unit="mg/L", low=0.22, high=0.5, target=0.35)
        assert line.kinds == ("clo2-ultralow",)
        assert [name for name, sample in site.samples.items() if sample.strong] == ["concentrate", "stock"]
        assert site.sample("concentrate").main.target == 420
        assert site.sample("stock").main.target == 220

    def test_explains_every_key_and_whose_ranges_to_use(self, tmp_path):
        text = write_demo_site(tmp_path).read_text(encoding="utf-8")
        comments = "\n".join(line for line in text.splitlines() if line.startswith("#"))
        for key in ("analyte", "unit", "expected", "target", "kinds", "note", "strong", "also"):
            assert f"#   {key} " in comments
        for words in ("demo value", "label", "local codes", "licensed practice"):
            assert words in comments

    def test_never_overwrites_a_site_file(self, tmp_path):
        (tmp_path / "site.toml").write_text("mine", encoding="utf-8")
        with pytest.raises(SiteError, match="there already"):
            write_demo_site(tmp_path)
        assert (tmp_path / "site.toml").read_text(encoding="utf-8") == "mine"

    def test_refuses_a_folder_that_is_a_file(self, tmp_path):
        (tmp_path / "taken").write_text("", encoding="utf-8")
        with pytest.raises(SiteError, match="taken"):
            write_demo_site(tmp_path / "taken")

    def test_names_the_database_of_the_record_where_it_is_on_a_server(self, tmp_path):
        url = 'postgresql://grower@db.example/nursery?application_name="x"'
        write_demo_site(tmp_path, database=url)
        assert load_site(tmp_path).database == url
        write_demo_site(tmp_path / "plain")
        assert load_site(tmp_path / "plain").database is None


class TestUnits:
    def test_are_metric_unless_the_file_says_otherwise(self, tmp_path):
        assert site_of(tmp_path, SMALL).units == "metric"
        for units in ("us", "imperial"):
            assert site_of(tmp_path, f'units = "{units}"\n{SMALL}').units == units

    @each("units", ['"US"', '""', "true", '["us"]'])
    def test_others_are_refused(self, tmp_path, units):
        with pytest.raises(SiteError, match='"metric" or "us" or "imperial" for \'units\''):
            site_of(tmp_path, f"units = {units}\n{SMALL}")

    def test_the_demo_site_tells_how_to_choose_them(self, tmp_path):
        path = write_demo_site(tmp_path)
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace('# units = "us"', 'units = "us"'), encoding="utf-8")
        assert load_site(tmp_path).units == "us"


class TestFindSite:
    def test_looks_in_the_folder_and_its_parents(self, tmp_path):
        deep = tmp_path / "photos" / "may"
        deep.mkdir(parents=True)
        assert find_site(deep) is None
        write_demo_site(tmp_path)
        assert find_site(deep) == tmp_path.resolve()
        assert find_site(tmp_path) == tmp_path.resolve()

    def test_takes_the_nearest(self, tmp_path):
        write_demo_site(tmp_path)
        write_demo_site(tmp_path / "annex")
        assert find_site(tmp_path / "annex") == (tmp_path / "annex").resolve()


class TestLoadSite:
    @each("records", ["databse = 'x'", "database = 3", "database = ''"])
    def test_a_wrong_table_of_the_record_is_told(self, tmp_path, records):
        (tmp_path / "site.toml").write_text(f"{SMALL}[records]\n{records}\n", encoding="utf-8")
        with pytest.raises(SiteError, match=r"databse|records\.database"):
            load_site(tmp_path)

    def test_reads_further_analytes_with_their_units(self, tmp_path):
        text = SMALL + "[sample.line.also.pH]\nexpected=[6.5, 7.5]\n[sample.line.also.chlorite]\nexpected=[0, 0.7]\n"
        line = site_of(tmp_path, text).sample("line")
        assert line.expectation("PH") == Expectation(analyte="pH", unit="pH", low=6.5, high=7.5)
        assert line.expectation("chlorite") == Expectation(analyte="chlorite", unit="mg/L", low=0.0, high=0.7)
        assert line.expectation("Chlorine Dioxide") == line.main
        assert line.expectation("iron") is None

    def test_an_unknown_sample_type_lists_the_known_ones(self, tmp_path):
        with pytest.raises(SiteError, match=r"line; found 'lime'"):
            site_of(tmp_path, SMALL).sample("lime")

    def test_takes_a_file_with_a_byte_order_mark(self, tmp_path):
        (tmp_path / "site.toml").write_text(SMALL, encoding="utf-8-sig")
        assert load_site(tmp_path).name == "Small"

    def test_a_missing_file_points_to_init(self, tmp_path):
        with pytest.raises(SiteError, match="stripread init"):
            load_site(tmp_path)

    @each(
        ("old", "new", "field"),
        [
            ('name = "Small"', "", "'name'"),
            ('analyte = "chlorine dioxide"', "analyte = 3", "'sample.line.analyte'"),
            ('unit = "mg/L"', "", "'sample.line.unit'"),
            ("[0.15, 0.4]", "[0.4, 0.15]", "'sample.line.expected'"),
            ("[0.15, 0.4]", "[-1, 0.15]", "'sample.line.expected'"),
            ("[0.15, 0.4]", "[0.15]", "'sample.line.expected'"),
            ("[0.15, 0.4]", "[0.15, true]", "'sample.line.expected'"),
            ("[0.15, 0.4]", "[0.15, nan]", "'sample.line.expected'"),
            ("[0.15, 0.4]", "[0.15, 0.4]\ntarget = 0.5", "'sample.line.target'"),
            ("[0.15, 0.4]", "[0.15, 0.4]\nstrong = 'yes'", "'sample.line.strong'"),
            ("[0.15, 0.4]", "[0.15, 0.4]\nstrog = true", "'strog'"),
            ("[0.15, 0.4]", "[0.15, 0.4]\nalso = 7", "'sample.line.also'"),
            ("[0.15, 0.4]", "[0.15, 0.4]\nalso.pH.expected = 7", "'sample.line.also.pH.expected'"),
            ('["clo2-ultralow"]', '["clo2-ultralov"]', "'sample.line.kinds'"),
            ('["clo2-ultralow"]', '"clo2-ultralow"', "'sample.line.kinds'"),
            ('["clo2-ultralow"]', '["clo2-ultralow"]\n[lots]\na = 3', "'lots.a'"),
            ('name = "Small"', 'name = "Small', "TOML"),
        ],
    )
    def test_an_error_names_the_field_and_the_file(self, tmp_path, old, new, field):
        assert old in SMALL
        with pytest.raises(SiteError) as caught:
            site_of(tmp_path, SMALL.replace(old, new))
        assert field in str(caught.value)
        assert str(tmp_path / "site.toml") in str(caught.value)

    @each("text", ["", "name = 'a'", "name = 'a'\nsample = 3", "name = 'a'\nsample.line = 3"])
    def test_a_file_without_sample_types_is_refused(self, tmp_path, text):
        with pytest.raises(SiteError, match="sample"):
            site_of(tmp_path, text)

    def test_bytes_that_are_no_text_are_refused(self, tmp_path):
        (tmp_path / "site.toml").write_bytes(b"\xff\xfe\x00\x80")
        with pytest.raises(SiteError, match=r"site\.toml"):
            load_site(tmp_path)


class TestResolve:
    def test_names_are_paths_from_the_folder_of_the_site_file(self, tmp_path):
        (tmp_path / "cards").mkdir()
        save_card(design_card(), tmp_path / "cards" / "bench.toml")
        (tmp_path / "own.toml").write_text(
            shipped_kind_text("clo2-wide").replace("clo2-wide", "own-wide"), encoding="utf-8"
        )
        text = SMALL + "[cards]\nbench = 'cards/bench.toml'\n[kinds]\nown-wide = 'own.toml'\n"
        site = site_of(tmp_path, text.replace('["clo2-ultralow"]', '["clo2-ultralow", "own-wide"]'))
        assert resolve_card("bench", site).name == design_card().name
        assert resolve_kind("own-wide", site).name == "own-wide"

    def test_shipped_kinds_need_no_site(self):
        assert resolve_kind("clo2-wide", None).name == "clo2-wide"

    def test_paths_work_with_and_without_a_site(self, tmp_path):
        save_card(design_card(), tmp_path / "a.toml")
        path = str(tmp_path / "a.toml")
        assert resolve_card(path, None).name == resolve_card(path, site_of(tmp_path, SMALL)).name

    @each("resolve", [resolve_lot, resolve_card, resolve_kind])
    def test_what_is_neither_name_nor_file_lists_the_known_names(self, tmp_path, resolve):
        text = SMALL + "[lots]\nknown = 'l.json'\n[cards]\nknown = 'c.toml'\n[kinds]\nknown = 'k.toml'\n"
        with pytest.raises(SiteError, match=r"known.*found 'knwon'"):
            resolve("knwon", site_of(tmp_path, text))
        with pytest.raises(SiteError, match="no site file"):
            resolve("knwon", None)

    @each("resolve", [resolve_lot, resolve_card, resolve_kind])
    def test_a_name_whose_file_is_gone_names_its_field(self, tmp_path, resolve):
        text = SMALL + "[lots]\nknown = 'l.json'\n[cards]\nknown = 'c.toml'\n[kinds]\nknown = 'k.toml'\n"
        with pytest.raises(SiteError, match=r"(lots|cards|kinds)\.known"):
            resolve("known", site_of(tmp_path, text))

    def test_a_lot_file_that_is_none_is_an_error_of_the_lot(self, tmp_path):
        (tmp_path / "l.json").write_text("{}", encoding="utf-8")
        with pytest.raises(LotFileError):
            resolve_lot("a", site_of(tmp_path, SMALL + "[lots]\na = 'l.json'\n"))

    def test_a_kind_of_another_name_than_the_site_says_is_refused(self, tmp_path):
        (tmp_path / "k.toml").write_text(shipped_kind_text("clo2-wide"), encoding="utf-8")
        with pytest.raises(SiteError, match=r"'my-strip'.*'clo2-wide'"):
            resolve_kind("my-strip", site_of(tmp_path, SMALL + "[kinds]\nmy-strip = 'k.toml'\n"))

    def test_a_broken_kind_file_is_an_error_of_the_kind(self, tmp_path):
        (tmp_path / "k.toml").write_text("name = 3", encoding="utf-8")
        with pytest.raises(KindFileError):
            resolve_kind(str(tmp_path / "k.toml"), None)


def test_a_sample_type_tells_of_which_batches_it_is_and_nothing_hangs_on_its_name(tmp_path):
    path = write_demo_site(tmp_path)
    whole = path.read_text(encoding="utf-8")
    assert load_site(tmp_path).sample_of_batch("top-up") == load_site(tmp_path).samples["stock"]
    path.write_text(whole.replace("[sample.stock]", '[sample.tank]\nbatch = "stock"'), encoding="utf-8")
    assert load_site(tmp_path).sample_of_batch("stock") == load_site(tmp_path).samples["tank"]
    path.write_text(whole.replace("[sample.stock]", "[sample.tank]"), encoding="utf-8")
    assert load_site(tmp_path).sample_of_batch("stock") is None
    path.write_text(whole.replace("[sample.stock]", '[sample.stock]\nbatch = "soup"'), encoding="utf-8")
    with pytest.raises(SiteError, match=r"sample\.stock\.batch"):
        load_site(tmp_path)
