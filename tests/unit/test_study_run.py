"""The log of a study: eye before photos, stopped and gone on with, nothing changed afterwards, truth opened last."""

import dataclasses
import json
from datetime import datetime, timedelta

import pytest

from stripread.errors import StudyError
from stripread.study import Event, PhotoResult, append_event, begin_study, find_study, open_study
from tests.unit.test_study_design import PLAN, TRUTH

AT = datetime.fromisoformat("2026-05-11T12:00:00+02:00")
RESULT = PhotoResult(estimate=0.7, u=0.05, low=0.6, high=0.8, stated=(0.6, 0.8), detected=True, camera="A")


@pytest.fixture
def folder(tmp_path):
    return begin_study(tmp_path, PLAN, TRUTH)


def event(kind, code=None, **facts) -> Event:
    who = facts.pop("who", "Ada")
    at = facts.pop("at", AT)
    return Event(kind=kind, at=at.isoformat(), who=who, code=code, **facts)


def photo(code, number, **facts) -> Event:
    sha256 = facts.pop("sha256", f"{code}-{number}")
    return event("photo", code, number=number, sha256=sha256, file="x.jpg", result=RESULT, **facts)


def enter(folder, *events):
    state = folder.state()
    for one in events:
        state = append_event(folder.run_file, state, one)
    return state


def strip_done(code):
    yield event("dipped", code)
    for who in ("Ada", "Ben"):
        yield event("eye", code, who=who, value=0.5)
    yield from (photo(code, number) for number in (1, 2, 3, 4))


def assays(*values):
    for hours, (which, value) in enumerate(zip(("start", "middle", "end"), values, strict=True)):
        yield event("assay", which=which, value=value, u=1.0, at=AT + timedelta(hours=hours))


def test_strips_come_in_their_order_until_all_are_done(folder):
    state = folder.state()
    assert state.next_strip == PLAN.strips[0]
    state = enter(folder, *strip_done(PLAN.strips[0].code))
    assert (state.done, state.next_strip) == (1, PLAN.strips[1])


def test_a_photo_waits_for_the_dip_and_for_both_to_have_read_by_eye(folder):
    code = PLAN.strips[0].code
    with pytest.raises(StudyError, match="dipped first"):
        enter(folder, photo(code, 1))
    state = enter(folder, event("dipped", code), event("eye", code, value=0.5))
    with pytest.raises(StudyError, match="nothing from Ben"):
        append_event(folder.run_file, state, photo(code, 1))
    assert len(folder.state().events) == 2


def test_it_is_gone_on_with_where_it_stopped(folder):
    before = enter(folder, *strip_done(PLAN.strips[0].code), event("dipped", PLAN.strips[1].code))
    after = find_study(folder.path.parents[1], "may").state()
    assert after == before
    assert after.next_strip == PLAN.strips[1]


def test_a_line_that_was_changed_is_noticed(folder):
    enter(folder, *strip_done(PLAN.strips[0].code))
    lines = folder.run_file.read_text(encoding="utf-8").splitlines()
    lines[1] = lines[1].replace("0.5", "0.7")
    folder.run_file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(StudyError, match="line 3"):
        folder.state()


def test_a_line_that_was_taken_out_is_noticed(folder):
    enter(folder, *strip_done(PLAN.strips[0].code))
    lines = folder.run_file.read_text(encoding="utf-8").splitlines()
    folder.run_file.write_text("\n".join(lines[:1] + lines[2:]) + "\n", encoding="utf-8")
    with pytest.raises(StudyError, match="line 2"):
        folder.state()


def test_half_a_line_is_noticed(folder):
    enter(folder, *strip_done(PLAN.strips[0].code))
    folder.run_file.write_bytes(folder.run_file.read_bytes()[:-30])
    with pytest.raises(StudyError, match="as it was written"):
        folder.state()


