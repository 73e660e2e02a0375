"""What a person agreed on, as a small JSON file that people can read and later runs reuse."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from reliability.notes import BadInput

SECTIONS = {
    "choose": "kind (life, wear, misfires, ignition), sheet, header_row, ends (what a bare count means), repeats (inspections or units)",
    "columns": "their header: our column, or 'extra' (kept as it is), or 'leave_out'",
    "units": "their header: the unit of its numbers",
    "decimal": "their header: the decimal mark, '.' or ','",
    "words": "their word: alive, or how the unit failed (unknown, short, open ...)",
    "slots": "their name: our slot",
    "parts": "their part: the part as it is known",
    "fill": "our column: its value where the file has none",
    "agreed": "a doubt: 'yes', the file is right all the same",
    "log": "pattern (of a serial log's lines), slots (that a log watches)",
    "names": "field of the pattern: shot, main_V_before, main_V_after, ignition_V, time_s, module, or '-'",
    "scale": "our column of a log: its factor, such as volts a converter count",
    "module": "file of a serial log: the module it is of",
    "failed": "module whose log ends dead: the slot that failed, or slot:mode, or unknown",
}
OPEN = "?"


@dataclass(frozen=True)
class BenchMapping:
    """Answers by section and key; the sections are those of ``SECTIONS``."""

    answers: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def get(self, section: str, key: str) -> str:
        """The answer, "" if there is none."""
        found = self.answers.get(section, {}).get(key, "")
        return "" if found == OPEN else found

    def with_answers(self, given: Mapping[str, str]) -> BenchMapping:
        """With answers by question id (``section:key``). Raises BadInput for an unknown section."""
        out = {s: dict(v) for s, v in self.answers.items()}
        for ident, answer in given.items():
            section, _, key = ident.partition(":")
            if section not in SECTIONS or not key:
                raise BadInput(f"{ident!r} is no question; sections: {', '.join(SECTIONS)}")
            out.setdefault(section, {})[key] = str(answer)
        return BenchMapping(out)

    def text(self, questions: Mapping[str, str] | None = None) -> str:
        """The mapping as JSON; ``questions`` (id: text) are written beside it for the person."""
        out: dict[str, object] = {"format": "bench-mapping-1"}
        if questions:
            out["asked"] = dict(questions)
        out |= {s: dict(self.answers[s]) for s in SECTIONS if self.answers.get(s)}
        return json.dumps(out, indent=1, ensure_ascii=False) + "\n"


def parse_bench_mapping(text: str) -> BenchMapping:
    """Read a mapping's JSON. Raises BadInput."""
    try:
        raw = json.loads(text)
    except (ValueError, RecursionError):
        raise BadInput("not a bench mapping: it is no JSON") from None
    if isinstance(raw, dict) and set(raw) == {"rename", "fill"}:  # as kept by earlier versions
        raw = {"format": "bench-mapping-1", "columns": raw["rename"], "fill": raw["fill"]}
    if not isinstance(raw, dict) or raw.get("format") != "bench-mapping-1":
        raise BadInput('not a bench mapping: "format": "bench-mapping-1" is wanted')
    out = {}
    for section, entries in raw.items():
        if section in ("format", "asked"):
            continue
        if section not in SECTIONS:
            raise BadInput(
                f"a bench mapping has no section {section!r}; allowed: {', '.join(SECTIONS)}"
            )
        if not isinstance(entries, dict) or not all(isinstance(v, str) for v in entries.values()):
            raise BadInput(f"section {section!r} of the bench mapping must hold texts by name")
        out[section] = dict(entries)
    return BenchMapping(out)


def parse_columns(pairs: Sequence[str]) -> BenchMapping:
    """Columns named by hand: ``theirs=ours``, and ``ours:=value`` for all rows. Raises BadInput."""
    given: dict[str, str] = {}
    for pair in pairs:
        if ":=" in pair:
            ours, _, value = pair.partition(":=")
            given[f"fill:{ours.strip()}"] = value.strip()
            continue
        theirs, _, ours = pair.rpartition("=")
        if not theirs.strip() or not ours.strip():
            raise BadInput(
                f"cannot read the column mapping {pair!r}; allowed: theirs=ours, or ours:=value for all rows"
            )
        given[f"columns:{theirs.strip()}"] = ours.strip()
    return BenchMapping().with_answers(given)


def load_bench_mapping(path: Path) -> BenchMapping:
    """A mapping kept in a file. Raises BadInput."""
    try:
        return parse_bench_mapping(path.read_text(encoding="utf-8"))
    except OSError as e:
        raise BadInput(f"cannot read {path}: {e.strerror}") from None
    except UnicodeDecodeError:
        raise BadInput(f"{path} is not a bench mapping: it is no UTF-8 text") from None
