"""Serial logs of microcontrollers: text lines by a pattern, found from the lines or given, as a shot log's columns."""

from __future__ import annotations

import datetime as dt
import io
import json
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from reliability.notes import BadInput, Note
from reliability.safe_text import bounded
from reliability.sheets.bench.desk import Question
from reliability.sheets.limits import LIMITS
from reliability.sheets.shots.log import OPTIONAL
from reliability.sheets.table import SheetError, SheetFault, file_bytes, refuse

FIELDS = ("module", "shot", *OPTIONAL, "misfire", "misfires")
NAMES = {
    "shot": "shot shots n no nr cnt count counter pulse puls schuss tir disparo colpo seq num fire firing discharge",
    "main_V_before": "vb v0 vpre pre before vmain vcap vbank ub uvor vor main hv vhv charge mainvbefore vbefore u0 bank",
    "misfire": "misfire miss missed nofire nospark",
    "misfires": "misfires misses",
    "main_V_after": "va v1 vpost post after rest resid remaining vrest ua unach nach residual mainvafter vafter u1",
    "ignition_V": "vign ign ignition vi uz zuend zund trigger trig spark ignitionv vspark",
    "time_s": "t time ts millis ms zeit uptime sec micros us times tms tus",
    "module": "module modul mod dut id",
}  # fmt: skip
_BY_NAME = {
    w: k for k, words in NAMES.items() for w in (*words.split(), k.lower().replace("_", ""))
}
_NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?:[eE][+-]?\d{1,2})?")
_HEX = re.compile(r"(?<![\w.])0[xX]([0-9a-fA-F]{1,8})(?!\w)")
_CLOCK = re.compile(r"(?<![\d:])([01]?\d|2[0-3]):([0-5]\d):([0-5]\d)(\.\d{1,9})?(?![\d:])")
_DATED = re.compile(
    r"(?<!\d)(?:(\d{4})-(\d\d)-(\d\d)|(\d{1,2})\.(\d{1,2})\.(\d{4}))[T ,;]\s?"
    r"(?=(?:[01]?\d|2[0-3]):[0-5]\d:[0-5]\d)"
)
_UNIT = r"(?=\s?(?:[km]?V|[um]?s|[mk]?A|[un\u00b5]F)\b)"
_COMMA = re.compile(
    rf"(?<![\d.,])(\d{{1,6}}),(\d{{1,2}}|\d{{3}}(?=\s?kV)|\d{{4,9}}|(?<=\b0,)\d+){_UNIT}"
)
_DOUBTFUL = re.compile(rf"(?<![\d.,])[1-9]\d{{0,2}},\d{{3}}{_UNIT}")
_BOOT = re.compile(
    r"\b(?:boot|reboot|reset|start(?:ing|ed|up)?|power[- ]?on|brown-?out|watchdog|wdt|init|hello|firmware)\b",
    re.I,
)
_MISSED = r"\b(?:misfire|mis-fire|no[- ]?fire|no[- ]?spark|missed|fehlz\w*|aussetzer|rat\u00e9)\b"
_MISFIRE = re.compile(_MISSED + r"(?!\s?[=:]\s?[-+]?\d)", re.I)
"""a word for a misfire; with a number behind it, it is a field like others"""
_TWO_MARKS = re.compile(r"([,;|])\s?\1")
_DENIED = re.compile(_MISSED + r"\s?[=:]\s?(?:no|n|nein|non|false|none|-)(?!\w)[,;]?", re.I)
_SAID = re.compile(rf"({_MISSED})\s?[=:]\s?(?:yes|y|ja|oui|true)(?!\w)", re.I)
_FIRED = re.compile(r"\b(?:fired|fire|ok|spark|good|gez\u00fcndet|gezuendet)\b", re.I)
TICKS = 2.0**32
"""count at which the clocks of common controllers begin anew (32 bits; common practice, no source)"""
MAX_LINE = 2_000
"""characters of a line that are looked at"""
DAY = 86_400.0
ADC_TOPS = (1023, 4095, 8191, 16383, 65535)


