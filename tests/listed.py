"""One test over a whole list, where a list is what is claimed: it tells all that is wrong, not the first of it."""

import functools
import inspect
import traceback
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import pytest

__all__ = ["each"]


def each(names: str | Sequence[str], cases: Iterable[Any]) -> Callable[[Any], Any]:
    """Run a test once for each case, as ``pytest.mark.parametrize`` does, but as one test.

    Fixtures are made once for all cases: what a case leaves behind in them, the next one finds.
    """
    named = [name.strip() for name in names.split(",")] if isinstance(names, str) else list(names)
    listed = list(cases)
    assert listed, "a list without cases claims nothing"

    def over(test: Callable[..., None]) -> Callable[..., None]:
        @functools.wraps(test)
        def whole(*self: object, **fixtures: object) -> None:
            wrong = []
            for case in listed:
                several = case.values if hasattr(case, "marks") else case  # pytest.param(...)
                values = several if hasattr(case, "marks") or len(named) > 1 else (case,)
                try:
                    test(*self, **fixtures, **dict(zip(named, values, strict=True)))
                except (Exception, pytest.fail.Exception) as error:
                    wrong.append(f"--- {case!r}\n{''.join(traceback.format_exception(error, limit=-2))}")
            if wrong:
                pytest.fail(f"{len(wrong)} of {len(listed)} cases\n" + "\n".join(wrong), pytrace=False)

        signature = inspect.signature(test)
        left = [parameter for name, parameter in signature.parameters.items() if name not in named]
        whole.__signature__ = signature.replace(parameters=left)  # type: ignore[attr-defined]  # what pytest looks at
        del whole.__wrapped__  # type: ignore[attr-defined]
        return whole

    return over
