"""Where a study lies: ``studies/ID`` in the site's folder, the sealed truths apart from all of them."""

import re
import shutil
from dataclasses import dataclass
from pathlib import Path

from stripread.errors import StudyError
from stripread.i18n import Message, Verbatim
from stripread.study.plan import StudyPlan, load_plan, save_plan, save_truth
from stripread.study.run import RunState, load_run
from stripread.study.shape import Truth

__all__ = ["StudyFolder", "begin_study", "find_study", "studies_of"]

_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_STUDIES, _SEALED, _SHEET = "studies", "sealed", ".html"
_TAKEN = (_SEALED, "plan", "new")  # the truth of `plan` would look like a study, and the page plans under `new`


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyFolder:
    """The files of a study."""

    path: Path

    @property
    def plan_file(self) -> Path:
        """The plan."""
        return self.path / "plan.json"

    @property
    def run_file(self) -> Path:
        """The log."""
        return self.path / "run.jsonl"

    @property
    def sealed_file(self) -> Path:
        """The truth, where it was not taken elsewhere."""
        return self.path.parent / _SEALED / f"{self.path.name}.json"

    @property
    def photos(self) -> Path:
        """Where its photos are kept, under the SHA-256 of their bytes."""
        return self.path / "photos"

    def plan(self) -> StudyPlan:
        """Read the plan."""
        return load_plan(self.plan_file)

    def state(self) -> RunState:
        """Read how far it has come."""
        return load_run(self.run_file, self.plan())


def _folder(site: Path, study: str) -> StudyFolder:
    if not _ID.fullmatch(study) or study in _TAKEN:
        raise StudyError(
            expected=Message("a short name for the study: letters, digits, dots, hyphens"),
            found=Verbatim(repr(study)),
            remedy=Message("Choose another name."),
        )
    return StudyFolder(path=site / _STUDIES / study)


def begin_study(site: Path, plan: StudyPlan, truth: Truth, *, truth_file: Path | None = None) -> StudyFolder:
    """Write plan and truth.

    Parameters
    ----------
    truth_file : Path or None
        Where the truth goes; None: into the folder of sealed truths.

    Raises
    ------
    StudyError
        If there is such a study.
    """
    folder = _folder(site, plan.id)
    if folder.path.exists():
        raise StudyError(
            expected=Message("a new study"),
            found=Message("%(study)s, which is there already", study=plan.id),
            remedy=Message("Choose another name. A study is never planned anew under its name."),
        )
    sealed = truth_file or folder.sealed_file
    if sealed.exists() or sealed.suffix == _SHEET:
        raise StudyError(
            expected=Message(
                "a new file for the truth that does not end in %(ending)s, as its sheet does", ending=_SHEET
            ),
            found=Verbatim(str(sealed)),
            remedy=Message("Name another file: what is sealed is never written over."),
        )
    sealed.parent.mkdir(parents=True, exist_ok=True)
    folder.photos.mkdir(parents=True)
    try:
        save_truth(truth, sealed)
        save_plan(plan, folder.plan_file)
    except BaseException:  # else the name would be taken by a study that was never planned
        sealed.unlink(missing_ok=True)
        shutil.rmtree(folder.path)
        raise
    return folder


def find_study(site: Path, study: str) -> StudyFolder:
    """Return a study of a site; `StudyError` with the known ones where there is none of the name."""
    folder = _folder(site, study)
    if not folder.plan_file.is_file():
        raise StudyError(
            expected=Message("a study of the site: %(known)s", known=", ".join(studies_of(site)) or Message("none")),
            found=Verbatim(repr(study)),
            remedy=Message("Name one of these, or plan one."),
        )
    return folder


def studies_of(site: Path) -> tuple[str, ...]:
    """Return the names of a site's studies."""
    found = (plan.parent.name for plan in (site / _STUDIES).glob("*/plan.json"))
    return tuple(sorted(name for name in found if name not in _TAKEN))
