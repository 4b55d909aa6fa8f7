"""Adding a name to the site file leaves the rest of it as it is."""

import tomllib

import pytest

from stripread.errors import SiteError
from stripread.site import add_name, load_site, write_demo_site
from tests.listed import each
from tests.unit.test_site import SMALL


def added(tmp_path, text, table="lots", name="UL-9", file="lots/UL-9/lot.json"):
    (tmp_path / "site.toml").write_bytes(text.encode("utf-8"))
    add_name(tmp_path, table, name, file)
    return (tmp_path / "site.toml").read_bytes().decode("utf-8")


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (
            SMALL + '[lots]\na = "a.json"  # mine\n\n# cards\n[cards]\n',
            '[lots]\na = "a.json"  # mine\nNEW\n\n# cards\n[cards]\n',
        ),
        (SMALL + "[ lots ] # none yet", "[ lots ] # none yet\nNEW\n"),
        (SMALL, "\n[lots]\nNEW\n"),
        (SMALL.replace("\n", "\r\n") + "[lots]\r\n", "[lots]\r\nNEW\r\n"),
    ],
)
def test_a_line_is_added_and_nothing_else_changed(tmp_path, before, after):
    text = added(tmp_path, before)
    assert text.endswith(after.replace("NEW", 'UL-9 = "lots/UL-9/lot.json"'))
    assert text.replace('UL-9 = "lots/UL-9/lot.json"', "").split() == [
        *before.split(),
        *(["[lots]"] if "lots" not in before else []),
    ]
    assert load_site(tmp_path).lots["UL-9"] == tmp_path / "lots/UL-9/lot.json"
    assert not list(tmp_path.glob(".unfinished*"))


def test_the_demo_site_takes_names_in_each_table(tmp_path):
    path = write_demo_site(tmp_path)
    before = path.read_text(encoding="utf-8")
    for table in ("lots", "cards"):
        add_name(tmp_path, table, 'a "b"', "x.toml")
    after = path.read_text(encoding="utf-8")
    assert [line for line in after.splitlines() if line not in before.splitlines()] == ['"a \\"b\\"" = "x.toml"'] * 2
    assert tomllib.loads(after)["cards"]['a "b"'] == "x.toml"


def test_a_name_that_is_there_is_refused_and_the_file_left_alone(tmp_path):
    text = SMALL + '[lots]\n"UL-9" = "mine.json"\n'
    with pytest.raises(SiteError, match="which is there"):
        added(tmp_path, text)
    assert (tmp_path / "site.toml").read_text(encoding="utf-8") == text


@each(
    "text",
    [
        'lots = { a = "a.json" }\n' + SMALL,
        'lots.a = "a.json"\n' + SMALL,
        "note = '''\n[lots]\n'''\n" + SMALL + '[lots]\na = "a.json"\n',
    ],
)
def test_a_table_may_be_written_in_any_way_that_toml_knows(tmp_path, text):
    after = tomllib.loads(added(tmp_path, text))
    before = tomllib.loads(text)
    assert after == {**before, "lots": {"a": "a.json", "UL-9": "lots/UL-9/lot.json"}}


def test_a_file_is_left_alone_where_the_name_would_not_be_read_back(tmp_path, monkeypatch):
    monkeypatch.setattr("tomlkit.dumps", lambda document: SMALL)
    with pytest.raises(SiteError, match="by hand"):
        added(tmp_path, SMALL + "# mine\n")
    assert (tmp_path / "site.toml").read_text(encoding="utf-8") == SMALL + "# mine\n"


def test_mode_mark_and_link_stay(tmp_path):
    real = tmp_path / "real.toml"
    real.write_bytes(b"\xef\xbb\xbf" + SMALL.encode())
    real.chmod(0o640)
    (tmp_path / "site.toml").symlink_to(real)
    add_name(tmp_path, "cards", "c", "cards/c.toml")
    assert (tmp_path / "site.toml").is_symlink()
    assert real.read_bytes().startswith(b"\xef\xbb\xbf\nname")
    assert real.stat().st_mode & 0o777 == 0o640
