"""Life records as columns of the store, and back."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from reliability.records import LifeRecords
from reliability.store.schema import NUMBER_COLUMNS, TEXT_COLUMNS

RECORD_TEXTS = ("builder", "module", "slot", "unit", "part", "mode", "lot", "event", "removed")


def records_to_arrow(records: LifeRecords, rows: Any = None) -> Any:
    """Records as an Arrow table with the store's columns (infinite and nan become NULL).

    ``rows`` are their rows in the file, (n,); by default one after the other below a header.
    """
    import pyarrow as pa

    n = len(records)
    data: dict[str, Any] = {"row": np.arange(2, n + 2) if rows is None else np.asarray(rows)}
    for name in TEXT_COLUMNS:
        values = (
            getattr(records, name)
            if name in RECORD_TEXTS
            else records.labels.get(name, np.full(n, "", object))
        )
        data[name] = pa.array([v or None for v in values], pa.string())
    for name in NUMBER_COLUMNS:
        if name.startswith("shots_") or name == "count":
            column = getattr(records, name)
        else:
            column = records.covariates.get(name, np.full(n, np.nan))
        data[name] = pa.array(column, mask=~np.isfinite(column))
    extra_numbers = {k: v for k, v in records.covariates.items() if k not in NUMBER_COLUMNS}
    extra_texts = {k: v for k, v in records.labels.items() if k not in TEXT_COLUMNS}
    if extra_numbers or extra_texts:
        rows = []
        for i in range(n):
            row: dict[str, Any] = {k: float(v[i]) for k, v in extra_numbers.items() if v[i] == v[i]}
            row |= {k: v[i] for k, v in extra_texts.items() if v[i]}
            rows.append(json.dumps(row) if row else None)
        data["extra"] = pa.array(rows, pa.string())
    return pa.table(data)


def records_from_arrow(table: Any) -> LifeRecords:
    """Records from the store's columns."""
    n = table.num_rows

    def number(name: str, blank: float) -> np.ndarray:
        return np.asarray(table.column(name).fill_null(blank).to_numpy(), float)

    def text(name: str) -> np.ndarray:
        # each text once, however many records have it
        coded = table.column(name).fill_null("").combine_chunks().dictionary_encode()
        words = np.array([*coded.dictionary.to_pylist(), ""], object)
        return np.asarray(words[coded.indices.to_numpy()])

    covariates = {}
    for name in NUMBER_COLUMNS:
        if name.startswith("shots_") or name == "count":
            continue
        values = number(name, np.nan)
        if not np.isnan(values).all():
            covariates[name] = values
    labels = {}
    for name in TEXT_COLUMNS:
        if name in RECORD_TEXTS:
            continue
        words = text(name)
        if (words != "").any():
            labels[name] = words
    lots = text("lot")
    extras = table.column("extra")
    for i, extra in enumerate(extras.to_pylist() if extras.null_count < n else ()):
        for key, value in (json.loads(extra) if extra else {}).items():
            if key in RECORD_TEXTS:
                # an extra column of a store that did not know this one yet
                if key == "lot" and not lots[i]:
                    lots[i] = value if isinstance(value, str) else f"{value:g}"
            elif isinstance(value, str):
                labels.setdefault(key, np.full(n, "", object))[i] = value
            else:
                covariates.setdefault(key, np.full(n, np.nan))[i] = value
    return LifeRecords(
        number("shots_from", 0.0),
        number("shots_good", 0.0),
        number("shots_failed", np.inf),
        number("count", 1.0),
        text("mode"), text("builder"), text("module"), text("slot"), text("unit"), text("part"),
        lots, text("event"), text("removed"),
        covariates,
        labels,
    )  # fmt: skip
