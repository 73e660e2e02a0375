"""Where facts come from: a store, or files. Each is read at one moment into a pool."""

from __future__ import annotations

import functools
import hashlib
import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from reliability import __version__
from reliability.ask.glance import outline
from reliability.citations import Citation
from reliability.decisions.question import Question
from reliability.notes import BadInput, CannotAnswer, NoEffect, Note
from reliability.order import in_order
from reliability.pool import Basis, Pool, Source
from reliability.records import join
from reliability.sheets.apart import read_apart
from reliability.sheets.door import read_ours
from reliability.sheets.doubts import doubts
from reliability.sheets.life import LifeSheet
from reliability.sheets.table import SheetError
from reliability.sheets.wear import (
    join_ignition,
    join_misfires,
    join_wear,
    read_ignition,
    read_misfires,
    read_wear,
)
from reliability.store import Store
from reliability.store import default_path as default_path
from reliability.store import usual_path as usual_path
from reliability.store.opening import linger as linger
from reliability.store.readings import together_faults
from reliability.store.store import Contribution, Reading, state_of

SIDES: dict[str, tuple[Any, Any]] = {
    "wear": (read_wear, join_wear),
    "misfires": (read_misfires, join_misfires),
    "ignition": (read_ignition, join_ignition),
}
FILTERS = ("slot", "part", "builder", "where")
_STATISTICS = (
    "life", "wear", "slots", "decisions", "records.py", "readings.py", "filters.py", "notes.py", "order.py", "pool.py",
    "published_facts.py", "ask/plain.py", "ask/asking.py", "ask/glance.py", "ask/published.py", "ask/sources.py",
)  # fmt: skip


@functools.cache
def method() -> str:
    """Version of the methods: that of the package, and a hash of its statistics' source.

    So no answer is kept beyond the code that gave it.
    """
    root = Path(__file__).resolve().parents[1]
    h = hashlib.sha256()
    for name in _STATISTICS:
        place = root / name
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            if path.exists():
                h.update(path.read_bytes())
    return f"{__version__}+{h.hexdigest()[:8]}"


@dataclass(frozen=True)
class Stored:
    """The contributions of a store.

    Attributes
    ----------
    path : Path

    Examples
    --------
    >>> import reliability as rl
    >>> rl.Stored(rl.Stored.default().path) == rl.Stored.default()
    True
    """

    path: Path

    @classmethod
    def default(cls) -> Stored:
        """The user's own store."""
        return cls(default_path())

    @property
    def box(self) -> Store:
        """The store itself."""
        return Store(self.path)


@dataclass(frozen=True)
class Files:
    """Sheets of any kind, and bundles; nothing is stored.

    Examples
    --------
    >>> import reliability as rl
    >>> from pathlib import Path
    >>> rl.Files((Path("life.csv"), Path("wear.csv"))).paths[0].name
    'life.csv'
    """

    paths: tuple[Path, ...]


AnySource = Stored | Files | Pool


@functools.cache
def demo() -> Pool:
    """The invented demo community: six builders, nothing in it real; its truth is known.

    Examples
    --------
    >>> import reliability as rl
    >>> rl.demo().records.units > 400
    True
    """
    from reliability.store.demo import demo_folder

    return pool_of_files(sorted(p for p in demo_folder().glob("*.csv") if p.stem != "shotlog"))


def source_of(given: AnySource | Path | str | Sequence[Path | str] | None) -> AnySource:
    """A source from what is at hand: None is the default store, a path or several are files."""
    if given is None:
        return Stored.default()
    if isinstance(given, (Stored, Files, Pool)):
        return given
    if isinstance(given, (str, Path)):
        return Files((Path(given),))
    return Files(tuple(Path(p) for p in given))


def state_of_store(source: Stored) -> str:
    """State of the store's accepted contributions, "" where there is no store yet. Raises StoreError."""
    return state_of(outline(source.box).contributions) if source.box.exists else ""


