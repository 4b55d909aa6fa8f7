"""What came of a study is found however many steps of another one were entered since."""

from stripread.records import Draft, open_records, study_standing
from tests.unit.made_records import made_stamp


def test_a_verdict_is_not_forgotten_after_the_steps_of_another_study(tmp_path):
    said = {"event": "reported", "study": "a", "lot_sha256": "f", "outcome": "fail", "on": "2026-05-04", "proven": []}
    with open_records(tmp_path, create=True) as records:
        records.append([Draft(kind="study", payload=said, subject="UL-1")], made_stamp())
        steps = [Draft(kind="study", payload={"event": "photo", "study": "b", "log": str(n)}, subject="UL-1")
                 for n in range(450)]  # fmt: skip
        records.append(steps, made_stamp())
        assert study_standing(records, "UL-1", "f").outcome == "fail"
