"""Giving data: looking at a file before it is stored, storing, correcting, deciding. One way for all shells."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from reliability.ask.resent import STANDING, resent, whole_logs
from reliability.ask.sources import SIDES, AnySource, Stored, read_pool, statuses
from reliability.filters import choose
from reliability.licences import apart_text, given_under
from reliability.notes import BadInput, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.sheets.apart import nursery, read_apart
from reliability.sheets.bench.desk import Known
from reliability.sheets.bundle import Places, side_files
from reliability.sheets.door import open_file
from reliability.sheets.finding import Finding
from reliability.sheets.life import LifeSheet
from reliability.sheets.limits import FOR_LOGS
from reliability.sheets.log_door import reduce_pieces
from reliability.sheets.quality import findings
from reliability.sheets.reading import FileReading, Opened, Sheets
from reliability.sheets.reading import Terms as Terms
from reliability.sheets.shots.module_log import Reduced
from reliability.sheets.shots.reduce import reduce_logs
from reliability.sheets.shots.sheets import log_sheets
from reliability.sheets.side import SideSheet, read_contribution, read_sheet
from reliability.sheets.table import SheetError, SheetFault, file_bytes
from reliability.store import Contribution
from reliability.store.intake import Taken as Taken
from reliability.store.intake import Terms as How
from reliability.store.intake import put
from reliability.store.readings import refuse_contradictions

__all__ = [
    "FileReading",
    "Given",
    "How",
    "LogSettings",
    "Looked",
    "Taken",
    "Terms",
    "chosen_records",
    "give",
    "give_bytes",
    "give_logs",
    "known_names",
    "look",
    "reduce",
    "replaced",
    "sheets_of_logs",
    "sides_of",
    "warm_readers",
]  # fmt: skip


@dataclass(frozen=True)
class Looked:
    """A file looked at before it is stored.

    Attributes
    ----------
    reading : FileReading
        What was read: a table, every change, questions, grave ones first.
    sheets : tuple of LifeSheet or SideSheet
        What it gives; empty while something is to be answered or agreed with.
    licence : str
        Of a bundle, else "".
    other : dict of name to bytes
        Further files of a bundle.
    findings : tuple of Finding
        What looks odd in it.
    notes : tuple of Note
        Remarks on the reading.
    """

    reading: FileReading
    sheets: Sheets = ()
    licence: str = ""
    other: dict[str, bytes] = field(default_factory=dict, repr=False)
    findings: tuple[Finding, ...] = ()
    notes: tuple[Note, ...] = ()

    @property
    def ready(self) -> bool:
        """Whether it can be given."""
        return bool(self.sheets)

    @property
    def kind(self) -> str:
        """``life``, ``wear``, ``misfires``, ``ignition``, ``bundle`` or ``shots``."""
        return self.reading.kind

    @property
    def records(self) -> LifeRecords | None:
        """The life records, None where it gives none."""
        return next((s.records for s in self.sheets if isinstance(s, LifeSheet)), None)

    @property
    def rows(self) -> int:
        """Rows read."""
        return self.reading.rows

    @property
    def builders(self) -> tuple[str, ...]:
        """Whose data it gives, the further files of a bundle included. Raises SheetError."""
        found = {b for s in self.sheets for b in s.builders}
        for name, content in self.other.items():
            if name.split(".")[0] in SIDES:
                side = read_sheet(Path(name), content)
                found |= set(side.builders) if isinstance(side, SideSheet) else set()
        return tuple(sorted(found))

    def open_faults(self) -> list[SheetFault]:
        """What keeps it from being given: faults, open questions, or that nobody has agreed yet."""
        r = self.reading
        if self.ready:
            return []
        out = list(r.faults)
        out += [SheetFault(r.file, 0, q.id, f"not answered: {q.text}") for q in r.grave]
        if not out:
            n = len(r.changes) + len(r.questions)
            text = (
                f"read otherwise than written ({n} changes and suggestions); look at them and agree"
            )
            out.append(SheetFault(r.file, 0, "", text))
        return out


def look(
    path: Path, data: bytes | None = None, terms: Terms | None = None, before: LifeRecords | None = None
) -> Looked:  # fmt: skip
    """Read a file of any kind in a process of its own; nothing is stored.

    ``terms`` are what a person said of it; ``before`` are records it is held against.

    Raises
    ------
    SheetError
        If nothing can be read of it, or it passes a limit.
    BadInput
    """
    opened, notes = read_apart(open_file, path, data, terms=terms)
    if opened.again:
        opened, notes = read_apart(open_file, path, data, FOR_LOGS, terms=terms)
    assert isinstance(opened, Opened)
    r = opened.reading
    odd = list(r.findings)
    for sheet in opened.sheets:
        if isinstance(sheet, LifeSheet):
            odd += findings(sheet.records, before)
    if r.kind == "bundle" and (text := apart_text(opened.licence)):
        odd.append(Finding("licence", "look", text))
    seen = dict.fromkeys((*r.notes, *notes))
    return Looked(r, opened.sheets, opened.licence, opened.other, tuple(odd), tuple(seen))


def warm_readers() -> None:
    """Begin what reads files apart, so that the first file need not wait for it."""
    nursery().warm()


def known_names(to: AnySource) -> Known:
    """Names in the pool that near misses are matched with."""
    if not isinstance(to, Stored) or not to.box.exists:
        return Known()
    r = to.box.records(STANDING)
    return Known(*(tuple(sorted(set(v.tolist()) - {""})) for v in (r.builder, r.slot, r.part)))


@dataclass(frozen=True)
class Given:
    """What became of a file.

    Attributes
    ----------
    contribution : Contribution
    new : bool
        False if the same bytes were there before.
    notes : tuple of Note
    findings : tuple of Finding
    further : tuple of Taken
        Further contributions of the same file: a log gives several.
    """

    contribution: Contribution
    new: bool
    notes: tuple[Note, ...]
    findings: tuple[Finding, ...]
    further: tuple[Taken, ...] = ()

    @property
    def all(self) -> tuple[Taken, ...]:
        """Every contribution that it made."""
        first = Taken(self.contribution, self.new, self.notes, self.findings)
        return (first, *self.further)


def give(to: Stored, looked: Looked, how: How | None = None) -> Given:
    """Store a file that was looked at and agreed with. The same bytes are stored once.

    One way for every kind and every shell; ``how`` says who gives it, whether it waits, and what it
    corrects.

    Raises
    ------
    SheetError
        If something is still to be answered or agreed with.
    BadInput
        If it repeats records that stand already and does not say that it takes their place; or ``how`` names
        another licence than the file itself.
    StoreError
    """
    how = how or How()
    if faults := looked.open_faults():
        raise SheetError(faults)
    how = replace(how, supersedes=taking_place_of(to, looked, how))
    _refuse_again(to, looked, how)
    said = how.licence
    how = replace(how, licence=given_under(looked.licence, said))
    taken = _put_all(to, looked.sheets, how, looked.other)
    first = taken[0]
    notes = first.notes
    if said and (text := apart_text(said)):
        notes = (*notes, Note("licence", text))
    return Given(first.contribution, first.new, notes, first.findings, tuple(taken[1:]))


def taking_place_of(to: Stored, looked: Looked, how: How) -> tuple[int, ...]:
    """Contributions that a file takes the place of: those named, of a log all its sheets, and earlier parts of the same log.

    Raises BadInput where an earlier log holds shots of the same module that this one does not.
    """
    if looked.kind != "shots" or how.beside:
        return how.supersedes
    named = whole_logs(to, how.supersedes)
    return (*named, *resent(to, looked.sheets, named))


def _put_all(
    to: Stored, sheets: Sequence[LifeSheet | SideSheet], how: How, other: dict[str, bytes]
) -> list[Taken]:
    """The sheets of one file, each superseding what is of its kind."""
    kinds = {c.id: c.kind for c in to.box.contributions()} if to.box.exists else {}
    own = [s.kind for s in sheets]
    first_of = {n: own.index(kinds[n]) if kinds.get(n) in own else 0 for n in how.supersedes}
    taken = []
    for i, sheet in enumerate(sheets if len(sheets) > 1 else ()):  # before any of them is stored
        refuse_contradictions(to.box, sheet, other if i == 0 else {}, how.supersedes)
    for i, sheet in enumerate(sheets):
        old = tuple(n for n, at in first_of.items() if at == i)
        done = put(to.box, sheet, replace(how, supersedes=old), other if i == 0 else None)
        taken.append(done)
    return taken


def replaced(to: Stored, looked: Looked) -> tuple[int, ...]:
    """Standing contributions of the same builders and kinds: what a file replaces as a whole."""
    if not to.box.exists:
        return ()
    kinds, builders = {s.kind for s in looked.sheets}, set(looked.builders)
    return tuple(
        c.id
        for c in to.box.contributions()
        if c.status in STANDING and c.kind in kinds and set(c.builders.split(", ")) <= builders
    )


def _refuse_again(to: Stored, looked: Looked, how: How) -> None:
    """Records that stand already, under other bytes, do not count twice."""
    r = looked.records
    if r is None or how.beside or not to.box.exists:
        return
    if any(c.sha256 == s.sha256 for c in to.box.contributions() for s in looked.sheets):
        return  # the same bytes: stored once by themselves
    with to.box.reading() as reading:
        there = reading.records(STANDING, how.supersedes, looked.builders)
    same = _shared(_facts(r), _facts(there))
    if same and 2 * same >= len(r) and (len(r) > 1 or r.unit[0]):
        raise BadInput(
            f"{looked.reading.file}: {same} of {len(r)} records stand already, in other contributions. If it corrects "
            "one, say which (supersedes); if it takes the place of all of this builder's, say so (replace); if these "
            "are other units, say so (beside)."
        )


def _facts(r: LifeRecords) -> list[tuple[object, ...]]:
    columns = (r.builder, r.module, r.slot, r.unit, r.shots_from, r.shots_good, r.shots_failed)
    return list(zip(*(c.tolist() for c in columns), strict=True))


def _shared(mine: Iterable[object], others: Iterable[object]) -> int:
    return sum((Counter(mine) & Counter(others)).values())


def give_bytes(
    to: Stored, path: Path, data: bytes, how: How | None = None, terms: Terms | None = None
) -> Given:
    """Look at an upload and store it. Raises SheetError, BadInput, StoreError."""
    return give(to, look(path, data, terms), how)


@dataclass(frozen=True)
class LogSettings:
    """How shot logs become sheets: whose they are, which slots they cover, what failed.

    Attributes
    ----------
    builder : str
    slots : tuple of str
        Slots whose unit a log covers from first to last row.
    failed : dict of module to (slot, mode)
        The part that ended a module.
    """

    builder: str
    slots: tuple[str, ...] = ("main_capacitor", "igniter")
    failed: dict[str, tuple[str, str]] | None = None


def reduce(
    files: Sequence[Path], keep: Path | None = None, capacitance_uF: float | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Reduced:  # fmt: skip
    """Shot logs reduced to counts and measured quantities. Raises SheetError, BadInput."""
    return reduce_logs(files, capacitance_uF=capacitance_uF, keep=keep, progress=progress)


def reduce_apart(files: Sequence[Path]) -> Reduced:
    """The same in a process of its own with limits, for logs that somebody brought. Raises SheetError."""
    found, _ = read_apart(reduce_pieces, files[0], None, FOR_LOGS, paths=[str(p) for p in files])
    assert isinstance(found, Reduced)
    return found


def as_given(taken: Taken) -> Given:
    """One contribution as the outcome of a file."""
    return Given(taken.contribution, taken.new, taken.notes, taken.findings)


def sheets_of_logs(reduced: Reduced, how: LogSettings) -> dict[str, bytes]:
    """The sheets that reduced logs give, CSV by kind. Raises BadInput without a builder's code."""
    if not how.builder.strip():
        raise BadInput("shot logs need the builder's code")
    return log_sheets(reduced, how.builder.strip(), how.failed or {}, how.slots)


