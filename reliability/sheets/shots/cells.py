"""One pass over a shot log of any size, out of core: sums over cells.

A cell is the rows of one module in one stretch of 512 counts whose place in the file runs in step with
the counter (row number minus counter is one value). So lost rows, resets, repeats and rows out of order
show as a change of that difference, without sorting anything.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from reliability.notes import BadInput
from reliability.sheets.shots.log import (
    OPTIONAL,
    REQUIRED,
    Array,
    LogFile,
    Progress,
    connect,
    open_log,
    quote,
    watched,
)
from reliability.sheets.table import SheetError, SheetFault, refuse

CELL_BITS = 9


CELL = 1 << CELL_BITS


MISFIRE_ABOVE = 0.5
"""a shot that leaves more than this share of the bank's voltage has misfired"""


CHARGED_ABOVE = 0.5
"""below this share of the module's usual voltage the bank was not charged"""


MOST_MISFIRES = 5_000_000


@dataclass(frozen=True)
class Cells:
    """Sums over cells.

    Attributes
    ----------
    columns : tuple of str
        Columns that the file has.
    names : tuple of str
        Modules; ``data["m"]`` and ``ignition["m"]`` point into it.
    order : str
        ``file`` (as the rows stand), ``module`` (modules' rows are mixed) or ``time``.
    data : dict of arrays (n,)
        By cell: ``m`` module, ``file``, ``cell``, ``run`` (row number less counter), ``lo``, ``hi`` first and last
        count, ``n`` rows, ``nb`` with a voltage before, ``nv`` fired, ``misfires``, ``uncharged``, ``unread``,
        ``t0``, ``t1`` times, ``vb_min`` lowest and ``sv`` sum of the voltages before, ``sq`` sum of V^2 given up,
        ``qe``, ``qd``, ``end``, ``sa``, ``ss`` for the capacitance, ``last`` count with the bank charged.
    hit_cell, hit_shot : arrays (k,)
        Each misfire: row of its cell, and the counter.
    ignition : dict of arrays
        ``m, file, run, shot, volts, n, misfires`` by stretch of shots and ignition voltage.
    """

    columns: tuple[str, ...]
    names: tuple[str, ...]
    order: str
    data: dict[str, Array]
    hit_cell: Array
    hit_shot: Array
    ignition: dict[str, Array]


def _rows(log: LogFile, index: int) -> str:
    """The log's rows with ``ord``, which goes up by one from row to row."""
    names = ", ".join(
        ["module::VARCHAR AS module", "shot::BIGINT AS shot",
         *(f"{n}::DOUBLE AS {n}" if n in log.columns else f"NULL::DOUBLE AS {n}" for n in OPTIONAL)]
    )  # fmt: skip
    off = "(shot <> floor(shot))" if log.floating else "false"
    return f"(SELECT {names}, {off} AS off, {index} AS file, place AS ord FROM {log.source})"


def _sorted(
    c: duckdb.DuckDBPyConnection, log: LogFile, order: str, folder: Path, progress: Progress | None
) -> LogFile:
    """The log with its rows in order, sorted on disk."""
    place = folder / f"{hashlib.sha256(str(log.path).encode()).hexdigest()[:16]}.parquet"
    keys = {"module": "module, place", "time": "module, time_s, place"}[order]
    kept = ", ".join(log.columns)
    watched(
        c, f"COPY (SELECT {kept} FROM {log.source} ORDER BY {keys}) TO {quote(str(place))} (FORMAT parquet)",
        f"{log.path.name} (sorting)", progress,
    )  # fmt: skip
    source = f"(SELECT *, file_row_number AS place FROM read_parquet({quote(str(place))}, file_row_number=true))"
    return replace(log, source=source)


