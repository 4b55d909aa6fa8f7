"""What a worker makes of a job, without the queue about it. Photos are simulated samples."""

from datetime import datetime, timedelta, timezone

import pytest

from stripread.records import Batch, Stamp, open_records
from stripread.units import kept_shown
from stripread.web.queue.inbox import Inbox, Job
from stripread.web.queue.jobs import answer_job
from stripread.workflow import judge, second_strip
from tests.web.conftest import ROOT, SAMPLE

ZONE = timezone(timedelta(hours=2))
TAKEN = datetime(2026, 4, 14, 8, 5, tzinfo=ZONE)  # of the first sample photo; the others are of minutes later
STOCK = ROOT / "sample_images" / "stock-good.jpg"


def without_exif(photo: bytes) -> bytes:
    """A photo as after an app that takes out what the camera noted."""
    kept, at = photo[:2], 2
    while photo[at + 1] != 0xDA:  # the picture itself begins
        length = 2 + int.from_bytes(photo[at + 2 : at + 4], "big")
        kept += b"" if photo[at + 1] == 0xE1 else photo[at : at + length]
        at += length
    return kept + photo[at:]


def answer(site, data, *, number=1, at=TAKEN, flash=None, **said):
    said = {"point": "bench 1", "sample": "line", "lot": "UL-2603", **said}
    inbox = Inbox(site)
    job = Job(id=f"{number:032x}", who="Ines", at=at.isoformat(), name="x", flash=flash is not None, **said)
    inbox.accept(job, data, flash)
    answer_job(str(site), job.id)
    return inbox.answered(job.id)


def codes(answered):
    return {finding["code"] for finding in answered["findings"]}


def how(site, entry):
    with open_records(site) as records:
        return records.entry(entry).payload["how"]


@pytest.mark.parametrize("photo", [SAMPLE.read_bytes(), without_exif(SAMPLE.read_bytes())], ids=["exif", "bare"])
def test_a_strip_that_waited_too_long_is_doubted_whether_or_not_the_photo_has_a_time(site, photo):
    late = answer(site, photo, waited_s=900.0)
    assert "outside_read_window" in codes(late)
    assert late["validity"] == "doubtful"
    assert how(site, late["entry"])["waited_s"] == 900.0


def test_a_measured_wait_leaves_no_window_unknown(site):
    good = answer(site, without_exif(SAMPLE.read_bytes()), waited_s=20.0)
    assert not codes(good) & {"outside_read_window", "read_window_unknown"}
    assert good["validity"] == "valid"


@pytest.mark.parametrize(
    ("came", "batch"),
    [
        (timedelta(minutes=1), "S-1"),
        (timedelta(hours=6), "S-1"),
        (timedelta(days=-3), None),
        (timedelta(days=9), "S-2"),
    ],
    ids=["at once", "late", "clock ahead", "clock behind"],
)
def test_a_photo_that_is_sent_late_is_of_the_batch_of_its_own_time(site, came, batch):
    """A phone without network keeps photos for hours, while the next batch is made."""
    taken = datetime(2026, 4, 14, 8, 5, tzinfo=ZONE)
    with open_records(site) as records:
        for name, hours in (("S-1", -2), ("S-2", 2)):
            at = taken + timedelta(hours=hours)
            made = Batch(id=name, kind="stock", made_at=at, made_by="Ines", water_l=19.0)
            records.add_batch(made, Stamp(at=at, who="Ines"))
    read = answer(site, STOCK.read_bytes(), at=taken + came, point="tank", sample="stock", lot="WR-2601")
    assert how(site, read["entry"])["batch"] == batch


class TestBeside:
    def second(self, site, **said):
        data = (ROOT / "sample_images" / "line-turned.jpg").read_bytes()
        return answer(site, data, number=2, at=TAKEN + timedelta(hours=1), beside=f"{1:032x}", **said)

    def told(self, answered):
        found = [f for f in answered["findings"] if f["code"] == "replicates_not_compared"]
        for finding in found:
            assert answered["steps"][:2] == [finding["message"], finding["advice"]]
        return [str(kept_shown(finding["message"])) for finding in found]

    def test_strips_of_one_sample_are_compared_and_nothing_is_said(self, site):
        answer(site, SAMPLE.read_bytes())
        assert self.told(self.second(site)) == []

    @pytest.mark.parametrize(
        ("first", "why"),
        [
            ({"lot": "UL-1"}, "The first strip is of lot UL-1, this one of lot UL-2603."),
            ({"point": "tank"}, "The first strip was read at tank, this one at bench 1."),
            (None, "The photo of the first strip is no longer kept here."),
            ({"data": b"no photo"}, "The photo of the first strip cannot be read."),
        ],
    )
    def test_where_nothing_is_compared_it_is_said_and_the_reading_is_not_doubted(self, site, first, why):
        if first is not None:
            given = {"point": "bench 1", "lot": "UL-2603", "data": SAMPLE.read_bytes(), **first}
            job = Job(id=f"{1:032x}", who="Ines", at=TAKEN.isoformat(), name="x", sample="line", point=given["point"],
                      lot=given["lot"])  # fmt: skip
            Inbox(site).accept(job, given["data"])
        second = self.second(site)
        assert self.told(second) == [why]
        assert second["validity"] == "valid"

    def test_without_a_number_there_is_nothing_to_compare(self, site):
        answer(site, (ROOT / "sample_images" / "pad-under-finger.jpg").read_bytes())
        (why,) = self.told(self.second(site))
        assert why.startswith(("One of the two strips gives no number", "The photo of the first strip cannot be read"))

    def test_the_first_is_read_with_its_flash_photo_too(self, site, monkeypatch):
        seen = []
        real = judge.read_strip

        def watched(file, *, flash=None, **more):
            seen.append((file.name, None if flash is None else flash.data))
            return real(file, **more)

        for place in (judge, second_strip):
            monkeypatch.setattr(place, "read_strip", watched)
        flash = STOCK.read_bytes()
        answer(site, SAMPLE.read_bytes(), flash=flash)
        self.second(site)
        assert [data for _, data in seen] == [flash, None, flash]
