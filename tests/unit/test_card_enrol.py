import hashlib
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from stripread.card import design_card, enrol_card, load_card, save_card
from stripread.errors import MeasurementFileError
from tests.listed import each

CARD = design_card()
IDS = [p.id for p in CARD.patches]
WHITE_ROW = IDS.index("A3")


def printed(seed: int = 1) -> np.ndarray:
    """What a printer makes of the design: paper of L* 94, weaker colours, a blue cast and scatter."""
    lab = CARD.patch_lab * [0.94, 0.9, 0.9] + [0.0, 0.5, -2.0]
    return (lab + np.random.default_rng(seed).normal(0, 1.0, lab.shape)).round(2)


def csv(lab: np.ndarray, ids: list[str] = IDS) -> str:
    return "patch,L,a,b\n" + "".join(f"{i},{v[0]:.2f},{v[1]:.2f},{v[2]:.2f}\n" for i, v in zip(ids, lab, strict=True))


def cgats(lab: np.ndarray, names: str = "SAMPLE_ID SAMPLE_NAME") -> str:
    labels = [f'{k} "{i}"' if " " in names else i for k, i in enumerate(IDS, 1)]
    rows = "".join(f"{n}\t{v[0]:.2f}\t{v[1]:.2f}\t{v[2]:.2f}\n" for n, v in zip(labels, lab, strict=True))
    return (
        f"CGATS.17\nBEGIN_DATA_FORMAT\n{names} LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\n"
        f"NUMBER_OF_SETS {len(lab)}\nBEGIN_DATA\n{rows}END_DATA\n"
    )


def enrol(tmp_path: Path, text: str | bytes, **more):
    path = tmp_path / "measured.txt"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return enrol_card(CARD, path, **{"name": "print 7", "measured_on": "2024-05-06", **more})


@each(
    "text",
    [
        csv(printed()),
        csv(printed()).replace("patch,L,a,b", "Patch, L*, A*, B*"),
        csv(printed()).replace(",", ";"),
        csv(printed()).replace(",", ";").replace(".", ","),
        csv(printed()).replace(",", "\t"),
        csv(printed()).lower(),
        "\ufeff" + csv(printed()).replace("\n", "\r\n"),
        re.sub(r"^([^,]*),(.*)$", r"\2,\1,\2", csv(printed()).replace("L,a,b", "L,a,b"), flags=re.MULTILINE).replace(
            "L,a,b,patch,L,a,b", "L,a,b,patch,x,y,z"
        ),
        cgats(printed()),
        cgats(printed(), "SAMPLE_ID"),
        cgats(printed(), "SAMPLE_NAME"),
    ],
)
def test_measured_colours_take_the_place_of_the_design(tmp_path, text):
    card = enrol(tmp_path, text)
    assert (card.patch_lab == printed()).all()
    assert [(p.id, p.rect, p.role) for p in card.patches] == [(p.id, p.rect, p.role) for p in CARD.patches]
    assert card.name == "print 7"


def test_rows_may_come_in_any_order(tmp_path):
    order = np.random.default_rng(2).permutation(len(IDS))
    card = enrol(tmp_path, csv(printed()[order], [IDS[i] for i in order]))
    assert (card.patch_lab == printed()).all()


def test_enrolment_says_where_the_colours_come_from_and_survives_saving(tmp_path):
    text = csv(printed())
    card = enrol(tmp_path, text, u_lab=0.25)
    assert card.enrolment.source == "measured.txt"
    assert card.enrolment.source_sha256 == hashlib.sha256(text.encode()).hexdigest()
    assert card.enrolment.measured_on == "2024-05-06"
    assert card.enrolment.u_lab == 0.25
    save_card(card, tmp_path / "print.toml")
    loaded = load_card(tmp_path / "print.toml")
    assert loaded.enrolment == card.enrolment
    assert loaded.patches == card.patches


def test_repeats_are_averaged_and_their_scatter_counts(tmp_path):
    rng = np.random.default_rng(3)
    repeats = printed() + rng.normal(0, 0.5, (4, *printed().shape))
    lab = repeats.reshape(-1, 3).round(2)
    card = enrol(tmp_path, csv(lab, IDS * 4), u_lab=0.3)
    assert card.patch_lab == pytest.approx(lab.reshape(repeats.shape).mean(axis=0))
    # 1188 degrees of freedom: the pooled s is known to 2 %
    assert card.enrolment.u_lab == pytest.approx(math.hypot(0.3, 0.5 / 2), rel=0.03)


def test_two_repeats_leave_the_stated_uncertainty(tmp_path):
    assert enrol(tmp_path, csv(printed()) + f"A4,{','.join(map(str, printed()[1]))}\n").enrolment.u_lab == 0.3


def test_fewest_repeats_decide_on_the_uncertainty(tmp_path):
    white = printed()[WHITE_ROW]
    more = "".join(f"A3,{white[0] + d:.2f},{white[1]:.2f},{white[2]:.2f}\n" for d in (-0.6, 0.6))
    # squares 0.72 over 6 degrees of freedom; every other patch was measured once
    assert enrol(tmp_path, csv(printed()) + more).enrolment.u_lab == pytest.approx(math.hypot(0.3, math.sqrt(0.12)))