def _sums(
    rows: str,
    columns: Sequence[str],
    usual: bool = False,
    tidy: bool = False,
    floating: bool = False,
    full: frozenset[str] = frozenset(),
) -> str:
    """The statement that makes cells; ``usual`` where rows carry the module's usual voltage."""
    has = set(columns)
    volts = {"main_V_before", "main_V_after"} <= has
    if tidy:
        clean = ", ".join(f"CASE WHEN isfinite({n}) THEN {n} END AS {n}" for n in OPTIONAL)
        rows = f"(SELECT * REPLACE ({clean}) FROM {rows})"
    charged = f"main_V_before >= {CHARGED_ABOVE} * usual" if usual and volts else "true"
    hit = f"main_V_after > {MISFIRE_ABOVE} * main_V_before" + (f" AND {charged}" if usual else "")
    fired = f"main_V_after <= {MISFIRE_ABOVE} * main_V_before" + (
        f" AND {charged}" if usual else ""
    )
    started = "main_V_start" in has
    balance = volts and "charge_J" in has
    slope = {"charge_mA", "charge_V_s"} <= has
    # a charge that began from the last shot's rest: its square is put right by the last row later
    rest = "main_V_start" if started else "main_V_after"
    terms = {"lo": "min(shot)", "hi": "max(shot)", "n": "count(*)"}
    if floating:
        terms["off"] = "count(*) FILTER (off)"
    if "time_s" in has:
        terms |= {"t0": "min(time_s)", "t1": "max(time_s)"}
    if "main_V_before" in has:
        terms["vb_min"] = "min(main_V_before)"
        terms["sv"] = "sum(main_V_before)"
        if "main_V_before" not in full:
            terms["nb"] = "count(main_V_before)"
    if volts:
        # where no voltage is missing, what has not misfired has fired
        if tidy:
            terms["nv"] = f"count(*) FILTER ({fired})"
        elif "main_V_after" not in full:
            terms["nv"] = "count(main_V_after)"
        terms["sq"] = (
            f"sum(main_V_before * main_V_before - main_V_after * main_V_after) FILTER ({fired})"
        )
        terms["hits"] = f"list(shot) FILTER ({hit})"
    if usual and volts:
        terms["uncharged"] = f"count(*) FILTER (NOT ({charged}))"
        terms["last"] = f"max(shot) FILTER ({charged})"
    if balance:
        terms["qe"] = "sum(charge_J)"
        terms["qd"] = (
            f"sum(main_V_before * main_V_before - {rest} * {rest}) FILTER (charge_J IS NOT NULL)"
        )
        if not started:
            terms["end"] = "arg_max(main_V_after, shot)"
    if slope:
        terms["sa"] = "sum(charge_mA) FILTER (charge_V_s > 0)"
        terms["ss"] = "sum(charge_V_s) FILTER (charge_V_s > 0 AND charge_mA IS NOT NULL)"
    listed = ", ".join(f"{v} AS {k}" for k, v in terms.items())
    if usual:
        return (
            f"SELECT module, file, shot >> {CELL_BITS} AS cell, min(ord) - min(shot) AS run, {listed} "
            f"FROM {rows} GROUP BY module, file, cell, island"
        )
    return (
        f"SELECT module, any_value(file) AS file, shot >> {CELL_BITS} AS cell, ord - shot AS run, {listed} "
        f"FROM {rows} GROUP BY module, cell, run"
    )


_SUMS = ("sv", "sq", "qe", "qd", "end", "sa", "ss", "t0", "t1", "vb_min")


_COUNTS = ("file", "cell", "run", "lo", "hi", "n", "off", "nb", "nv", "uncharged", "last")


def _coded(values: Array, names: Sequence[str] | None = None) -> tuple[Array, tuple[str, ...]]:
    """Module names as numbers, and the names; -1 where there is none."""
    if names is None:
        given = np.ma.asarray(values)
        codes, found = pd.factorize(pd.Series(given.data).mask(np.ma.getmaskarray(given)))
        return np.asarray(codes, np.int64), tuple(str(n) for n in found)
    return np.asarray(
        pd.Index(list(names)).get_indexer(pd.Index(np.asarray(values, object))), np.int64
    ), tuple(names)