@dataclass(frozen=True)
class SerialSettings:
    """How lines are read.

    Attributes
    ----------
    pattern : str
        A line with ``{field}`` in place of each number, such as ``#{shot} t={time} Vb={before}``; "" to
        find it. Blanks match any number of blanks; the pattern may stand anywhere in the line.
    names : dict
        Field of the pattern to our column (``shot, main_V_before, main_V_after, ignition_V, time_s``) or ``-``.
    scale : dict
        Our column to its factor: volts a converter count, or seconds a tick.
    module : str
        Module that the log is of, where lines do not say.
    """

    pattern: str = ""
    names: Mapping[str, str] = field(default_factory=dict)
    scale: Mapping[str, float] = field(default_factory=dict)
    module: str = ""

    def text(self) -> str:
        """The settings as JSON, for later runs."""
        out = {
            "format": "serial-log-1",
            "pattern": self.pattern,
            "names": dict(self.names),
            "scale": dict(self.scale),
        }
        return json.dumps({**out, "module": self.module}, indent=1, ensure_ascii=False) + "\n"

    @classmethod
    def parse(cls, text: str) -> SerialSettings:
        """Read settings. Raises BadInput."""
        try:
            raw = json.loads(text)
            assert raw["format"] == "serial-log-1"
            scale = {str(k): float(v) for k, v in raw.get("scale", {}).items()}
            names = {str(k): str(v) for k, v in raw.get("names", {}).items()}
            return cls(str(raw.get("pattern", "")), names, scale, str(raw.get("module", "")))
        except (ValueError, KeyError, TypeError, AssertionError, AttributeError, RecursionError):
            raise BadInput(
                'not settings of a serial log: "format": "serial-log-1" is wanted'
            ) from None

    def answered(self, answers: Mapping[str, str]) -> SerialSettings:
        """With answers by question id (``names:FIELD``, ``scale:COLUMN``, ``module:name``). Raises BadInput."""
        names, scale, module = dict(self.names), dict(self.scale), self.module
        for ident, answer in answers.items():
            what, _, key = ident.partition(":")
            if what == "names" and answer in (*FIELDS, "-"):
                names[key] = answer
            elif what == "scale":
                try:
                    scale[key] = float(answer)
                except ValueError:
                    raise BadInput(f"{ident}: {answer!r} is not a number") from None
            elif what == "module":
                module = answer
            else:
                raise BadInput(f"{ident!r}: {answer!r} answers nothing")
        return replace(self, names=names, scale=scale, module=module)


@dataclass(frozen=True)
class SerialLog:
    """A serial log as a shot log.

    Attributes
    ----------
    file : str
    settings : SerialSettings
        With the pattern and names that were found.
    columns : dict of arrays
        ``module, shot`` and as far as there are ``main_V_before, main_V_after, ignition_V, time_s``.
    flagged : array
        Index of the rows whose line says that the igniter missed.
    lines, unread, boots, wraps : int
    notes : tuple of Note
    questions : tuple of Question
        To be answered before ``parquet`` gives the log.
    """

    file: str
    settings: SerialSettings
    columns: dict[str, Any]
    flagged: Any
    lines: int
    unread: int
    boots: int
    wraps: int
    notes: tuple[Note, ...]
    questions: tuple[Question, ...]

    def parquet(self, agree: bool = False) -> bytes:
        """The log as Parquet, as ``reduce_logs`` takes it.

        Raises
        ------
        SheetError
            With every open question.
        """
        open_ = [q for q in self.questions if q.grave or not agree]
        if open_:
            raise SheetError(
                [SheetFault(self.file, 0, q.id, f"not answered: {q.text}") for q in open_]
            )
        import pyarrow as pa
        import pyarrow.parquet as pq

        out = io.BytesIO()
        pq.write_table(pa.table(self.columns), out)
        return out.getvalue()


def flagged_rows(log: SerialLog, builder: str) -> list[dict[str, Any]]:
    """Rows of a misfire sheet from the lines that say so, for logs without the voltage after the shot.

    With voltages the reduction tells misfires itself (a shot that leaves more than half of the bank's voltage).

    Raises
    ------
    SheetError
        If the counter goes back: which shots were meant cannot be told.
    """
    shot, module = log.columns["shot"], log.columns["module"]
    rows: list[dict[str, Any]] = []
    for name in dict.fromkeys(module.tolist()):
        own = np.flatnonzero(module == name)
        if (np.diff(shot[own]) <= 0).any():
            raise refuse(
                log.file,
                f"the counter of {name} goes back; flagged misfires need one that runs on",
                column="shot",
            )
        base = {"builder": builder, "module": name, "slot": "igniter", "unit": ""}
        if shot[own[0]] > 1:
            rows.append({**base, "shots": int(shot[own[0]]) - 1, "event": "start"})
        rows += [
            {**base, "shots": int(shot[i]), "event": "misfire"}
            for i in log.flagged
            if module[i] == name
        ]
        rows.append({**base, "shots": int(shot[own[-1]]), "event": "end"})
    return rows