def give_logs(
    to: Stored, reduced: Reduced, settings: LogSettings, how: How | None = None
) -> list[Taken]:
    """Store the sheets of reduced logs; they supersede what earlier logs gave of the same modules.

    Raises
    ------
    SheetError, StoreError
    BadInput
        If an earlier log holds shots of these modules that these do not.
    """
    how = how or How()
    sheets = [
        read_contribution(Path(f"shots-{settings.builder.strip()}-{kind}.csv"), content)[0]
        for kind, content in sheets_of_logs(reduced, settings).items()
    ]
    return _put_all(to, sheets, replace(how, supersedes=resent(to, sheets, how.supersedes)), {})


def chosen_records(
    source: Any, *, slot: Sequence[str] = (), part: Sequence[str] = (), builder: Sequence[str] = (),
    where: Sequence[str] = (), received: bool = False,
) -> tuple[LifeRecords, Pool]:  # fmt: skip
    """Records of a source under filters, and the pool they are of. Raises BadInput, CannotAnswer."""
    pool = read_pool(source, ("life",), received)
    return choose(pool.records, slot=slot, part=part, builder=builder, conditions=where), pool


def sides_of(
    source: AnySource, places: Places, received: bool = False, named: Sequence[Path] = ()
) -> dict[str, bytes]:
    """Sheets of other kinds, of these places: those kept in the store, or those named with files.

    Raises
    ------
    BadInput
        If some are named though a store is read.
    SheetError
    """
    if isinstance(source, Stored):
        if named:
            raise BadInput(
                "--side goes with --from; from the store, its own wear and misfire sheets are packed"
            )
        kept = source.box.bundle_files(statuses(received)) if source.box.exists else []
        return side_files([(n, c) for _, n, c in kept if not n.startswith("shots.")], places)
    for path in named:
        read_contribution(path)  # every fault before anything is written
    return side_files([(p.name, file_bytes(p, None)) for p in named], places)
