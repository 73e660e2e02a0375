"""Giving data: looking at a file before it is stored, storing, correcting, deciding. One way for all shells."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reliability.ask.asking import ask
from reliability.ask.sources import SIDES, AnySource, Stored, read_pool, statuses
from reliability.decisions.module import Module, ModuleAnswer
from reliability.filters import choose
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords, join
from reliability.sheets.bundle import side_files
from reliability.sheets.life import LifeSheet, read_life
from reliability.sheets.quality import Finding, findings
from reliability.sheets.shots.module_log import Reduced
from reliability.sheets.shots.reduce import reduce_logs
from reliability.sheets.shots.sheets import log_sheets
from reliability.sheets.side import SideSheet, read_contribution, read_sheet
from reliability.sheets.table import file_bytes
from reliability.store.intake import Taken as Taken
from reliability.store.intake import put
from reliability.words import shots_text


@dataclass(frozen=True)
class Looked:
    """A sound file, looked at before it is stored.

    Attributes
    ----------
    sheet : LifeSheet or SideSheet
    licence : str
        Of a bundle, else "".
    other : dict of name to bytes
        Further files of a bundle.
    findings : tuple of Finding
        What looks odd in it.
    """

    sheet: LifeSheet | SideSheet
    licence: str
    other: dict[str, bytes]
    findings: tuple[Finding, ...]

    @property
    def kind(self) -> str:
        """``life``, ``wear``, ``misfires`` or ``ignition``."""
        return self.sheet.kind if isinstance(self.sheet, SideSheet) else "life"

    @property
    def records(self) -> LifeRecords | None:
        """The life records, None for other kinds."""
        return self.sheet.records if isinstance(self.sheet, LifeSheet) else None

    @property
    def rows(self) -> int:
        """Rows of the sheet."""
        return self.sheet.rows if isinstance(self.sheet, SideSheet) else len(self.sheet.records)

    @property
    def builders(self) -> set[str]:
        """Whose data it holds, the further files of a bundle included. Raises SheetError."""
        sheet = self.sheet
        own = sheet.builders if isinstance(sheet, SideSheet) else sheet.records.builder.tolist()
        found = {str(b) for b in own}
        for name, content in self.other.items():
            if name.split(".")[0] in SIDES:
                side = read_sheet(Path(name), content)
                found |= set(side.builders) if isinstance(side, SideSheet) else set()
        return found

    @property
    def notes(self) -> tuple[Note, ...]:
        """Remarks on the reading."""
        return self.sheet.notes if isinstance(self.sheet, LifeSheet) else ()


def look(
    path: Path, data: bytes | None = None, mapping: Any = None, before: LifeRecords | None = None
) -> Looked:
    """Read and check a sheet of any kind or a bundle; nothing is stored.

    ``mapping`` gives the builder's own column names of a life sheet; ``before`` are records it is
    held against.

    Raises
    ------
    SheetError
        With every fault.
    """
    if mapping is not None:
        sheet = read_life(path, data, mapping=mapping)
        return Looked(sheet, "", {}, tuple(findings(sheet.records, before)))
    found, licence, other = read_contribution(path, data)
    odd = tuple(findings(found.records, before)) if isinstance(found, LifeSheet) else ()
    return Looked(found, licence, other, odd)


def give(
    to: Stored, looked: Looked, *, status: str = "accepted", licence: str = "", supersedes: int | None = None
) -> Taken:  # fmt: skip
    """Store a file that was looked at, as one contribution. The same bytes are stored once.

    ``supersedes`` is the contribution that this one corrects, whatever its kind.

    Raises
    ------
    StoreError
    """
    return put(
        to.box, looked.sheet, status=status, licence=licence or looked.licence, other=looked.other,
        supersedes=supersedes,
    )  # fmt: skip


def give_bytes(
    to: Stored, path: Path, data: bytes, *, status: str, licence: str = "", supersedes: int | None = None
) -> Taken:  # fmt: skip
    """Check and store an upload. Raises SheetError, StoreError."""
    return give(to, look(path, data), status=status, licence=licence, supersedes=supersedes)


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


def sheets_of_logs(reduced: Reduced, how: LogSettings) -> dict[str, bytes]:
    """The sheets that reduced logs give, CSV by kind. Raises BadInput without a builder's code."""
    if not how.builder.strip():
        raise BadInput("shot logs need the builder's code")
    return log_sheets(reduced, how.builder.strip(), how.failed or {}, how.slots)


def give_logs(
    to: Stored, reduced: Reduced, how: LogSettings, *, status: str = "accepted", licence: str = ""
) -> list[Taken]:
    """Store the sheets of reduced logs; each supersedes what earlier logs of the builder gave."""
    out = []
    for kind, content in sheets_of_logs(reduced, how).items():
        name = f"shots-{how.builder.strip()}-{kind}.csv"
        old = to.box.latest(name) if to.box.exists else None
        out.append(
            give_bytes(to, Path(name), content, status=status, licence=licence, supersedes=old)
        )
    return out


def chosen_records(
    source: Any, *, slot: Sequence[str] = (), part: Sequence[str] = (), builder: Sequence[str] = (),
    where: Sequence[str] = (), received: bool = False,
) -> tuple[LifeRecords, Pool]:  # fmt: skip
    """Records of a source under filters, and the pool they are of. Raises BadInput, CannotAnswer."""
    pool = read_pool(source, ("life",), received)
    return choose(pool.records, slot=slot, part=part, builder=builder, conditions=where), pool


def sides_of(
    source: AnySource, builders: set[str], received: bool = False, named: Sequence[Path] = ()
) -> dict[str, bytes]:
    """Sheets of other kinds of these builders: those kept in the store, or those named with files.

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
        return side_files([(n, c) for _, n, c in kept if not n.startswith("shots.")], builders)
    for path in named:
        read_contribution(path)  # every fault before anything is written
    return side_files([(p.name, file_bytes(p, None)) for p in named], builders)


@dataclass(frozen=True)
class Change:
    """What a life sheet would do to the module's life: the life that 90 % reach, before and after."""

    records: int
    before: ModuleAnswer | None
    after: ModuleAnswer | None

    @property
    def sentence(self) -> str:
        """The change in one sentence."""
        texts = [
            "nothing"
            if a is None
            else f"{shots_text(a.life.shots)} shots (at least {shots_text(a.life.lower)})"
            for a in (self.before, self.after)
        ]
        return f"{self.records} records. The life that 90 % of modules reach would go from {texts[0]} to {texts[1]}."


def change(to: Stored, looked: Looked) -> Change | None:
    """What a file would change if it were accepted; None where it holds no life records."""
    if looked.records is None:
        return None
    now = read_pool(to, ("life",))
    own = now.life
    parts = [looked.records] if own is None or not len(own) else [own, looked.records]
    return Change(
        len(looked.records), _module(to) if len(parts) > 1 else None, _module(Pool(join(parts)))
    )


def _module(source: Stored | Pool) -> ModuleAnswer | None:
    try:
        found = ask(Module(), source)
    except CannotAnswer:
        return None
    assert isinstance(found, ModuleAnswer)
    return found