def is_serial_log(text: str) -> bool:
    """Whether most lines look like a controller's: one pattern of words and numbers, no table of columns."""
    lines = [s for s in text[:100_000].splitlines() if s.strip()][:500]
    if len(lines) < 5:
        return False
    lines = [_decimal(s) for s in lines]
    found = _commonest(lines)
    named = [_ours(n) for n in _field_names(found)]
    if "shot" not in named or len(named) < 2:
        return False
    # names that say nothing are asked about, if most lines are of this one kind
    alike = sum(_skeleton(_without_miss(s)) == found for s in lines)
    return sum(n is not None for n in named) >= 2 or alike * 2 > len(lines)


def read_serial(
    path: Path, data: bytes | None = None, settings: SerialSettings | None = None
) -> SerialLog:
    """Read a serial log.

    Parameters
    ----------
    path : Path
    data : bytes, optional
    settings : SerialSettings, optional
        Given once, or those of an earlier log.

    Raises
    ------
    SheetError
        If no pattern is found, too few lines follow it, or a limit is passed.
    """
    data = file_bytes(path, data)
    text = data.decode("utf-8", "replace")
    settings = settings or SerialSettings()
    lines = [_decimal(s) for s in text.splitlines()]
    if len(lines) > LIMITS.cells:
        raise refuse(path.name, LIMITS.refusal("rows"))
    full = [s for s in lines if s.strip()]
    if doubtful := next((m[0] for s in full[:20_000] if (m := _DOUBTFUL.search(s[:400]))), ""):
        raise refuse(
            path.name,
            f"is {doubtful!r} thousands or a decimal comma? Let the controller print a decimal point, or none, and replace it in the log",
        )
    if any(len(s) > LIMITS.cell_chars for s in lines):
        raise refuse(path.name, LIMITS.refusal("cell_chars"))
    pattern = settings.pattern or _template(_commonest(full[:20_000]))
    if not pattern:
        raise refuse(
            path.name,
            "no pattern is found in its lines; give one such as '#{shot} t={time} Vb={before} Va={after}'",
        )
    return _read(path.name, full, replace(settings, pattern=pattern))


def _decimal(line: str) -> str:
    """A line with each number as one plain decimal: hexadecimal counts (``0x2F0``), a time of day (as seconds
    of the day, or of a dated one since the calendar began), a decimal comma before a unit (``1,20 kV``).
    Where it says of each shot whether it was a misfire, only a yes is left."""
    if "0x" in line or "0X" in line:
        line = _HEX.sub(lambda m: str(int(m[1], 16)), line)
    if ":" in line:
        line = _CLOCK.sub(_seconds, line) if (m := _DATED.search(line)) is None else _dated(line, m)
    if ("=" in line or ":" in line) and _DENIED.search(line):
        line = _DENIED.sub("", line)
    elif _SAID.search(line):
        line = _SAID.sub(r"\1", line)
    return _COMMA.sub(r"\1.\2", line) if "," in line else line


def _seconds(m: re.Match[str]) -> str:
    whole = int(m[1]) * 3600 + int(m[2]) * 60 + int(m[3])
    return f"{whole}{m[4] or ''}"


def _dated(line: str, day: re.Match[str]) -> str:
    """A line whose date and time of day became one number of seconds."""
    time = _CLOCK.match(line, day.end())
    assert time is not None  # the date is followed by a time of day
    y, m, d = (day[1], day[2], day[3]) if day[1] else (day[6], day[5], day[4])
    try:
        days = dt.date(int(y), int(m), int(d)).toordinal()
    except ValueError:
        return line
    of_day = int(time[1]) * 3600 + int(time[2]) * 60 + int(time[3])
    return f"{line[: day.start()]}{days * 86_400 + of_day}{time[4] or ''}{line[time.end() :]}"


def _without_miss(line: str) -> str:
    """A line without its word for a misfire, and without the mark that parted it."""
    found = _MISFIRE.search(line)
    return line if found is None else _TWO_MARKS.sub(r"\1", _MISFIRE.sub("", line))