def _fetch(
    c: duckdb.DuckDBPyConnection, tidy: bool = False
) -> tuple[dict[str, Array], tuple[str, ...], Array, Array]:
    """The table ``cells`` as arrays (nan and 0 where the log has no such column), its modules and misfires."""
    raw = c.execute("SELECT * FROM cells ORDER BY rowid").fetchnumpy()
    lists = raw.pop("hits", None)
    size = raw["n"].size
    codes, names = _coded(raw["module"])
    data: dict[str, Array] = {"m": codes}
    for name in _SUMS:
        given = raw.get(name, np.full(size, np.nan))
        data[name] = np.ma.filled(np.ma.asarray(given, float), np.nan)
    for name in _COUNTS:
        given = raw.get(name, np.zeros(size))
        data[name] = np.ma.filled(np.ma.asarray(given), -1).astype(np.int64)
    volts = np.isfinite(data["sv"]).any()
    for name, same in (("last", True), ("nb", volts), ("nv", volts)):
        if name not in raw and same:
            data[name] = data["hi" if name == "last" else "n"].copy()
    data["misfires"] = np.zeros(size, np.int64)
    if lists is None:
        data["unread"] = data["n"].copy()
        return data, names, np.zeros(0, np.int64), np.zeros(0, np.int64)
    many = c.execute("SELECT sum(len(hits)) FROM cells").fetchone()
    if many is not None and (many[0] or 0) > MOST_MISFIRES:
        raise BadInput(
            f"{many[0]:,} misfires in a shot log, more than {MOST_MISFIRES:,}: are the columns main_V_before and "
            "main_V_after what they should be?"
        )
    hits = c.execute("SELECT rowid AS k, unnest(hits) AS shot FROM cells ORDER BY k").fetchnumpy()
    k = np.asarray(hits["k"], np.int64)
    np.add.at(data["misfires"], k, 1)
    if not tidy:
        data["nv"] -= data["misfires"]
    data["unread"] = data["n"] - data["nv"] - data["misfires"] - data["uncharged"]
    return data, names, k, np.asarray(hits["shot"], np.int64)


def _faults(c: duckdb.DuckDBPyConnection, log: LogFile) -> list[SheetFault]:
    """Rows that break a rule, the first thousand."""
    name, faults = log.path.name, []
    if log.path.suffix.lower() == ".csv":
        for line, column, text in c.execute(
            "SELECT line, column_name, error_message FROM reject_errors ORDER BY line LIMIT 1000"
        ).fetchall():
            faults.append(SheetFault(name, int(line), str(column or ""), str(text).splitlines()[0]))
        if faults:
            return faults
    shot = "shot <> floor(shot) OR isinf(shot) OR isnan(shot) OR" if log.floating else ""
    bad = c.execute(
        f"SELECT place, module::VARCHAR, shot FROM {log.source} WHERE module IS NULL OR trim(module::VARCHAR) = '' "
        f"OR shot IS NULL OR {shot} shot < 0 ORDER BY place LIMIT 1000"
    ).fetchall()
    for place, module, value in bad:
        row = int(place) + 2
        if module is None or not str(module).strip():
            faults.append(SheetFault(name, row, "module", "empty; it is required"))
        if value is None or not 0 <= value < 2**53 or value != int(value):
            shown = "empty" if value is None else f"{value:g} is no count"
            faults.append(
                SheetFault(name, row, "shot", f"{shown}; a whole number of 0 or more is wanted")
            )
    return faults


def _order(c: duckdb.DuckDBPyConnection, log: LogFile) -> str:
    """How the rows are to be taken, from the first 50,000: as they stand, or sorted."""
    ways = {
        "file": "place",
        "module": "row_number() OVER (PARTITION BY module ORDER BY place)",
        "time": "row_number() OVER (PARTITION BY module ORDER BY time_s, place)",
    }
    if "time_s" not in log.columns:
        del ways["time"]
    for name, ord_ in ways.items():
        row = c.execute(
            f"SELECT count(*), count(DISTINCT (module, ord - shot)) FROM (SELECT module, shot, {ord_} AS ord "
            f"FROM (FROM {log.source} LIMIT 50000))"
        ).fetchone()
        assert row is not None
        if row[1] <= max(20, row[0] / 20):
            return name
    return name