def statuses(received: bool) -> tuple[str, ...]:
    """Statuses of the contributions that count."""
    return ("accepted", "received") if received else ("accepted",)


def facts_key(contributions: Sequence[Contribution], bearing: Collection[int]) -> str:
    """Hash of the contributions that a question can rest on: others' change leaves it as it is."""
    facts = [(c.id, c.sha256, c.status) for c in contributions if c.id in bearing]
    return hashlib.sha256(json.dumps(facts).encode()).hexdigest()


def joined_sides(
    files: Sequence[tuple[str, bytes]], kinds: Sequence[str] = tuple(SIDES)
) -> dict[str, Any]:
    """Sheets of these kinds among files (name and content), read and joined; None where there is none."""
    found: dict[str, list[Any]] = {k: [] for k in kinds}
    for name, content in files:
        kind = name.split(".")[0]
        if kind in found:
            found[kind].append(SIDES[kind][0](Path(name), content))
    return {k: SIDES[k][1](v) if v else None for k, v in found.items()}


def pool_of_reading(
    reading: Reading, contributions: Sequence[Contribution], needs: Sequence[str], received: bool,
    bearing: Collection[int] | None = None,
) -> Pool:  # fmt: skip
    """The pool of a store at the moment of the reading; of these contributions only, if ``bearing`` is given."""
    wanted = statuses(received)
    used = [c for c in contributions if c.status in wanted and (bearing is None or c.id in bearing)]
    numbers = {c.id for c in used}
    without = [c.id for c in contributions if c.status in wanted and c.id not in numbers]
    life = reading.records(wanted, without) if "life" in needs else None
    files = reading.files(wanted) if any(k in needs for k in SIDES) else []
    files = [f for f in files if f[0] in numbers]
    kinds = {c.id: [c.kind] for c in used}
    for number, name, _ in files:
        kinds[number].append(name.split(".")[0])
    sides = joined_sides([(name, c) for _, name, c in files], [k for k in SIDES if k in needs])
    notes: tuple[Note, ...] = ()
    if any(c.status == "received" and not set(kinds[c.id]).isdisjoint(needs) for c in used):
        text = "Some contributions used here are not accepted yet."
        notes = (Note("unverified_contribution", text),)
    basis = basis_of(contributions, received, kinds, bearing)
    return in_order(Pool(life, **sides, basis=basis, notes=notes))


def basis_of(
    contributions: Sequence[Contribution], received: bool = False,
    kinds: Mapping[int, Sequence[str]] | None = None, bearing: Collection[int] | None = None,
) -> Basis:  # fmt: skip
    """What answers from these contributions rest on; ``kinds`` of sheet by contribution, as read.

    Those that are not ``bearing`` are marked as not used.
    """
    wanted = statuses(received)
    found = kinds or {}
    return Basis(
        state_of(contributions, wanted),
        tuple(
            Source(
                c.file, c.sha256, c.builders, c.licence, c.id,
                tuple(dict.fromkeys(found.get(c.id, [c.kind]))), _with_licence(c),
                bearing is None or c.id in bearing,
            )
            for c in contributions
            if c.status in wanted
        ),
        method=method(),
    )  # fmt: skip


SMALL = 1 << 20
"""bytes of a CSV up to which it is read here; what unpacks, or is larger, is read in a process of its own"""


def _read_file(path: Path) -> Any:
    small = path.suffix.lower() == ".csv" and path.is_file() and path.stat().st_size <= SMALL
    return read_ours(path) if small else read_apart(read_ours, path)[0]


def _with_licence(c: Contribution) -> Citation:
    """A contribution's citation, under the licence it was taken in with."""
    return replace(c.citation, licence=c.licence) if c.licence else c.citation


