"""What a fault takes. Law: what a scenario may say of a fault stands in its kind, with bounds."""

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Number:
    """A number that a fault takes, and its bounds; whole: without a fraction."""

    low: float
    high: float
    default: float
    whole: bool = False


@dataclass(frozen=True)
class Choice:
    """A word that a fault takes, of a few; the first one stands for none."""

    words: tuple[str, ...]


@dataclass(frozen=True)
class FaultKind:
    """what: half a sentence for people. lasting: it holds in a window, else it strikes once.

    extras: key -> what it may be.
    """

    what: str
    lasting: bool
    extras: dict[str, Number | Choice] = field(default_factory=dict)
