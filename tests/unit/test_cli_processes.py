"""Batches: what is in memory while they are read, their order, and what becomes of them where a process dies."""

import os
import time
import weakref
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from stripread.cli import processes as cli_processes
from stripread.cli import read as cli_read
from stripread.cli.app import app
from stripread.cli.processes import in_order
from stripread.measure import card as measure

CALIBRATION = Path(__file__).parents[2] / "calibration"
LINE = CALIBRATION / "UL-2603"
PHOTOS = [LINE / f"level0{level}-strip{strip}-light1.jpg" for level in (1, 2, 3) for strip in (1, 2)]


def read(*more: object) -> Any:
    words = [
        "read",
        *PHOTOS,
        "--lot",
        LINE / "lot.json",
        "--sample",
        "line",
        "--card",
        CALIBRATION / "card-print-a.toml",
    ]
    return CliRunner().invoke(app, [str(word) for word in (*words, *more)])


def name_of(photo: Path) -> tuple[str, int]:
    return photo.name, os.getpid()


@pytest.mark.slow
@pytest.mark.parametrize("how", [(), ("--replicates",), ("--together",)], ids=["each", "replicates", "together"])
def test_a_batch_holds_the_pixels_of_one_photo_at_most(monkeypatch: pytest.MonkeyPatch, how: tuple[str, ...]) -> None:
    alive: list[weakref.ref[Any]] = []
    most = [0]
    decode, show = measure.decode_photo, cli_read._show

    def decoded(*args: Any, **kwargs: Any) -> Any:
        photo = decode(*args, **kwargs)
        alive.append(weakref.ref(photo.pixels))
        most[0] = max(most[0], sum(ref() is not None for ref in alive))
        return photo

    def shown(*args: Any) -> None:
        assert sum(ref() is not None for ref in alive) == 0
        show(*args)

    monkeypatch.setattr(measure, "decode_photo", decoded)
    monkeypatch.setattr(cli_read, "_show", shown)
    result = read("--jobs", "1", *how)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert len(alive) >= len(PHOTOS)
    assert most[0] == 1


def test_two_processes_say_what_one_says_in_the_same_order() -> None:
    def said(jobs: str) -> list[str]:
        return [line.partition('"timing_ms"')[0] for line in read("--json", "--jobs", jobs).stdout.splitlines()]

    assert said("2") == said("1")
    assert len(said("1")) == len(PHOTOS)


@pytest.mark.slow
def test_a_drawing_is_the_same_whichever_process_read_the_photo(tmp_path: Path) -> None:
    pictures = []
    for jobs in ("1", "2"):
        out = tmp_path / jobs
        out.mkdir()
        read("--overlay", out, "--jobs", jobs)
        pictures.append([cv2.imread(str(path)) for path in sorted(out.iterdir())])
    assert len(pictures[0]) == len(PHOTOS)
    for one, two in zip(*pictures, strict=True):
        np.testing.assert_array_equal(one, two)


def name_once_several_are_here(photo: Path) -> tuple[str, int]:
    """Wait for another process, however late the machine lets it begin."""
    if os.getpid() != TESTS:
        (photo.parent / f"{os.getpid()}.begun").touch()
        until = time.monotonic() + 180
        while len(list(photo.parent.glob("*.begun"))) < 2 and time.monotonic() < until:
            time.sleep(0.01)
    return name_of(photo)


def test_photos_come_in_their_order_from_several_processes(tmp_path: Path) -> None:
    photos = [tmp_path / f"{n}.jpg" for n in range(20)]
    answers = list(in_order(name_once_several_are_here, photos, jobs=3))
    assert [name for name, _ in answers] == [photo.name for photo in photos]
    assert len({process for _, process in answers} - {os.getpid()}) > 1


SHARED = [Path("what both have")]


def test_what_both_processes_have_is_not_sent() -> None:
    answers = list(in_order(pair_with_shared, [Path(f"{n}.jpg") for n in range(8)], jobs=2, shared=SHARED))
    assert [name for name, _, _ in answers] == [f"{n}.jpg" for n in range(8)]
    assert any(process != os.getpid() for _, process, _ in answers)
    assert all(own is SHARED[0] for _, _, own in answers)


def pair_with_shared(photo: Path) -> tuple[str, int, Path]:
    return photo.name, os.getpid(), SHARED[0]


def test_reading_runs_only_a_few_photos_ahead(tmp_path: Path) -> None:
    photos = [tmp_path / f"{n}.jpg" for n in range(30)]
    answers = in_order(touch, photos, jobs=2)
    for shown in range(1, 5):
        next(answers)
        time.sleep(0.2)
        begun = len(list(tmp_path.iterdir()))
        assert shown <= begun <= shown + 2 * cli_processes._AHEAD
    answers.close()


def touch(photo: Path) -> None:
    photo.touch()


def test_a_few_photos_are_read_without_further_processes() -> None:
    answers = list(in_order(name_of, [Path("a.jpg"), Path("b.jpg")], jobs=2))
    assert answers == [("a.jpg", os.getpid()), ("b.jpg", os.getpid())]


def test_where_a_process_dies_the_rest_is_read_all_the_same() -> None:
    photos = [Path(f"{n}.jpg") for n in range(8)]
    answers = list(in_order(name_or_die, photos, jobs=2))
    assert [name for name, _ in answers] == [photo.name for photo in photos]


TESTS = os.getpid()


def name_or_die(photo: Path) -> tuple[str, int]:
    if photo.name == "5.jpg" and os.getpid() != TESTS:
        os._exit(9)
    return name_of(photo)


def test_opencv_has_its_threads_again_after_a_batch() -> None:
    before = cv2.getNumThreads()
    list(in_order(name_of, [Path(f"{n}.jpg") for n in range(6)], jobs=2))
    assert cv2.getNumThreads() == before
