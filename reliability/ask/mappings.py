"""What was agreed on for a bench's files: kept by name beside the user's store, or in a file of one's own."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from reliability.ask.sources import default_path
from reliability.notes import BadInput
from reliability.sheets.bench.headers import OURS
from reliability.sheets.bench.mapping import BenchMapping, load_bench_mapping, parse_columns
from reliability.sheets.write import write_whole

__all__ = [
    "BenchMapping",
    "keep_mapping",
    "load_mapping",
    "our_columns",
    "parse_answers",
    "parse_columns",
]


def mapping_folder() -> Path:
    """Where mappings are kept."""
    return default_path().parent / "mappings"


def our_columns() -> list[str]:
    """Columns of ours that a bench's column can be read as."""
    return sorted(OURS)


def _place(name: str) -> Path:
    if not name.replace("-", "").replace("_", "").isalnum():
        raise BadInput(f"a mapping's name has letters, digits, '-' and '_', not {name!r}")
    return mapping_folder() / f"{name}.json"


def load_mapping(name: str) -> BenchMapping:
    """A mapping kept under a name, or in a file (a path that ends in .json). Raises BadInput."""
    if name.endswith(".json"):
        return load_bench_mapping(Path(name))
    place = _place(name)
    if not place.exists():
        known = ", ".join(sorted(p.stem for p in place.parent.glob("*.json"))) or "none"
        raise BadInput(f"no mapping {name!r} is kept; there are: {known}")
    return load_bench_mapping(place)


def keep_mapping(mapping: BenchMapping, name: str) -> None:
    """Keep a mapping under a name. Raises BadInput."""
    place = _place(name)
    place.parent.mkdir(parents=True, exist_ok=True)
    write_whole(place, mapping.text().encode())


def parse_answers(given: Sequence[str]) -> dict[str, str]:
    """Answers by question id from ``section:key=answer``. Raises BadInput."""
    out = {}
    for text in given:
        ident, sign, answer = text.rpartition("=")
        if not sign or ":" not in ident or not answer.strip():
            raise BadInput(f"an answer is QUESTION=ANSWER, such as 'decimal:shots=,', not {text!r}")
        out[ident] = answer.strip()
    return out
