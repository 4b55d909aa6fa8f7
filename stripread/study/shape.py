"""What a study is made of: strips under codes, the photos of each, and the strengths that stay sealed."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = ["PhotoRole", "PlannedPhoto", "PlannedStrip", "Solution", "Strength", "StrengthKind", "Truth"]

StrengthKind = Literal["blank", "lod", "strength"]
PhotoRole = Literal["first", "lifted", "other phone", "other light"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Strength:
    """One of the strengths that strips are dipped into.

    Attributes
    ----------
    name : str
        "blank", "LOD", "LOQ", or the share of the top calibrator such as "0.3".
    value : float
        As planned, in the unit of the lot.
    strips : int
    expected_u : float
        Relative standard uncertainty that the lot itself states for one strip there in its own light; 0 for the blank.
        Levels weigh by it, so that the weights are fixed before the data.
    """

    name: str
    kind: StrengthKind
    value: float
    strips: int
    expected_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPhoto:
    """A photo of a strip; ``number`` counts from 1."""

    number: int
    role: PhotoRole
    phone: str
    light: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStrip:
    """A strip under its code, in the order in which strips are dipped; nothing here tells its strength."""

    code: str
    session: int
    person: str
    photos: tuple[PlannedPhoto, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """What is mixed: ``take_ml`` of the stock or of another solution, and water; ``share`` of the stock's strength.

    ``u_share`` is the relative standard uncertainty of the share; 0 for the blank.
    """

    name: str
    take_ml: float
    source: str
    water_ml: float
    share: float
    u_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is sealed: which strength each code has, and the solution that it is of.

    ``salt`` keeps anybody from finding the strengths by trying what gives the hash; ``seed`` draws the codes again.
    """

    study: str
    seed: int
    salt: str
    strength_of: Mapping[str, str]
    solutions: tuple[Solution, ...]
