"""Ninety-odd invented bench files, each with what must come out of it.

    python -m tests.bench_files.make_bench_files [FOLDER]

Writes the files and ``expected.json``. What must come out is computed here from the invented truth, never
by the reader under test. Scenario, builders and numbers are invented.
"""

from __future__ import annotations

import dataclasses
import json
import sys
from decimal import Decimal
from pathlib import Path

from tests.bench_files.abroad import abroad
from tests.bench_files.further import further
from tests.bench_files.logs import WHOSE, made_logs
from tests.bench_files.truth import LEFT_OUT, UNITS, WORDS, comma, grouped, table, truth, workbook


def made():
    """(name, content, kind, answers by id, rows that must come out) of every file."""
    out = []

    def add(name, content, expected, kind="life", answers=None, encoding="utf-8"):
        data = content if isinstance(content, bytes) else content.encode(encoding)
        out.append((name, data, kind, answers or {}, expected))

    kite = {"fill:builder": "kite"}
    W = WORDS
    de = [
        (m, u, grouped(n, "."), comma(v / 1000), comma(c * 1000), W["de"][s])
        for m, u, n, s, v, c in UNITS
    ]
    head_de = ("Modul", "Nr.", "Schuss", "U [kV]", "C (nF)", "Zustand")
    above = ("Lebensdauertest Hauptkondensator", "Werkstatt:;kite", "")
    total = ("Summe;;43.783;;;",)
    add(
        "de_semicolon_cp1252.csv",
        table(head_de, de, above=above, below=total),
        truth(),
        encoding="cp1252",
    )
    add(
        "de_utf8_bom.csv",
        table(head_de, de, above=above, below=total),
        truth(),
        encoding="utf-8-sig",
    )
    add(
        "de_utf16.txt",
        table(head_de, de, "\t", above=[a.replace(";", "\t") for a in above]),
        truth(),
        encoding="utf-16",
    )
    add("de_sep_line.csv", "sep=;\r\n" + table(head_de, de, above=above), truth())
    swiss = [(m, u, grouped(n, "’"), v, f"{c} uF", W["de"][s]) for m, u, n, s, v, c in UNITS]
    add("ch_apostrophe.csv", table(("Modul", "Einheit", "Schusszahl", "Ladespannung (V)", "Kapazität", "Zustand"), swiss,
        above=("Hauptkondensator", "Werkstatt: kite")), truth())  # fmt: skip
    fr = [
        (m, u, grouped(n, "\u202f"), comma(v / 1000) + " kV", comma(c) + " µF", W["fr"][s])
        for m, u, n, s, v, c in UNITS
    ]
    add("fr_narrow_space.csv", table(("Module", "Échantillon", "Nombre de tirs", "Tension de charge", "Capacité", "État"), fr,
        above=("Essai du condensateur principal", "Constructeur;kite")), truth())  # fmt: skip
    es = [
        (m, u, grouped(n, "."), comma(v / 1000), comma(c), W["es"][s]) for m, u, n, s, v, c in UNITS
    ]
    add("es_semicolon.csv", table(("Módulo", "Muestra", "Disparos", "Tensión de carga [kV]", "Capacidad [uF]", "Estado"), es,
        above=("Condensador principal",), below=("Total;;43.783;;;",)), truth(), answers=kite, encoding="cp1252")  # fmt: skip
    it = [(m, u, n, v, c * 1e-6, W["it"][s]) for m, u, n, s, v, c in UNITS]
    add("it_farad.csv", table(("Modulo", "Campione", "Colpi", "Tensione di carica [V]", "Capacità [F]", "Stato"), it, ";",
        above=("Condensatore principale; costruttore: kite",)), truth())  # fmt: skip
    nl = [(m, u, grouped(n, "."), v, comma(c * 1000), W["nl"][s]) for m, u, n, s, v, c in UNITS]
    add("nl_tab.tsv", table(("Module", "Monster nr", "Schoten", "Laadspanning (V)", "Capaciteit (nF)", "Toestand"), nl, "\t",
        above=("Hoofdcondensator", "Bouwer\tkite")), truth(), answers={"decimal:Schoten": ","})  # fmt: skip
    us = [
        ("kite", m, "Main cap", u, grouped(n, ","), v, c, W["en"][s]) for m, u, n, s, v, c in UNITS
    ]
    head_us = (
        "Bench",
        "Module",
        "Position",
        "S/N",
        "Shots",
        "Charge voltage (V)",
        "Cap (uF)",
        "Status",
    )
    add("us_thousands.csv", table(head_us, us, ","), truth())
    add("us_pipes.txt", table(head_us, us, "|"), truth())
    add("us_lone_cr.csv", table(head_us, us, ",", end="\r"), truth())
    doubt = [
        ("kite", m, "main_capacitor", u, grouped(n, "."), v, W["en"][s])
        for m, u, n, s, v, c in UNITS
        if n > 1000
    ]
    big = [u for u in UNITS if u[2] > 1000]
    add("all_doubtful.csv", table(("builder", "module", "slot", "unit", "shots", "charge_V", "status"), doubt, ","),
        truth(big, capacitance_uF=LEFT_OUT), answers={"decimal:shots": ","})  # fmt: skip
    thousand = [
        ("kite", m, "main cap", u, f"{n / 1000:g}", v, c * 1000, W["en2"][s])
        for m, u, n, s, v, c in UNITS
    ]
    head_k = ("Builder", "Module", "Slot", "Specimen", "x1000 shots", "Charge V", "C [nF]", "State")
    add("thousand_shots.csv", table(head_k, [(*r[:4], f"{UNITS[i][2] / 1000:.2f}", *r[5:]) for i, r in enumerate(thousand)], ","),
        truth([(m, u, int(Decimal(f"{n / 1000:.2f}") * 1000), s, v, c) for m, u, n, s, v, c in UNITS]))  # fmt: skip
    kcell = [
        (
            "kite",
            m,
            "main cap",
            u,
            f"{n / 1000:.1f}k",
            f"{v / 1000:g}kV",
            f"{c * 1000:g} nF",
            W["en2"][s],
        )
        for m, u, n, s, v, c in UNITS
    ]
    add("k_in_cells.csv", table(("Builder", "Module", "Slot", "Unit", "Pulses", "Bank voltage", "Capacitance", "Result"), kcell, ","),
        truth([(m, u, int(Decimal(f"{n / 1000:.1f}") * 1000), s, v, c) for m, u, n, s, v, c in UNITS]))  # fmt: skip
    plus = [
        ("kite", m, "main_capacitor", u, f"{n}+" if not s else n, v, c)
        for m, u, n, s, v, c in UNITS
    ]
    add("plus_marks.csv", table(("builder", "module", "slot", "unit", "life (shots)", "charge_V", "capacitance_uF"), plus, ","),
        truth(mode=lambda r: "unknown" if r["mode"] else ""))  # fmt: skip
    more = [
        ("kite", m, "main_capacitor", u, f">{n}" if not s else n, s, v, c)
        for m, u, n, s, v, c in UNITS
    ]
    add(
        "more_than.csv",
        table(
            (
                "builder",
                "module",
                "slot",
                "unit",
                "shots to failure",
                "what broke",
                "charge_V",
                "capacitance_uF",
            ),
            more,
            ",",
        ),
        truth(),
    )
    two = [(m, u, n - 100 if s else n, n if s else "-", s, v, c) for m, u, n, s, v, c in UNITS]
    add("last_ok_found_dead.csv", table(("Module", "Serial", "last OK", "found dead", "Failure mode", "Charge voltage [V]", "Capacitance [uF]"), two, ",",
        above=("Builder: kite", "Slot: main cap", "")), truth(shots_good=lambda r: r["shots_good"] - (100 if r["mode"] else 0)))  # fmt: skip
    yes = [
        ("kite", m, "main_capacitor", u, n, "yes" if s else "no", v, c)
        for m, u, n, s, v, c in UNITS
    ]
    add("failed_yes_no.csv", table(("builder", "module", "slot", "unit", "shots", "failed", "charge_V", "capacitance_uF"), yes, ","),
        truth(mode=lambda r: "unknown" if r["mode"] else ""))  # fmt: skip
    blankmode = [("kite", m, "main_capacitor", u, n, s, v, c) for m, u, n, s, v, c in UNITS]
    add(
        "mode_only.csv",
        table(
            (
                "builder",
                "module",
                "slot",
                "unit",
                "shots",
                "failure mode",
                "charge_V",
                "capacitance_uF",
            ),
            blankmode,
            ",",
        ),
        truth(),
    )
    none = [("kite", m, "main_capacitor", u, n, v, c) for m, u, n, s, v, c in UNITS]
    add("no_state.csv", table(("builder", "module", "slot", "unit", "shots", "charge_V", "capacitance_uF"), none, ","),
        truth([(m, u, n, "", v, c) for m, u, n, s, v, c in UNITS]), answers={"choose:ends": "alive"})  # fmt: skip
    fixed = "\n".join(
        f"{m:<8}  {u:<6}  {n:<8}  {v:<10}  {W['en'][s]}" for m, u, n, s, v, c in UNITS
    )
    add("pasted_blanks.txt", "Builder: kite\nMain capacitor\n" + f"{'Module':<8}  {'Unit':<6}  {'Shots':<8}  {'Charge V':<10}  Status\n" + fixed + "\n",
        truth(capacitance_uF=LEFT_OUT))  # fmt: skip
    # workbooks
    rows = [[m, u, n, v / 1000, c * 1000, W["de"][s]] for m, u, n, s, v, c in UNITS]
    title = [["Lebensdauertest Hauptkondensator"], ["Werkstatt", "kite"], []]
    add(
        "title_and_total.xlsx",
        workbook([*title, list(head_de), *rows, ["Gesamt", None, 43783]]),
        truth(),
    )
    add(
        "offset_corner.xlsx",
        workbook([*title, *[[None, None, *r] for r in [list(head_de), *rows]]]),
        truth(),
    )
    add(
        "second_sheet.xlsx",
        workbook(
            [["Notes of the bench"], ["nothing here"]],
            [("Results", [*title, list(head_de), *rows])],
        ),
        truth(),
    )
    texty = [list(r) for r in de]
    add("numbers_as_text.xlsx", workbook([*title, list(head_de), *texty]), truth())
    merged = [
        [m if i % 2 == 0 else None, u, n, v, c, W["en"][s]]
        for i, (m, u, n, s, v, c) in enumerate(UNITS)
    ]
    add(
        "merged_modules.xlsx",
        workbook(
            [
                ["Main capacitor"],
                ["Builder", "kite"],
                [
                    "Module",
                    "Specimen",
                    "Shot count",
                    "Charge voltage [V]",
                    "Capacitance [µF]",
                    "OK?",
                ],
                *merged,
            ]
        ),
        truth(),
    )
    units_row = [
        ["Module", "Unit", "Shots", "Charge voltage", "Capacitance", "Status"],
        [None, None, None, "kV", "nF", None],
    ]
    add(
        "units_below.xlsx",
        workbook(
            [
                ["Main capacitor"],
                ["Builder", "kite"],
                *units_row,
                *[[m, u, n, v / 1000, c * 1000, W["en"][s]] for m, u, n, s, v, c in UNITS],
            ]
        ),
        truth(),
    )
    import datetime as dt

    dated = [
        ["kite", m, "Main Capacitor", u, n, W["en"][s], dt.date(2025, 4, 3 + i), v, c]
        for i, (m, u, n, s, v, c) in enumerate(UNITS)
    ]
    add("dates.xlsx", workbook([["Builder", "Module", "Slot", "Unit", "Shots", "Status", "Date", "Charge V [V]", "Cap [uF]"], *dated]),
        [{**r, "date": f"2025-04-0{3 + i}"} for i, r in enumerate(truth())])  # fmt: skip
    slots = [
        ("M1", "Main cap", 4120, "ok"),
        ("M1", "Ignitor", 4120, "no spark"),
        ("M1", "HV switch", 4120, "ok"),
        ("M1", "spark capacitor", 4120, "ok"),
    ]
    names = ["main_capacitor", "igniter", "switch", "ignition_capacitor"]
    add("slots_by_other_names.csv", table(("Module", "Component", "Pulse count", "Result"), slots, ",", above=("Builder: kite",)),
        [{"builder": "kite", "module": "M1", "slot": s, "shots_good": 4120, "shots_failed": 4120 if s == "igniter" else None, "mode": "no_spark" if s == "igniter" else ""} for s in names])  # fmt: skip
    # temperatures, period, pressure
    hot = [
        ("kite", m, "main_capacitor", u, n, W["en"][s], 77, 3, "1e-5") for m, u, n, s, v, c in UNITS
    ]
    add("fahrenheit_period_mbar.csv", table(("builder", "module", "slot", "unit", "shots", "status", "Temp [°F]", "Period [s]", "Pressure [mbar]"), hot, ","),
        truth(charge_V=LEFT_OUT, capacitance_uF=LEFT_OUT, temp_C=25.0, rate_Hz=0.333333333, pressure_Pa=0.001))  # fmt: skip
    kv = [
        ("kite", m, "main_capacitor", u, n, W["en"][s], v / 1000, c) for m, u, n, s, v, c in UNITS
    ]
    add("kilovolts_without_unit.csv", table(("builder", "module", "slot", "unit", "shots", "status", "Charge voltage", "capacitance_uF"), kv, ","),
        truth(), answers={"units:Charge voltage": "kV"})  # fmt: skip
    foot = ("", "* counter changed on 5 May, no shot lost", "checked by the second bench")
    add("footnotes.csv", table(head_us, us, ",", below=foot), truth())
    again = table(head_us, us[:3], ",") + table(head_us, us[3:], ",")
    add("header_repeated.csv", again, truth())
    typo = [("kite", m, u, n, v, c, W["en"][s]) for m, u, n, s, v, c in UNITS]
    add("typing_errors.csv", table(("Bilder", "Modul", "Specimenn", "Shot cuont", "Charge volatge [V]", "Capacitnce [uF]", "Staus"), typo, ",", above=("Main capacitor",)),
        truth())  # fmt: skip
    both = [
        (
            "kite",
            m,
            "main cap",
            u,
            grouped(n, " "),
            f"{v / 1000:g} kV" if i % 2 else f"{v} V",
            c,
            W["en"][s],
        )
        for i, (m, u, n, s, v, c) in enumerate(UNITS)
    ]
    add(
        "two_units_in_one_column.csv",
        table(
            ("Builder", "Module", "Slot", "Unit", "Shots", "Charge voltage", "Cap / uF", "Status"),
            both,
        ),
        truth(),
    )
    add("shots_k_header.csv", table(("Builder", "Module", "Slot", "Unit", "kShots", "Charge_kV", "Cap in nF", "Status"),
        [("kite", m, "main cap", u, f"{n / 1000:.1f}", v / 1000, c * 1000, W["en"][s]) for m, u, n, s, v, c in UNITS], ","),
        truth([(m, u, int(Decimal(f"{n / 1000:.1f}") * 1000), s, v, c) for m, u, n, s, v, c in UNITS]))  # fmt: skip
    # wear, misfires, ignition
    wear = [
        ("M1", "C1", 0, 470),
        ("M1", "C1", 2000, 462.5),
        ("M1", "C2", 0, 471),
        ("M1", "C2", 2000, 455),
    ]
    expect = [
        {
            "builder": "kite",
            "module": m,
            "slot": "main_capacitor",
            "unit": u,
            "shots": n,
            "quantity": "capacitance_uF",
            "value": c / 1000,
        }
        for m, u, n, c in wear
    ]
    add(
        "wear_wide.csv",
        table(
            ("Modul", "Einheit", "Schuss", "C [nF]"),
            [(m, u, grouped(n, "."), comma(c)) for m, u, n, c in wear],
            above=("Hauptkondensator", "Werkstatt: kite"),
        ),
        expect,
        "wear",
    )
    add("wear_long.csv", table(("builder", "module", "slot", "unit", "Zählerstand", "Messgröße", "Messwert"),
        [("kite", m, "main_capacitor", u, n, "capacitance_uF", comma(c / 1000)) for m, u, n, c in wear]), expect, "wear")  # fmt: skip
    events = [
        ("M1", 812, "Fehlzündung", "misfire"),
        ("M1", 2044, "Fehlzündung", "misfire"),
        ("M1", 5000, "Ende", "end"),
    ]
    add("misfires_de.csv", table(("Werkstatt", "Modul", "Schuss", "Ereignis"), [("kite", m, n, e) for m, n, e, _ in events]),
        [{"builder": "kite", "module": m, "slot": "igniter", "shots": n, "event": x} for m, n, _, x in events], "misfires")  # fmt: skip
    sparks = [("M1", 500, 0.84, 228, 1), ("M1", 500, 0.87, 224, 0), ("M1", 1500, 0.81, 230, 4)]
    add("ignition_kv.csv", table(("Builder", "Module", "Shots", "Ignition voltage [kV]", "Triggers", "Misses"), [("kite", *r) for r in sparks], ","),
        [{"builder": "kite", "module": m, "shots": n, "ignition_V": round(v * 1000), "commanded": k, "misfires": j} for m, n, v, k, j in sparks], "ignition")  # fmt: skip
    further(add)
    abroad(add)
    return out


def main(folder):
    """Write the files and what must come out of each."""
    folder.mkdir(parents=True, exist_ok=True)
    expected = {}
    for name, data, kind, answers, rows in made():
        (folder / name).write_bytes(data)
        expected[name] = {"kind": kind, "answers": answers, "rows": rows}
    for log in made_logs():
        (folder / log.name).write_text(log.text, encoding="utf-8")
        expected[log.name] = {
            "kind": "shots",
            **dataclasses.asdict(log),
            "answers": {**WHOSE, **log.answers},
        }
        del expected[log.name]["text"]
    text = json.dumps(expected, indent=1, ensure_ascii=False)
    (folder / "expected.json").write_text(text + "\n", encoding="utf-8")
    print(f"{len(expected)} files in {folder}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