def resting(basis: Basis, question: Question, pool: Pool, borrowed: Collection[str] = ()) -> Basis:
    """The basis, with what the question does not use marked so: other kinds of sheet, other builders.

    ``borrowed`` are builders of whom the answer uses something all the same.
    """
    builders = _builders_left(question, pool)
    if builders is not None:
        builders |= set(borrowed)

    def mark(s: Source) -> Source:
        needed = not set(s.kinds).isdisjoint(question.needs)
        left = builders is None or not builders.isdisjoint(s.builders.split(", "))
        return s if needed and left else replace(s, used=False)

    return replace(
        basis,
        contributions=tuple(map(mark, basis.contributions)),
        files=tuple(map(mark, basis.files)),
    )


def _builders_left(question: Question, pool: Pool) -> set[str] | None:
    """Builders that the question's filters leave; None for all."""
    chosen = getattr(question, "chosen", None)
    if chosen is None or not any(getattr(question, k, ()) for k in FILTERS):
        return None
    try:
        return set(chosen(pool).builder.tolist())
    except (BadInput, CannotAnswer):  # the answer itself says what is wrong
        return None


def _doubt_notes(sheet: LifeSheet) -> list[Note]:
    """Grave doubts about a file that is asked of directly: nobody was asked about them."""
    return [
        Note(
            "doubtful",
            f"{sheet.file}: {f.text} (row{'s' if len(f.rows) > 1 else ''} {', '.join(map(str, f.rows[:8]))})",
        )
        for f in doubts(sheet.records)
        if f.severity == "grave"
    ]


def pool_of_files(paths: Sequence[Path]) -> Pool:
    """The pool of some files: life sheets, wear, misfire and ignition sheets, bundles.

    Raises
    ------
    SheetError
        With every fault of every file, and what they say against each other.
    """
    faults: list[Any] = []
    files: list[Source] = []
    notes: list[Note] = []
    life: list[LifeSheet] = []
    kept: list[tuple[str, str, bytes]] = []
    for path in paths:
        try:
            sheet, licence, other = _read_file(Path(path))
        except SheetError as e:
            faults += e.faults
            continue
        if any(f.sha256 == sheet.sha256 for f in files):
            twice = f"{Path(path).name} holds the same bytes as another file: used once."
            notes.append(Note("same_file", twice))
            continue
        if isinstance(sheet, LifeSheet):
            life.append(sheet)
            notes += [*sheet.notes, *_doubt_notes(sheet)]
        else:
            other = {f"{sheet.kind}{Path(sheet.name).suffix}": sheet.content}
        kinds = ["life"] if isinstance(sheet, LifeSheet) else []
        for name, content in other.items():
            kind = name.split(".")[0]
            if kind in SIDES:
                kept.append((Path(path).name, name, content))
                kinds.append(kind)
        cited = getattr(sheet, "citation", None) or Citation("")
        builders = ", ".join(sheet.builders)
        files.append(
            Source(Path(path).name, sheet.sha256, builders, licence, None, tuple(kinds), cited)
        )
    faults = faults or together_faults(life, kept)
    if faults:
        raise SheetError(faults)
    joined = joined_sides([(name, content) for _, name, content in kept])
    basis = Basis(files=tuple(files), method=method())
    told = tuple(dict.fromkeys(notes))
    records = join([s.records for s in life]) if life else None
    return in_order(Pool(records, **joined, basis=basis, notes=told))


def read_pool(
    source: AnySource,
    needs: Sequence[str] = ("life", "wear", "misfires", "ignition"),
    received: bool = False,
) -> Pool:
    """The pool of a source, read at one moment.

    Raises
    ------
    SheetError, StoreError

    Examples
    --------
    >>> import reliability as rl
    >>> rl.read_pool(rl.demo()) is rl.demo()
    True
    """
    if received and not isinstance(source, Stored):
        raise NoEffect("received has no effect here: only in a store do contributions wait")
    if isinstance(source, Pool):
        return source
    if isinstance(source, Files):
        return pool_of_files(source.paths)
    if not source.box.exists:
        return Pool(basis=Basis(method=method()))
    with source.box.reading() as reading:
        return pool_of_reading(reading, reading.contributions(), needs, received)
