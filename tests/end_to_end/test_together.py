"""Several photos combined into one reading; the sample photos' truths are in the files beside them."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from stripread.cli.app import app
from stripread.colour import residual_correlation

ROOT = Path(__file__).parents[2]


def together(*names: str, more: Sequence[str] = ()) -> tuple[int, list[dict[str, Any]]]:
    photos = [str(ROOT / "sample_images" / f"{name}.jpg") for name in names]
    done = CliRunner().invoke(
        app, ["read", *photos, "--sample", "line", "--lot", "UL-2603", "--site", str(ROOT / "calibration"),
              "--together", "--json", "--budget", *more],
    )  # fmt: skip
    return done.exit_code, [json.loads(line) for line in done.stdout.splitlines()]


@pytest.fixture(scope="module")
def three() -> list[dict[str, Any]]:
    return together("line-good", "line-soft", "line-turned")[1]


def test_the_mean_is_better_known_than_each_photo_and_lies_among_them(three):
    *single, mean = three
    assert len(mean["together"]) == 3
    assert mean["standard_uncertainty"] < min(s["standard_uncertainty"] for s in single)
    assert min(s["value"] for s in single) < mean["value"] < max(s["value"] for s in single)


def test_parts_that_photos_share_do_not_average_out(three):
    *single, mean = three
    relative = {
        cause: mean["budget"][cause]
        / mean["value"]
        / np.sqrt(np.mean([(s["budget"][cause] / s["value"]) ** 2 for s in single]))
        for cause in ("pixels", "rounding", "strip_to_strip", "curve")
    }
    assert relative["curve"] > 0.9
    assert relative["strip_to_strip"] < 0.75
    assert relative["pixels"] < 0.9
    assert relative["rounding"] < 0.9


def test_photos_of_one_strip_keep_its_scatter(three):
    one = together("line-good", "line-soft", "line-turned", more=["--one-strip"])[1][-1]
    assert one["budget"]["strip_to_strip"] > 1.5 * three[-1]["budget"]["strip_to_strip"]


def test_a_photo_that_disagrees_with_the_others_is_named_and_left_out():
    code, lines = together("line-good", "line-soft", "line-low")
    mean = lines[-1]
    (finding,) = [f for f in mean["findings"] if f["code"] == "photo_left_out"]
    assert finding["message"].startswith("line-low.jpg reads 0.1")
    assert mean["photo"] == "line-good.jpg + line-soft.jpg"
    assert mean["interval"][0] <= 0.35 <= mean["interval"][1]
    assert code == 3


def test_two_photos_that_disagree_give_no_number():
    code, lines = together("line-good", "line-low")
    assert lines[-1]["value"] is None
    assert lines[-1]["interval"] is None
    assert "together_disagree" in [f["code"] for f in lines[-1]["findings"]]
    assert code == 3


def test_a_single_photo_is_no_two():
    code, lines = together("line-good")
    assert lines[-1]["error"]["code"] == "together"
    assert code == 1


def test_a_photo_that_cannot_be_read_is_told_and_the_others_are_combined():
    code, lines = together("line-good", "line-soft", "no-strip")
    assert "error" in lines[2]
    assert lines[-1]["photo"] == "line-good.jpg + line-soft.jpg"
    assert code == 1


def test_lights_that_err_alike_are_correlated_and_others_are_not():
    random = np.random.default_rng(1)
    lab = np.column_stack([random.uniform(30, 90, 80), random.uniform(-40, 40, (80, 2))])
    one = np.column_stack([lab[:, 1] / 40, lab[:, 2] / 30, lab[:, 1] / 60])
    other = np.column_stack([lab[:, 2] / 50, -lab[:, 1] / 40, lab[:, 2] / 25])
    here = np.array([60.0, 10.0, 10.0])
    assert residual_correlation(here, lab, one, 2 * one) == pytest.approx(1)
    assert residual_correlation(here, lab, one, -one) == 0
    assert residual_correlation(here, lab, one, other) < 0.5
