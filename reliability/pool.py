"""The pool: all that a question may use, read at one moment, with what it rests on."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

from reliability.citations import Citation
from reliability.notes import CannotAnswer, Note
from reliability.readings import Recurrences, SparkCounts, WearReadings
from reliability.records import LifeRecords

T = TypeVar("T")


@dataclass(frozen=True)
class Source:
    """A file that numbers rest on.

    Attributes
    ----------
    file, sha256, builders, licence : str
    id : int or None
        Number of the contribution; None for a file that is not in a store.
    kinds : tuple of str
        Of the sheets in it, as far as they were read: ``life``, ``wear``, ``misfires``, ``ignition``.
    citation : Citation
        How it is to be cited; its title is "" where that is not known.
    used : bool
        Whether the answer rests on it: False if the question needs no sheet of its kind, or its filters
        leave none of its builders.

    Examples
    --------
    >>> Source("life.csv", "ab12", "kite", "CC0-1.0", 3).id
    3
    """

    file: str
    sha256: str
    builders: str = ""
    licence: str = ""
    id: int | None = None
    kinds: tuple[str, ...] = ("life",)
    citation: Citation = field(default_factory=lambda: Citation(""))
    used: bool = True

    @property
    def cited(self) -> Citation:
        """The citation, made from the file where its giver wrote none."""
        if self.citation.title:
            return self.citation
        people = tuple(b for b in self.builders.split(", ") if b)
        return Citation(self.file, people, self.licence, f"sha256:{self.sha256[:16]}")


@dataclass(frozen=True)
class Basis:
    """What an answer rests on, enough to find the data again.

    Attributes
    ----------
    store : str
        State of the store: a hash of its accepted contributions; "" where files were read.
    contributions, files : tuple of Source
        Contributions of the store, or files.
    method : str
        Version of the methods: that of the package, with a hash of its statistics.
    published : tuple of Citation
        Published facts that were used; they are no builder's data.

    Examples
    --------
    >>> import reliability as rl
    >>> len(rl.demo().basis.files) >= 5
    True
    """

    store: str = ""
    contributions: tuple[Source, ...] = ()
    files: tuple[Source, ...] = ()
    method: str = ""
    published: tuple[Citation, ...] = ()

    @property
    def citations(self) -> tuple[Citation, ...]:
        """Whom the answer owes its data: contributions or files that it rests on, then published facts."""
        given = (*self.contributions, *self.files)
        return (*(s.cited for s in given if s.used), *self.published)


@dataclass(frozen=True)
class Pool:
    """Validated facts of one moment.

    Attributes
    ----------
    life : LifeRecords or None
    wear : WearReadings or None
    misfires : Recurrences or None
    ignition : SparkCounts or None
        Each None where nothing of the kind was read.
    basis : Basis
    notes : tuple of Note
        Remarks on the reading, such as columns that are kept but not known.

    Examples
    --------
    >>> pool = Pool(LifeRecords.of([4120, 6000], [4120, float("inf")], slot=["igniter"] * 2))
    >>> pool.records.failures
    1.0
    """

    life: LifeRecords | None = None
    wear: WearReadings | None = None
    misfires: Recurrences | None = None
    ignition: SparkCounts | None = None
    basis: Basis = field(default_factory=Basis)
    notes: tuple[Note, ...] = ()

    @property
    def records(self) -> LifeRecords:
        """The life records. Raises CannotAnswer if there are none."""
        if self.life is None or not len(self.life):
            raise CannotAnswer(
                "There are no accepted life records yet; add a life sheet with 'shotlife add FILE', or accept one that "
                "waits ('shotlife records')."
            )
        return self.life

    @property
    def readings(self) -> WearReadings:
        """The wear readings. Raises CannotAnswer if there are none."""
        return _there(self.wear, "wear readings", "wear.csv")

    @property
    def recurrences(self) -> Recurrences:
        """The misfires. Raises CannotAnswer if there are none."""
        return _there(self.misfires, "misfires", "misfires.csv")


def _there(found: T | None, what: str, sheet: str) -> T:
    if found is None:
        raise CannotAnswer(
            f"There are no {what} yet; add a {sheet}, or a bundle with one, or name one with --from."
        )
    return found
