"""Words inside the figures of the page: in the reader's language, every one of them."""

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from stripread.i18n import Reader
from stripread.lot import CheckRow, load_lot
from stripread.report import control_chart, new_figure, plot_pad
from stripread.report.pictures.trend import short_dates
from stripread.web.calibration.lot_facts import pad_facts
from tests.listed import each

FOLDER = Path(__file__).parents[2] / "calibration"
SPANISH = Reader(language="es")
ENGLISH = re.compile(
    r"\b(curve|above|range|path|plane|lightness|read|assigned|residuals?|mark|photo|left|out|counts?)\b"
)


def words_of(figure) -> list[str]:
    ax = figure.axes[0]
    legend = [text.get_text() for text in ax.get_legend().get_texts()] if ax.get_legend() else []
    return [ax.get_title(), ax.get_xlabel(), ax.get_ylabel(), *legend]


@each("lot", ["WR-2601"])
def test_curve_lightness_and_residuals_are_labelled_in_spanish(lot):
    for pad in load_lot(FOLDER / lot / "lot.json").pads:
        figures = [new_figure(4, 4) for _ in range(3)]
        plot_pad(pad, *(figure.subplots() for figure in figures), say=SPANISH.show)
        said = [text for figure in figures for text in words_of(figure)]
        assert "curva" in said
        assert "luminosidad" in said
        assert f"leído menos asignado [{pad.unit}]" in said
        assert [text for text in said if ENGLISH.search(text)] == []


def test_the_control_chart_says_all_its_words():
    said: list[object] = []

    def say(text: object) -> str:
        said.append(text)
        return SPANISH.show(text)

    lot = load_lot(FOLDER / "UL-2603" / "lot.json")
    row = CheckRow(
        when=datetime(2026, 4, 2, tzinfo=UTC), photo="a.jpg", photo_sha256="0" * 64, lot_sha256=lot.sha256,
        pad=lot.pads[0].pad, known=0.35, u_known=0.01, value=0.36, u=0.02, low=0.32, high=0.4, e_n=0.2, findings=(),
    )  # fmt: skip
    control_chart([row], lot.pads[0], say=say)
    assert len(said) == 5
    assert [text for text in said if SPANISH.show(text) == str(text)] == []


def test_dates_on_the_axis_have_the_months_of_the_language():
    ax = new_figure(4, 3).subplots()
    ax.plot([datetime(2026, 4, 2, tzinfo=UTC), datetime(2026, 4, 28, tzinfo=UTC)], [1, 2])
    short_dates(ax, SPANISH.show)
    labels = ax.xaxis.get_major_formatter().format_ticks(ax.get_xticks())
    assert all(re.fullmatch(r"\d\d (mar|abr|may)", label) for label in labels)


@pytest.mark.slow
def test_figures_are_remembered_by_their_language():
    lot = load_lot(FOLDER / "UL-2603" / "lot.json")
    pad = lot.pads[0]
    english, spanish = (pad_facts(lot, pad, language)["figures"] for language in ("en", "es"))
    assert all(one != other for one, other in zip(english, spanish, strict=True))
    assert pad_facts(lot, pad, "es")["figures"] is spanish
