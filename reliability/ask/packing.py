"""What is given away: records of a source under filters, with the licence, people and sources they travel with."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from reliability.ask.giving import chosen_records, sides_of
from reliability.ask.records import contributions_of
from reliability.ask.sources import SIDES, AnySource, Stored
from reliability.citations import Citation
from reliability.licences import combine, licence_of, named
from reliability.notes import BadInput
from reliability.order import in_order
from reliability.pool import Basis, Pool
from reliability.pool import Source as Given
from reliability.records import LifeRecords
from reliability.sheets.bundle import (
    About,
    Contributor,
    Places,
    Source,
    download_files,
    write_bundle,
)
from reliability.sheets.write import write_life, write_whole

__all__ = [
    "About", "Contributor", "Packed", "Source", "download_files", "pack", "terms", "write_bundle", "write_export",
]  # fmt: skip


@dataclass(frozen=True)
class Packed:
    """Records ready to be given away.

    Attributes
    ----------
    records : LifeRecords
    sides : dict of file name to bytes
        wear.csv, misfires.csv, ignition.csv of the same builders; under a filter of slot, part or condition of
        the same units.
    basis : Basis
        What they came in, marked with what is in them.
    licence : str
        Under which they may be given.
    said : str
        What is to be said of the licence, "" for nothing.
    received : str
        Day of the newest contribution in it, "" where files or bundles do not say.
    left_out : str
        Whose wear, misfires or ignition counts stay behind, as a sentence; "" for nobody's.
    """

    records: LifeRecords
    sides: dict[str, bytes]
    basis: Basis
    licence: str
    said: str
    received: str = ""
    left_out: str = ""

    @property
    def builders(self) -> list[str]:
        """Whose records they are."""
        return sorted(set(self.records.builder.tolist()))

    @property
    def citations(self) -> tuple[Citation, ...]:
        """Contributions that the records came in."""
        return self.basis.citations

    @property
    def state(self) -> str:
        """A short hash of the facts themselves, wherever they are kept."""
        from reliability.sheets.write import life_csv

        h = hashlib.sha256(life_csv(self.records).encode())
        for name, content in sorted(self.sides.items()):
            h.update(name.encode() + content)
        return h.hexdigest()[:12]

    @property
    def sources(self) -> tuple[Source, ...]:
        """Contributions with a title of their own, as a bundle names its sources."""
        given = (*self.basis.contributions, *self.basis.files)
        own = [s.cited for s in given if s.used and s.citation.title]
        return tuple(
            Source(f"{', '.join(c.people)}: {c.title} ({c.licence}) {c.identifier}", _address(c), c.version)
            for c in own
        )  # fmt: skip

    @property
    def people(self) -> tuple[Contributor, ...]:
        """Givers as their own bundles name them, else builders."""
        given = [s for s in (*self.basis.contributions, *self.basis.files) if s.used]
        named_ = [p for s in given if s.citation.title for p in s.citation.people]
        bare = {b for s in given if not s.citation.title for b in s.builders.split(", ")}
        rest = [b for b in self.builders if b in bare]
        return tuple(Contributor(p) for p in dict.fromkeys(named_ + rest or self.builders))

    def ordered(self) -> Packed:
        """The same in the order of its content, whoever gave first."""
        life = in_order(Pool(self.records)).records
        given, files = (
            tuple(sorted(s, key=lambda s: (s.cited.text, s.sha256)))
            for s in (self.basis.contributions, self.basis.files)
        )
        basis = replace(self.basis, contributions=given, files=files)
        sides = {n: _sorted_rows(c) for n, c in sorted(self.sides.items())}
        return replace(self, records=life, sides=sides, basis=basis)

    def pool(self) -> Pool:
        """The same facts as a pool to ask questions of. Raises SheetError."""
        sides = {}
        for kind, (read, join_parts) in SIDES.items():
            name = f"{kind}.csv"
            if name in self.sides:
                sides[kind] = join_parts([read(Path(name), self.sides[name])])
        return Pool(self.records, **sides, basis=self.basis)


def _sorted_rows(content: bytes) -> bytes:
    """A CSV sheet with its rows in the order of their text."""
    head, *rows = csv.reader(io.StringIO(content.decode()))
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([head, *sorted(rows)])
    return out.getvalue().encode()


def _address(c: Citation) -> str:
    return c.identifier if c.identifier.startswith(("http://", "https://")) else ""


def pack(
    source: AnySource, licence: str = "", sides: Sequence[Path] = (), filters: Mapping[str, Any] | None = None
) -> Packed:  # fmt: skip
    """Records of a source under filters (``slot``, ``part``, ``builder``, ``where``, ``received``).

    Raises
    ------
    BadInput
        If the licences of what they came in do not allow it, or none is known.
    SheetError, CannotAnswer
    """
    given = dict(filters or {})
    records, pool = chosen_records(source, **given)
    own = set(records.builder.tolist())
    whole = not any(given.get(k) for k in ("slot", "part", "where"))
    other = sides_of(source, Places.of(records, whole), bool(given.get("received")), sides)
    kinds = {"life", *(n.split(".")[0] for n in other)}

    def mark(s: Given) -> Given:
        used = not own.isdisjoint(s.builders.split(", ")) and not kinds.isdisjoint(s.kinds)
        return replace(s, used=used)

    basis = replace(
        pool.basis, contributions=tuple(map(mark, pool.basis.contributions)),
        files=tuple(map(mark, pool.basis.files)),
    )  # fmt: skip
    rests_on = [s for s in (*basis.contributions, *basis.files) if s.used]
    if not isinstance(source, Stored):
        rests_on = [s for s in rests_on if s.licence]  # a sheet has none: its owner packs it
    found, said = terms(licence, rests_on)
    behind = "" if any(given.values()) else _left_out(pool.basis, own)
    return Packed(records, other, basis, found, said, _newest(source, basis), behind)


def _left_out(basis: Basis, own: set[str]) -> str:
    """Builders who gave sheets of other kinds but no life record."""
    gave = {
        b for s in (*basis.contributions, *basis.files) if not SIDES.keys().isdisjoint(s.kinds)
        for b in s.builders.split(", ")
    }  # fmt: skip
    names = ", ".join(sorted(gave - own))
    return (
        f"Left out: wear, misfires or ignition counts of {names}, without life records here."
        if names
        else ""
    )


def _newest(source: AnySource, basis: Basis) -> str:
    """The newest day among what the basis used: when it was received, or made."""
    if not isinstance(source, Stored):
        return max((s.citation.created[:10] for s in basis.files if s.used), default="")
    used = {s.id for s in basis.contributions if s.used}
    days = [c.received_at[:10] for c in contributions_of(source) if c.id in used]
    return max(days, default="")


def terms(wanted: str, rests_on: Sequence[Given]) -> tuple[str, str]:
    """The licence under which contributions may be given as one, and what is to be said of it.

    Parameters
    ----------
    wanted : str
        "" for what they allow together; CC0-1.0 where there are none.

    Raises
    ------
    BadInput
        If they cannot be combined, or not as wanted; if one came under a licence that is not known here, whatever
        is wanted; if one came under none and none is wanted.
    """
    theirs = [c.licence or "" for c in rests_on]
    strange = sorted({t for t in theirs if t and not licence_of(t)})
    if strange:
        raise BadInput(combine(strange).text)
    silent = [str(c.id or c.file) for c in rests_on if not c.licence]
    known = [t for t in theirs if t]
    if not wanted:
        return _allowed_together(known, silent)
    asked = named(wanted)
    found = combine([*known, asked.id])
    if found.licence is None or found.licence.id != asked.id:
        raise BadInput(f"these contributions may not be given as {asked.id}. {combine(known).text}")
    if silent:
        return asked.id, (
            f"No licence came with {_numbered(silent)}: you say that they may be given as {asked.id}."
        )
    return asked.id, ""


def _numbered(ids: Sequence[str]) -> str:
    return f"contribution{'s' if len(ids) > 1 else ''} {', '.join(ids)}"


def _allowed_together(known: Sequence[str], silent: Sequence[str]) -> tuple[str, str]:
    """The licence that the known ones allow together, and what is to be said of it. Raises BadInput."""
    if silent:
        raise BadInput(
            f"no licence came with {_numbered(silent)}; ask the givers, or give --licence if you may speak for them"
        )
    if not known:
        return "CC0-1.0", ""
    found = combine(known)
    if found.licence is None:
        raise BadInput(found.text)
    return found.licence.id, found.text


def write_export(records: LifeRecords, citations: Sequence[Citation], path: Path) -> Path:
    """Write records as one life sheet, and beside it whom to cite; the path of the latter.

    Raises
    ------
    BadInput
        If either cannot be written.
    """
    beside = path.with_name(path.name + ".cite.txt")
    write_life(records, path)
    write_whole(beside, "".join(f"{c.text}\n" for c in citations).encode())
    return beside