def _ignition(
    c: duckdb.DuckDBPyConnection,
    rows: str,
    tidy: bool,
    data: dict[str, Array],
    names: Sequence[str],
) -> dict[str, Array]:
    """Shots and misfires by stretch of 16,384 counts and ignition voltage."""
    # where no counter goes back, one offset serves the file: there is no need to group by run
    order = np.lexsort((data["lo"] + data["run"], data["m"]))
    m, lo = data["m"][order], data["lo"][order]
    single = not ((m[1:] == m[:-1]) & (lo[1:] < lo[:-1])).any()
    run = "any_value(ord - shot)" if single else "ord - shot"
    head = c.execute(
        "SELECT quantile_cont(v, [0.01, 0.99]) FROM (SELECT ignition_V AS v FROM "
        f"{rows} WHERE isfinite(ignition_V) LIMIT 200000)"
    ).fetchone()
    assert head is not None
    low, high = head[0] if head[0] is not None else (0.0, 1.0)
    width = max((high - low) / 12, 1e-9, abs(high) * 1e-6)
    ok = (
        "WHERE isfinite(ignition_V) AND isfinite(main_V_after) AND isfinite(main_V_before)"
        if tidy
        else ""
    )
    raw = c.execute(
        f"SELECT module, any_value(file) AS file, {run} AS run, shot >> {CELL_BITS + 5} AS stretch, floor(ignition_V / {width!r}) AS bin, "
        "count(*) AS n, "
        f"count(*) FILTER (main_V_after > {MISFIRE_ABOVE} * main_V_before) AS misfires FROM {rows} "
        f"{ok} GROUP BY module, {'' if single else 'run, '}stretch, bin"
    ).fetchnumpy()
    known = ~np.ma.getmaskarray(np.ma.asarray(raw["bin"]))
    r = {k: np.asarray(np.ma.filled(v, -1))[known] for k, v in raw.items()}
    # the middle of each bin stands for it
    return {
        "m": _coded(r["module"], names)[0], "file": r["file"], "run": r["run"], "n": r["n"], "misfires": r["misfires"],
        "shot": (r["stretch"] + 0.5) * 32 * CELL, "volts": (r["bin"] + 0.5) * width,
    }  # fmt: skip


def read_cells(
    path: Path, index: int = 0, progress: Progress | None = None, memory: str = "1GB"
) -> Cells:
    """One pass over a log.

    Parameters
    ----------
    path : Path
    index : int
        Number of the file among the pieces.
    progress : callable, optional
        Told the label and the share done.
    memory : str
        What DuckDB may use before it spills to disk.

    Raises
    ------
    SheetError
        With the faults of the file.
    """
    log = open_log(path)
    with connect([path], memory) as (c, folder):
        try:
            order = _order(c, log)
            taken = log if order == "file" else _sorted(c, log, order, folder, progress)
            rows = _rows(taken, index)
            watched(
                c,
                f"CREATE TEMP TABLE cells AS {_sums(rows, log.columns, floating=log.floating, full=log.full)}",
                path.name,
                progress,
            )
            if path.suffix.lower() == ".csv" and _rejected(c):
                raise SheetError(_faults(c, log))
            data, names, hit_cell, hit_shot = _fetch(c)
            if not data["n"].size:
                raise refuse(path.name, "a header but no rows; one row a shot is wanted", 2)
            blank = np.array([*(not n.strip() for n in names), True])
            bad = blank[data["m"]] | (data["lo"] < 0)
            if (bad | (data["off"] > 0)).any():
                faults = _faults(c, log)
                if faults:
                    raise SheetError(faults)
            tidy = _incomplete(data, log.columns)
            if tidy:
                c.execute(
                    f"CREATE OR REPLACE TEMP TABLE cells AS {_sums(rows, log.columns, tidy=True, floating=log.floating)}"
                )
                data, names, hit_cell, hit_shot = _fetch(c, tidy=True)
            wanted = {"ignition_V", "main_V_before", "main_V_after"} <= set(log.columns)
            ignition = _ignition(c, rows, tidy, data, names) if wanted else {}
        except duckdb.Error as e:
            faults = []
            if path.suffix.lower() == ".csv" and "reject" not in str(e):
                try:
                    faults = _faults(c, log)
                except duckdb.Error:
                    faults = []
            if faults:
                raise SheetError(faults) from None
            raise refuse(path.name, f"could not be reduced: {str(e).splitlines()[0]}") from None
    return Cells(log.columns, names, order, data, hit_cell, hit_shot, ignition)