def _skeleton(line: str) -> str:
    return " ".join(_NUMBER.sub("\0", line[:400]).split())


def _commonest(lines: list[str]) -> str:
    """The line pattern that most lines with numbers follow, \\0 for each number; misfire words left aside."""
    seen = Counter(_skeleton(_without_miss(s[:400])) for s in lines if any(c.isdigit() for c in s))
    good = [(n, len(k), k) for k, n in seen.items() if "\0" in k and n >= 2]
    return max(good)[2] if good else ""


def _field_names(skeleton: str) -> list[str]:
    """A name for each number: the word before it."""
    out: list[str] = []
    before = skeleton.split("\0")[:-1]
    for i, piece in enumerate(before):
        words = re.findall(
            r"[^\W\d_][\w]*",
            piece.rpartition(",")[2] if i and "=" not in piece and ":" not in piece else piece,
        )
        name = words[-1].lower() if words else ("shot" if "#" in piece else f"field{i + 1}")
        while name in out:
            name += "_"
        out.append(name)
    return out


def _template(skeleton: str) -> str:
    names = iter(_field_names(skeleton))
    return re.sub(
        "\0", lambda _: "{" + next(names) + "}", skeleton.replace("{", "").replace("}", "")
    )


def _ours(name: str) -> str | None:
    return _BY_NAME.get(re.sub(r"[^a-z0-9]", "", name.lower()))


def _expression(pattern: str) -> tuple[re.Pattern[str], list[str]]:
    """A pattern as a regular expression without nested repeats, and its fields."""
    names = re.findall(r"\{([^{}]{1,40})\}", pattern)
    if not names or len(set(names)) != len(names) or len(names) > 40:
        raise BadInput("a pattern has each field once, in braces, such as '#{shot} Vb={before}'")
    pieces = re.split(r"\{[^{}]{1,40}\}", " ".join(pattern.split()))
    if any(not p for p in pieces[1:-1]):
        raise BadInput("between two fields of a pattern stands at least a blank or a mark")
    # lines come with single blanks; each piece can match in one way only, so that nothing backtracks
    escaped = [
        " ?".join(re.escape(w) for w in p.split(" ")) if p.strip() else re.escape(p) for p in pieces
    ]
    number = r" ?([-+]?\d{1,18}(?:\.\d{1,12})?(?:[eE][+-]?\d{1,2})?)(?![\d.])"
    return re.compile(number.join(escaped).replace(" ? ?", " ?")), names


def _read(file: str, lines: list[str], settings: SerialSettings) -> SerialLog:
    expression, names = _expression(settings.pattern)
    found: list[tuple[str, ...]] = []
    flagged: list[int] = []
    boot_at: list[int] = []
    unread = []
    # a line of a miss may say so where others say that it fired
    fired = _FIRED.search(settings.pattern)
    for i, s in enumerate(lines):
        line = s[:MAX_LINE]
        miss = _MISFIRE.search(line) is not None
        m = expression.search(" ".join((_without_miss(line) if miss else line).split()))
        if miss and m is None and fired:
            m = expression.search(" ".join(_MISFIRE.sub(fired[0], line).split()))
        if m is None:
            if _BOOT.search(line):
                if found and boot_at[-1:] != [
                    len(found)
                ]:  # several lines are one reboot, the first is the start
                    boot_at.append(len(found))
            elif any(c.isdigit() for c in line):
                unread.append(i)
            continue
        if miss:
            flagged.append(len(found))
        found.append(m.groups())
    if len(found) < 2 or len(unread) > len(found):
        shown = bounded(lines[unread[0]], 80) if unread else ""
        raise refuse(
            file,
            f"{len(found)} lines follow the pattern {settings.pattern!r}, {len(unread)} others hold numbers ({shown!r}); give a pattern",
        )
    raw = np.array(found, dtype=object).astype(float) if found else np.zeros((0, len(names)))
    questions: list[Question] = []
    notes: list[Note] = []
    columns, used = _named(settings, names, raw, questions)
    flagged += _missed(settings, columns, used, notes, questions)
    wraps, boots = _clock(columns, used, settings, boot_at, notes, questions)
    _volts(columns, used, settings, questions)
    _modules(file, columns, settings, questions, len(found))
    if unread:
        shown = bounded(lines[unread[0]], 60)
        notes.append(
            Note(
                "lines_unread",
                f"{len(unread):,} of {len(lines):,} lines hold numbers but do not follow the pattern, such as {shown!r}; left out.",
            )
        )
    if flagged:
        notes.append(
            Note("misfires_flagged", f"{len(set(flagged)):,} lines say that the igniter missed.")
        )
    kept = replace(settings, names={**dict(settings.names), **used})
    return SerialLog(
        file, kept, columns, np.unique(np.array(flagged, int)), len(lines), len(unread), boots, wraps, tuple(notes), tuple(questions)
    )  # fmt: skip