def test_missing_and_unknown_patches_are_named(tmp_path):
    text = csv(printed()).replace("\nC5,", "\nI5,")
    with pytest.raises(MeasurementFileError, match=r"missing C5; unknown I5 \(line \d+\)"):
        enrol(tmp_path, text)
    with pytest.raises(MeasurementFileError, match=r"missing A3, A4, .* and 119 more"):
        enrol(tmp_path, csv(printed()[129:], IDS[129:]))


def test_duplicates_that_disagree_are_named_with_their_lines(tmp_path):
    text = csv(printed()).replace("\nA4,", "\nA5,")
    with pytest.raises(MeasurementFileError, match="missing A4"):
        enrol(tmp_path, text)
    other = ",".join(f"{v:.2f}" for v in printed()[2])
    with pytest.raises(MeasurementFileError, match=r"A4 \(lines 3, 134\)"):
        enrol(tmp_path, csv(printed()) + f"A4,{other}\n")


@each(
    ("order", "says"),
    [
        (np.arange(132)[::-1], "turned by half a turn"),
        (np.roll(np.arange(132), 1), "1 earlier"),
        (np.roll(np.arange(132), -5), "5 later"),
        (np.concatenate([np.arange(60), np.arange(61, 132), [60]]), "1 later"),
        (np.random.default_rng(4).permutation(132), "in other places"),
    ],
)
def test_measurements_in_another_order_are_refused(tmp_path, order, says):
    with pytest.raises(MeasurementFileError, match=says):
        enrol(tmp_path, csv(printed()[order]))


def test_a_row_left_out_near_the_end_is_noticed(tmp_path):
    order = np.concatenate([np.arange(110), np.arange(111, 132), [110]])
    with pytest.raises(MeasurementFileError, match="1 later in the list"):
        enrol(tmp_path, csv(printed()[order]))


def test_two_patches_that_changed_places_are_named(tmp_path):
    i, j = IDS.index("B3"), IDS.index("B8")
    lab = printed()
    lab[[i, j]] = lab[[j, i]]
    with pytest.raises(MeasurementFileError, match=r"2 of 132 .*B3 looks like B8, B8 looks like B3"):
        enrol(tmp_path, csv(lab))


@each("seed", range(10))
def test_poor_but_honest_prints_are_enrolled(tmp_path, seed):
    """Dot gain, cast, weak colours and scatter of several units, worse than office printers: no reason to refuse."""
    rng = np.random.default_rng(seed)
    lab = CARD.patch_lab.copy()
    lab[:, 0] = 16 + (93 - 16) * (lab[:, 0] / 100) ** rng.uniform(1.0, 1.3)
    lab[:, 1:] = lab[:, 1:] * rng.uniform(0.7, 1.1, 2) + rng.normal(0, 2, 2) + rng.normal(0, 2.5, (132, 2))
    card = enrol(tmp_path, csv(lab))
    assert card.patch_lab == pytest.approx(lab, abs=0.0051)


def test_colours_far_from_the_design_are_refused(tmp_path):
    lab = CARD.patch_lab + np.array([0, 60, 60])
    with pytest.raises(MeasurementFileError, match=r"half of the patches more than \d+"):
        enrol(tmp_path, csv(lab))


def test_dark_white_is_refused(tmp_path):
    lab = printed()
    lab[:, 0] = 20 + 0.54 * CARD.patch_lab[:, 0]  # grey paper: white of 74
    with pytest.raises(MeasurementFileError, match=r"L\* 74\.0"):
        enrol(tmp_path, csv(lab))


@each(
    ("text", "says"),
    [
        ("", "no rows"),
        ("patch,L,a,b\n", "no rows"),
        ("patch,L,a\nA3,1,2\n", "columns patch, L, a, b"),
        ("patch,L,a,b,b\nA3,1,2,3,4\n", "once"),
        ("patch,L,a,b\nA3,1,2\n", "line 2"),
        ("\n\npatch,L,a,b\nA3,1,2,x\n", "line 4, column b"),
        ("patch;L;a;b\nA3;1,5;2.5;3\n", "one decimal sign"),
        ("patch,L,a,b\nA3,120,2,3\n", "line 2"),
        ("patch,L,a,b\nA3,50,2,-300\n", "line 2"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "columns"),
    ],
)
def test_broken_files_are_refused(tmp_path, text, says):
    with pytest.raises(MeasurementFileError, match=re.escape(says)):
        enrol(tmp_path, text)


@each("more", [{"measured_on": "6 May"}, {"name": " "}, {"u_lab": 0.0}, {"u_lab": -1.0}, {"u_lab": math.nan}])
def test_wrong_arguments_are_refused(tmp_path, more):
    with pytest.raises(MeasurementFileError):
        enrol(tmp_path, csv(printed()), **more)


def test_missing_and_huge_files_are_refused(tmp_path):
    with pytest.raises(MeasurementFileError, match="none"):
        enrol_card(CARD, tmp_path / "none.csv", name="x", measured_on="2024-05-06")
    with pytest.raises(MeasurementFileError, match="at most"):
        enrol(tmp_path, b"0" * 10_000_001)


def test_upper_and_lower_case_may_tell_patches_apart(tmp_path):
    ids = dict(zip(IDS, ["b3" if i == "A4" else i for i in IDS], strict=True))
    card = replace(CARD, patches=tuple(replace(p, id=ids[p.id]) for p in CARD.patches))
    path = tmp_path / "m.csv"
    path.write_text(csv(printed(), list(ids.values())), encoding="utf-8")
    assert (enrol_card(card, path, name="x", measured_on="2024-05-06").patch_lab == printed()).all()