def _incomplete(data: dict[str, Array], columns: Sequence[str]) -> bool:
    """Whether some voltage is missing or no number, so that the plain sums do not do."""
    if not {"main_V_before", "main_V_after"} <= set(columns):
        return False
    missing = (data["unread"] != 0) | (data["nb"] != data["n"])
    return bool(
        missing.any() or not np.isfinite(data["sv"] + np.where(data["nv"] > 0, data["sq"], 0)).all()
    )


def _rejected(c: duckdb.DuckDBPyConnection) -> bool:
    row = c.execute("SELECT count(*) FROM reject_errors").fetchone()
    return row is not None and row[0] > 0


def recheck(
    paths: Sequence[Path], orders: Sequence[str], module: Sequence[str],
    cell: Sequence[int], usual: dict[str, float], memory: str = "1GB",
) -> tuple[Cells, dict[str, int]]:  # fmt: skip
    """Some cells once more, row by row: repeats left out, uncharged shots set apart.

    Parameters
    ----------
    paths, orders : sequences
        All pieces, and how each one's rows are taken.
    module, cell : sequences (k,)
        Which cells.
    usual : dict
        Usual voltage of each module, nan if unknown.

    Returns
    -------
    Cells, and how many repeated rows were left out of each module.
    """
    import pyarrow as pa

    logs = [open_log(p) for p in paths]
    columns = tuple(n for n in (*REQUIRED, *OPTIONAL) if any(n in g.columns for g in logs))
    wanted = pa.table(
        {
            "module": list(module),
            "cell": np.asarray(cell, np.int64),
            "usual": [usual[m] for m in module],
        }
    )
    with connect(paths, memory) as (c, folder):
        c.register("wanted", wanted)
        logs = [g if o == "file" else _sorted(c, g, o, folder, None) for g, o in zip(logs, orders)]
        parts = " UNION ALL ".join(
            f"SELECT r.*, w.usual FROM {_rows(g, i)} r JOIN wanted w "
            f"ON r.module = w.module AND r.shot >> {CELL_BITS} = w.cell"
            for i, g in enumerate(logs)
        )
        same = ", ".join(("module", "shot", *OPTIONAL))
        c.execute(
            f"CREATE TEMP TABLE kept AS SELECT {same}, false AS off, any_value(usual) AS usual, count(*) AS times, "
            f"min(file) AS file, arg_min(ord, (file, ord)) AS ord FROM ({parts}) GROUP BY {same}"
        )
        # islands: rows in order whose counter goes up by one
        c.execute(
            "CREATE TEMP TABLE islands AS SELECT *, sum(CASE WHEN shot = before + 1 THEN 0 ELSE 1 END) OVER "
            "(PARTITION BY module ORDER BY file, ord ROWS UNBOUNDED PRECEDING) AS island FROM (SELECT *, lag(shot) OVER "
            "(PARTITION BY module ORDER BY file, ord) AS before FROM kept)"
        )
        twice = dict(
            c.execute("SELECT module, sum(times - 1)::BIGINT FROM kept GROUP BY module").fetchall()
        )
        c.execute(f"CREATE TEMP TABLE cells AS {_sums('islands', columns, usual=True, tidy=True)}")
        data, names, hit_cell, hit_shot = _fetch(c, tidy=True)
    return Cells(columns, names, "file", data, hit_cell, hit_shot, {}), {
        k: int(v) for k, v in twice.items()
    }