def _runs_on(values: Any) -> bool:
    """Whether numbers go up from line to line, but for a few wraps or reboots, by more than one."""
    step = np.diff(values)
    return bool(step.size and (step >= 0).mean() > 0.95 and np.median(step) > 1)


def _named(
    settings: SerialSettings, names: list[str], raw: Any, questions: list[Question]
) -> tuple[dict[str, Any], dict[str, str]]:
    """Our columns from the pattern's fields."""
    columns: dict[str, Any] = {}
    used: dict[str, str] = {}
    for j, name in enumerate(names):
        ours = settings.names.get(name) or _ours(name)
        if (
            ours is None
            and name.startswith("field")
            and _runs_on(raw[:, j])
            and "time_s" not in used.values()
        ):
            text = (
                f"a number without a name runs on from {raw[0, j]:g} to {raw[-1, j]:g}: the clock?"
            )
            questions.append(Question(f"names:{name}", text, (*FIELDS, "-"), "time_s", False))
            ours = "time_s"
        if ours is None:
            text = f"what is {name!r} (from {raw[:, j].min():g} to {raw[:, j].max():g})? '-' leaves it out"
            questions.append(Question(f"names:{name}", text, (*FIELDS, "-"), "-", False))
            continue
        if ours == "-":
            used[name] = ours
            continue
        if ours in columns:
            text = f"{name!r} and another field both look like {ours}; '-' leaves it out"
            questions.append(Question(f"names:{name}", text, (*FIELDS, "-"), "-", False))
            continue
        columns[ours] = raw[:, j]
        used[name] = ours
    if "shot" not in columns:
        text = "no field counts the shots; lines are counted, and lost lines cannot be seen"
        questions.append(Question("names:line number", text, (), "shot", False))
        columns["shot"] = np.arange(1.0, len(raw) + 1)
    bad = columns["shot"] != np.floor(columns["shot"])
    if bad.any() or (columns["shot"] < 0).any():
        questions.append(
            Question(
                "names:shot",
                "the field of the counter holds numbers that are no counts",
                (),
                "",
                True,
            )
        )
    else:
        columns["shot"] = columns["shot"].astype(np.int64)
    return columns, used


def _missed(
    settings: SerialSettings, columns: dict[str, Any], used: dict[str, str], notes: list[Note], questions: list[Question]
) -> list[int]:  # fmt: skip
    """Rows that missed by a field that says so: 1 for a miss, or how many so far. Neither is a column of a shot log."""
    flag, so_far = columns.pop("misfire", None), columns.pop("misfires", None)
    out: list[int] = []
    if flag is not None and flag.max(initial=0) > 0:
        name = next(k for k, v in used.items() if v == "misfire")
        runs_on = not (np.diff(flag) < 0).any() and (flag > 0).sum() > 1
        if name not in settings.names and (flag.max() > 1 or runs_on):
            text = (
                f"{name!r} runs from {flag.min():g} to {flag.max():g}: does it say of each shot whether it missed "
                "(misfire), or how many did so far (misfires)?"
            )
            questions.append(
                Question(f"names:{name}", text, ("misfire", "misfires", "-"), "", True)
            )
        out += np.flatnonzero(flag > 0).tolist()
    if so_far is not None:
        step = np.diff(so_far, prepend=so_far[0])
        out += np.flatnonzero(step > 0).tolist()
        if (step > 1).any():
            text = f"{int((step - 1)[step > 1].sum()):,} misfires were counted between two lines; they are not among the shots."
            notes.append(Note("misfires_between", text))
    return out


