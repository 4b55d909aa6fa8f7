"""Entries made up for the tests of the record: payloads of the shape that ``read --json`` prints."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from stripread.records import Entry, FileRef, Records, Stamp

SUMMER = timezone(timedelta(hours=2), "CEST")
START = datetime(2026, 5, 4, 9, 30, tzinfo=SUMMER)
POINTS = ("bench-1", "bench-2", "bench-3", "far-end")


def made_stamp(minutes: float = 0.0, *, who: str = "Ana") -> Stamp:
    return Stamp(at=START + timedelta(minutes=minutes), who=who)


def made_pad(value: float | None = 0.26, *, pad: str = "clo2", analyte: str = "chlorine dioxide") -> dict[str, Any]:
    return {
        "pad": pad,
        "analyte": analyte,
        "unit": "pH" if analyte == "pH" else "mg/L",
        "value": value,
        "standard_uncertainty": None if value is None else 0.1 * value + 0.001,
        "interval": None if value is None else [0.8 * value, 1.2 * value],
        "coverage": 0.95,
        "censored": None,
        "limit": None,
        "lab": [80.0, 5.0, 3.0],
        "delta_e_to_curve": 0.3,
        "range_state": None if value is None else "within",
        "probability_within": None if value is None else 0.97,
        "findings": [],
        "budget": {"pixels": 0.001, "curve": 0.002},
    }


def made_payload(
    value: float | None = 0.26,
    *,
    point: str | None = "bench-1",
    sample: str = "line",
    lot: str = "UL-1",
    taken: datetime | None = None,
    validity: str = "valid",
    pads: Sequence[dict[str, Any]] = (),
    photo_sha256: str = "0" * 64,
) -> dict[str, Any]:
    all_pads = list(pads) or [made_pad(value)]
    return {
        "photo": "made-up.jpg",
        "photo_sha256": photo_sha256,
        "taken_at": None if taken is None else taken.isoformat(),
        "camera": "Demo phone B",
        "card": "card-print-a",
        "lot": lot,
        "kind": "clo2-ultralow",
        "sample": sample,
        "point": point,
        **{key: v for key, v in all_pads[0].items() if key not in ("pad", "findings")},
        "validity": validity,
        "findings": [],
        "cautions": [],
        "pads": all_pads,
        "correction": {"method": "root-polynomial", "residual_de00_mean": 0.61, "residual_de00_max": 1.5},
        "geometry": {"card_corners": [[1.0, 2.5]] * 4, "pad_polygons": {"clo2": [[3.0, 4.0]] * 4}},
        "flash_photo": None,
        "flash_photo_sha256": None,
        "how": {"software": "stripread 0.0", "together": False, "one_strip": False, "replicates": False,
                "dipped_at": None, "expected": []},
    }  # fmt: skip


def made_photo(records: Records, number: int = 0) -> FileRef:
    """Keep a file that stands for a photo."""
    return records.keep("photo", b"photo %d" % number, f"photo-{number}.jpg", suffix=".jpg")


def fill(records: Records, count: int, *, photos: bool = True) -> list[Entry]:
    """Add readings, one each ten minutes, from point to point."""
    return [
        records.add_reading(
            made_payload(0.2 + 0.001 * i, point=POINTS[i % len(POINTS)], taken=(START + timedelta(minutes=10 * i))),
            files=[made_photo(records, i)] if photos else [],
            stamp=made_stamp(10 * i + 1, who=("Ana", "Ben")[i % 2]),
        )
        for i in range(count)
    ]


def utc(minutes: float) -> datetime:
    return (START + timedelta(minutes=minutes)).astimezone(UTC)


def database_file(folder: Path) -> Path:
    return folder / "records.db"