def test_one_photo_is_not_two(folder):
    code = PLAN.strips[0].code
    state = enter(folder, *list(strip_done(code))[:4])
    with pytest.raises(StudyError, match="has already"):
        append_event(folder.run_file, state, photo(code, 2, sha256=f"{code}-1"))


def test_what_is_not_planned_is_refused(folder):
    state = folder.state()
    for wrong in (
        event("dipped", "???"),
        event("eye", PLAN.strips[0].code, who="Cy", value=1.0),
        event("eye", PLAN.strips[0].code, value=-1.0),
        event("assay", which="later", value=1.0, u=0.1),
        event("assay", which="start", value=1.0, u=0.0),
        event("skipped", PLAN.strips[0].code),
        dataclasses.replace(event("dipped", PLAN.strips[0].code), at="2026-05-11T12:00:00"),
    ):
        with pytest.raises(StudyError):
            state.check(wrong)


def test_a_photo_or_a_strip_may_be_given_up(folder):
    first, second = PLAN.strips[0].code, PLAN.strips[1].code
    done = [e for e in strip_done(first) if e.number != 3]
    state = enter(folder, *done, event("skipped", first, number=3, why="the phone fell"))
    assert state.is_done(PLAN.strips[0])
    state = enter(folder, event("skipped", second, why="dropped"))
    assert state.is_done(PLAN.strips[1])


def test_the_truth_stays_sealed_until_all_is_done(folder):
    state = enter(folder, *strip_done(PLAN.strips[0].code), *assays(100.0, 99.0, 98.0))
    with pytest.raises(StudyError, match="1 of 39 strips done"):
        open_study(state, TRUTH)


def test_opened_each_strip_has_its_truth_by_the_assays(folder):
    codes = [strip.code for strip in PLAN.strips]
    state = enter(
        folder,
        *(e for code in codes[:5] for e in strip_done(code)),
        *(event("skipped", code, why="enough") for code in codes[5:]),
        *assays(100.0, 90.0, 81.0),
    )
    opened = open_study(state, TRUTH)
    assert len(opened.table.photos) == 20
    assert len(opened.skipped) == 34
    for row in opened.table.photos:
        solution = next(one for one in TRUTH.solutions if one.name == row.strength)
        # All were dipped at the first assay: 100 there, losing a tenth an hour.
        assert row.truth == pytest.approx(solution.share * 100, rel=0.01)
        assert row.strength == TRUTH.strength_of[row.code]
    assert opened.loss.half_life.value == pytest.approx(6.58, rel=0.15)  # ln 2 / -ln 0.9


def test_nothing_that_is_shown_on_the_way_tells_a_value(folder):
    """The log itself holds it; what the command prints of a run does not."""
    from stripread.cli.study import run_text

    state = enter(folder, *strip_done(PLAN.strips[0].code))
    assert "0.7" in folder.run_file.read_text(encoding="utf-8")
    assert "0.7" not in run_text(state)
    assert json.loads(folder.run_file.read_text(encoding="utf-8").splitlines()[-1])["result"]["estimate"] == 0.7


def test_photos_outside_of_the_window_are_named_and_stay(folder):
    code, *others = [strip.code for strip in PLAN.strips]

    def taken(number, seconds):
        at = (AT + timedelta(seconds=30 + seconds)).replace(tzinfo=None).isoformat()  # as phones write it
        result = dataclasses.replace(RESULT, taken_at=at)
        return dataclasses.replace(photo(code, number), result=result)

    state = enter(
        folder,
        event("dipped", code, at=AT + timedelta(seconds=30)),
        *(event("eye", code, who=who, value=0.5) for who in ("Ada", "Ben")),
        *(taken(number, seconds) for number, seconds in ((1, 12), (2, 64), (3, 66), (4, 2))),
        *(event("skipped", one, why="enough") for one in others),
        *assays(100.0, 100.0, 100.0),
    )
    opened = open_study(state, TRUTH)
    assert opened.late == {f"{code}-3": 66.0, f"{code}-4": 2.0}  # 10 to 60 s, and 5 s for the clocks
    assert len(opened.table.photos) == 4