def _clock(
    columns: dict[str, Any], used: dict[str, str], settings: SerialSettings, boot_at: list[int], notes: list[Note], questions: list[Question]
) -> tuple[int, int]:  # fmt: skip
    """Seconds that only go up: wraps of the clock undone, after a reboot it runs on. Wraps and reboots."""
    if "time_s" not in columns:
        return 0, len(boot_at)
    t = columns["time_s"].astype(float)
    name = next(k for k, v in used.items() if v == "time_s").lower()
    unit = (
        "us"
        if re.search(r"us$|micro", name)
        else "ms"
        if re.search(r"ms$|milli", name)
        else "s"
        if name in ("time_s", "sec", "uptime", "times")
        else ""
    )
    scale = settings.scale.get("time_s")
    if scale is None and unit:
        scale = {"us": 1e-6, "ms": 1e-3, "s": 1.0}[unit]
    if scale is None:
        step = float(np.median(np.abs(np.diff(t)))) if t.size > 1 else 0.0
        guess = 1e-6 if step > 2e5 else 1e-3 if step > 100 else 1.0
        text = f"seconds a tick of {name!r}? One shot to the next takes {step:g} ticks"
        questions.append(Question("scale:time_s", text, (), f"{guess:g}", False))
        scale = guess
    top, where = (TICKS, "2^32 ticks") if scale < 0.1 else (DAY / scale, "midnight")
    # of a clock without days any step back by most of a day is a midnight: it was left running
    near = 0.02 if scale < 0.1 else 0.25
    back = np.flatnonzero(np.diff(t) < 0)
    add = np.zeros(t.size)
    wraps, boots = 0, len(boot_at)
    booted = set(boot_at)
    for i in back.tolist():
        fits = (1 - near) * top < t[i] <= top and t[i + 1] < near * top
        wrapped = fits and (scale >= 0.1 or i + 1 not in booted)
        wraps += wrapped
        boots += not wrapped and i + 1 not in booted
        add[i + 1 :] += top if wrapped else t[i]
    columns["time_s"] = np.round((t + add) * scale, 9)
    if wraps:
        notes.append(
            Note("clock_wrapped", f"the clock began anew at {where} {wraps} times; undone.")
        )
    if boots:
        notes.append(
            Note(
                "reboots",
                f"{boots} reboots of the controller; the clock runs on from there, the time between is not known.",
            )
        )
    return wraps, boots


def _volts_behind(pattern: str, used: Mapping[str, str]) -> dict[str, float]:
    """Columns whose unit stands behind the number in every line, and its volts."""
    found = re.findall(r"\{([^{}]{1,40})\} ?([km]?V)\b", pattern)
    return {used[name]: {"kV": 1e3, "mV": 1e-3, "V": 1.0}[unit] for name, unit in found if name in used}  # fmt: skip


def _volts(
    columns: dict[str, Any],
    used: dict[str, str],
    settings: SerialSettings,
    questions: list[Question],
) -> None:
    """Converter counts to volts by scale or the unit behind them; bare whole numbers up to a converter's top are asked about."""
    written = _volts_behind(settings.pattern, used)
    for c in ("main_V_before", "main_V_after", "ignition_V", "main_V_start"):
        if c not in columns:
            continue
        v = columns[c]
        scale = settings.scale.get(c, settings.scale.get("volts", written.get(c)))
        if scale is not None:
            columns[c] = np.round(v * scale, 9)
            continue
        whole = bool((v == np.floor(v)).all())
        top = next((k for k in ADC_TOPS if v.max(initial=0) <= k), None)
        if v.max(initial=0) < 20:
            text = f"{c} runs from {v.min():g} to {v.max():g}: volts a unit (1000 for kV)?"
            questions.append(Question(f"scale:{c}", text, (), "", True))
        elif whole and top is not None and not any(q.id == "scale:volts" for q in questions):
            text = f"{c} holds whole numbers up to {v.max():g}: volts (1), or volts a count of a converter of {top + 1}? One answer for all: scale:volts"
            questions.append(Question("scale:volts", text, (), "", True))


def _modules(
    file: str, columns: dict[str, Any], settings: SerialSettings, questions: list[Question], n: int
) -> None:
    if "module" in columns:
        head = settings.module or "module-"
        columns["module"] = np.array([f"{head}{int(m)}" for m in columns["module"]], object)
        return
    name = settings.module
    if not name:
        name = bounded(file.rpartition(".")[0] or file, 60)
        questions.append(
            Question(
                "module:name",
                f"which module is the log of? {name!r} by the file's name",
                (),
                name,
                False,
            )
        )
    columns["module"] = np.full(n, name, object)
