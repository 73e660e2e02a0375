"""What one file from outside may cost, each limit with the words that refuse."""

from __future__ import annotations

from dataclasses import dataclass

MIB = 1 << 20


@dataclass(frozen=True)
class Limits:
    """What reading one file may cost.

    Attributes
    ----------
    file_bytes, unpacked_bytes : int
        Of the file as it came, and of all that is packed in it.
    rows, columns, cells : int
        Of one table; ``cells`` is rows times columns.
    cell_chars : int
        Of one cell; 32,767 is also what spreadsheets allow.
    memory_bytes, cpu_seconds, wall_seconds : int
        Of the process that reads. Computing is what a file costs; the wall clock only ends a reader that
        waits, since on a busy machine an honest file takes longer than it costs.
    written_bytes : int
        Of a file that the process may write into a folder of its own, which goes with it; 0 for none.
    """

    file_bytes: int = 256 * MIB
    unpacked_bytes: int = 256 * MIB
    rows: int = 1_000_000
    columns: int = 1_000
    cells: int = 5_000_000
    cell_chars: int = 32_767
    memory_bytes: int = 1024 * MIB
    cpu_seconds: int = 8
    wall_seconds: int = 60
    written_bytes: int = 0

    def refusal(self, name: str) -> str:
        """The limit in words, such as ``more than 1,000 columns (limit: columns)``."""
        value: int = getattr(self, name)
        words = {
            "file_bytes": f"the file is larger than {value // MIB} MiB",
            "unpacked_bytes": f"unpacks to more than {value // MIB} MiB",
            "rows": f"more than {value:,} rows",
            "columns": f"more than {value:,} columns",
            "cells": f"more than {value:,} cells (rows times columns up to the farthest cell)",
            "cell_chars": f"a cell of more than {value:,} characters",
            "memory_bytes": f"reading it takes more than {value // MIB} MiB of memory",
            "cpu_seconds": f"reading it takes more than {value} s of computing",
            "wall_seconds": f"reading it takes longer than {value} s",
        }
        return f"{words[name]} (limit {name}); split the file or remove what is not a record"


LIMITS = Limits()
FOR_LOGS = Limits(written_bytes=512 * MIB)
"""a log is reduced by a database that reads a file"""