def test_a_dip_that_was_noted_to_the_minute_may_have_been_at_any_of_its_seconds(folder):
    code, *others = [strip.code for strip in PLAN.strips]
    at = (AT + timedelta(seconds=110)).isoformat()
    late = dataclasses.replace(photo(code, 1), result=dataclasses.replace(RESULT, taken_at=at))
    state = enter(
        folder,
        event("dipped", code),
        *(event("eye", code, who=who, value=0.5) for who in ("Ada", "Ben")),
        late,
        *(event("skipped", code, number=number, why="enough") for number in (2, 3, 4)),
        *(event("skipped", one, why="enough") for one in others),
        *assays(100.0, 100.0, 100.0),
    )
    assert open_study(state, TRUTH).late == {}


def finished(folder):
    codes = [strip.code for strip in PLAN.strips]
    return enter(
        folder,
        *(e for code in codes[:2] for e in strip_done(code)),
        *(event("skipped", code, why="enough") for code in codes[2:]),
        *assays(100.0, 99.0, 98.0),
    )


def test_once_the_truth_was_opened_nothing_more_is_entered(folder):
    state = finished(folder)
    state = append_event(folder.run_file, state, event("opened"))
    assert folder.state().is_opened
    for late in (event("skipped", PLAN.strips[0].code, why="odd"), *list(assays(100.0, 99.0, 98.0))[:1]):
        with pytest.raises(StudyError, match="was opened"):
            append_event(folder.run_file, state, late)


def test_a_strip_that_the_program_has_read_is_not_undone(folder):
    code = PLAN.strips[0].code
    state = enter(folder, *strip_done(code))
    for late in (
        event("skipped", code, why="odd"),
        event("skipped", code, number=2, why="odd"),
        event("dipped", code),
        event("eye", code, who="Ada", value=0.1),
    ):
        with pytest.raises(StudyError, match="after the program has read"):
            append_event(folder.run_file, state, late)


def test_a_refused_photo_does_not_take_the_place_of_one_that_was_read(folder):
    code = PLAN.strips[0].code
    state = finished(folder)
    refused = event("refused", code, number=1, sha256="another", file="y.jpg", why="blurred")
    opened = open_study(append_event(folder.run_file, state, refused), TRUTH)
    (row,) = [row for row in opened.table.photos if (row.code, row.number) == (code, 1)]
    assert row.estimate == RESULT.estimate


def test_the_second_of_two_writers_is_refused_and_the_log_stays_whole(folder):
    code = PLAN.strips[0].code
    first, second = folder.state(), folder.state()
    append_event(folder.run_file, first, event("dipped", code))
    with pytest.raises(StudyError, match="somebody else"):
        append_event(folder.run_file, second, event("dipped", PLAN.strips[1].code))
    assert [e.code for e in folder.state().events] == [code]


@pytest.mark.parametrize("value", [float("inf"), float("nan")])
def test_no_number_is_infinite(folder, value):
    code = PLAN.strips[0].code
    state = enter(folder, event("dipped", code))
    for wrong in (event("eye", code, value=value), event("assay", which="start", value=value, u=1.0)):
        with pytest.raises(StudyError):
            state.check(wrong)


def test_no_study_is_named_as_what_its_folder_or_the_page_needs(tmp_path):
    for name in ("plan", "new", "sealed"):
        with pytest.raises(StudyError, match="another name"):
            begin_study(tmp_path, dataclasses.replace(PLAN, id=name), TRUTH)


def test_a_truth_is_never_written_over_nor_by_its_own_sheet(tmp_path):
    there = tmp_path / "truth.json"
    begin_study(tmp_path, PLAN, TRUTH, truth_file=there)
    for taken in (there, tmp_path / "truth.html"):
        with pytest.raises(StudyError, match="never written over"):
            begin_study(tmp_path, dataclasses.replace(PLAN, id="other"), TRUTH, truth_file=taken)
