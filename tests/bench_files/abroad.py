"""Bench files of other countries and other habits: ten languages, spreadsheets as people keep them, wear and logs."""

import datetime as dt
import io

from tests.bench_files.truth import LEFT_OUT, UNITS, WORDS, comma, grouped, table, truth, workbook

STATES = {
    "pl": {"": "sprawny", "short": "zwarcie", "unknown": "uszkodzony", "open": "przerwa"},
    "cs": {"": "v pořádku", "short": "zkrat", "unknown": "vadný", "open": "přerušení"},
    "pt": {"": "funcionando", "short": "curto-circuito", "unknown": "falhou", "open": "aberto"},
    "sv": {"": "fungerar", "short": "kortslutning", "unknown": "trasig", "open": "avbrott"},
    "da": {"": "virker", "short": "kortslutning", "unknown": "defekt", "open": "afbrudt"},
    "ru": {"": "работает", "short": "пробой", "unknown": "отказ", "open": "обрыв"},
    "ja": {"": "正常", "short": "短絡", "unknown": "故障", "open": "断線"},
    "tr": {"": "çalışıyor", "short": "kısa devre", "unknown": "arızalı", "open": "açık devre"},
    "hu": {"": "működik", "short": "zárlat", "unknown": "hibás", "open": "szakadás"},
    "fi": {"": "toimii", "short": "oikosulku", "unknown": "rikki", "open": "katkos"},
}
HEADS = {
    "pl": ("Moduł", "Nr seryjny", "Liczba strzałów", "Napięcie ładowania [kV]", "Pojemność [nF]", "Stan"),
    "cs": ("Modul", "Vzorek", "Počet výstřelů", "Nabíjecí napětí [kV]", "Kapacita [nF]", "Stav"),
    "pt": ("Módulo", "Amostra", "Disparos", "Tensão de carga [kV]", "Capacitância [nF]", "Estado"),
    "sv": ("Modul", "Exemplar", "Antal skott", "Laddspänning [kV]", "Kapacitans [nF]", "Tillstånd"),
    "da": ("Modul", "Emne nr", "Antal skud", "Ladespænding [kV]", "Kapacitet [nF]", "Tilstand"),
    "ru": ("Модуль", "Образец", "Число импульсов", "Напряжение заряда, кВ", "Ёмкость, нФ", "Состояние"),
    "ja": ("モジュール", "個体番号", "ショット数", "充電電圧 [kV]", "静電容量 [nF]", "状態"),
    "tr": ("Modül", "Numune", "Atış sayısı", "Şarj gerilimi [kV]", "Kapasite [nF]", "Durum"),
    "hu": ("Modul", "Minta", "Lövések száma", "Töltőfeszültség [kV]", "Kapacitás [nF]", "Állapot"),
    "fi": ("Moduuli", "Näyte", "Laukausten määrä", "Latausjännite [kV]", "Kapasitanssi [nF]", "Tila"),
}  # fmt: skip
ABOVE = {
    "pl": ("Kondensator główny", "Warsztat: kite"), "cs": ("Hlavní kondenzátor", "Dílna: kite"),
    "pt": ("Capacitor principal", "Laboratório: kite"), "sv": ("Huvudkondensator", "Verkstad: kite"),
    "da": ("Hovedkondensator", "Værksted: kite"), "ru": ("Основной конденсатор", "Лаборатория: kite"),
    "ja": ("主コンデンサ", "製作者: kite"), "tr": ("Ana kondansatör", "Atölye: kite"),
    "hu": ("Fő kondenzátor", "Műhely: kite"), "fi": ("Pääkondensaattori", "Paja: kite"),
}  # fmt: skip
CODES = {
    "pl": "utf-16", "cs": "cp1250", "pt": "cp1252", "sv": "utf-8-sig", "da": "cp1252", "ru": "cp1251",
    "ja": "shift_jis", "tr": "utf-8", "hu": "utf-8-sig", "fi": "utf-8",
}  # fmt: skip


def languages(add):
    """The same bench in ten more languages, each in an encoding of its country."""
    for key, head in HEADS.items():
        space = "\u00a0" if CODES[key] in ("utf-16", "cp1250", "utf-8-sig", "utf-8") else "."
        mark = "\t" if key in ("pl", "ja") else ";"
        if key == "ja":
            rows = [(m, u, n, v / 1000, round(c * 1000), STATES[key][s]) for m, u, n, s, v, c in UNITS]  # fmt: skip
        else:
            rows = [(m, u, grouped(n, space), comma(v / 1000), comma(c * 1000), STATES[key][s]) for m, u, n, s, v, c in UNITS]  # fmt: skip
        text = table(head, rows, mark, above=ABOVE[key])
        add(f"lang_{key}.csv", text, truth(), encoding=CODES[key])


def habits(add):
    """Signs for nothing, remarks, dates, percentages, totals: what stands in sheets beside the numbers."""
    en = WORDS["en"]
    rows = [("kite", m, "main capacitor", u, n, en[s], f"{v / 1000:g} kV", "n/a" if i else "30%", "see p. 4.120, later" if i == 2 else "")
            for i, (m, u, n, s, v, c) in enumerate(UNITS)]  # fmt: skip
    head = ("builder", "module", "slot", "unit", "shots", "status", "charge voltage", "voltage reversal", "remarks")  # fmt: skip
    expect = [{**r, "charge_V": u[4]} for r, u in zip(truth(capacitance_uF=LEFT_OUT), UNITS, strict=True)]  # fmt: skip
    expect[0]["reversal"] = 0.3
    add("nothing_and_remarks.csv", table(head, rows, ","), expect)
    iso = [("kite", m, "main capacitor", u, n, en[s], v, c, f"2026-05-{3 + i:02d}T14:05:00Z") for i, (m, u, n, s, v, c) in enumerate(UNITS)]  # fmt: skip
    head = ("builder", "module", "slot", "unit", "shots", "status", "charge_V", "capacitance_uF", "date")  # fmt: skip
    dated = [{**r, "date": f"2026-05-{3 + i:02d}"} for i, r in enumerate(truth())]
    add("time_stamps.csv", table(head, iso, ","), dated)
    months = ("3 mai 2026", "4 mai 2026", "5 mai 2026", "6 mai 2026", "7 mai 2026", "8 mai 2026")
    fr = [(*r[:-1], d) for r, d in zip(iso, months, strict=True)]
    add("dates_in_french.csv", table(head, fr, ","), dated)
    us = [(*r[:-1], f"5/{13 + i}/26") for i, r in enumerate(iso)]
    add("dates_us.csv", table(head, us, ","), [{**r, "date": f"2026-05-{13 + i}"} for i, r in enumerate(truth())])  # fmt: skip
    de = [(m, u, f"{grouped(n, '.')} Schuss", f"{v} V", f"{comma(c)} µF", WORDS["de"][s]) for m, u, n, s, v, c in UNITS]  # fmt: skip
    head_de = ("Modul", "Nr.", "Schüsse", "Ladespannung", "Kapazität", "Zustand")
    sums = ("Σ;;43.783;;;", "Ø;;7.297;;;", "Anzahl Bauteile: 6;;;;;")
    add("de_units_in_cells_sums.csv", table(head_de, de, above=("Hauptkondensator", "Werkstatt: kite"), below=sums), truth())  # fmt: skip
    fr = [(m, u, n - 100 if s else n, n if s else "", comma(v / 1000), {"short": "CC", "unknown": "HS", "open": "coupé"}.get(s, ""))
          for m, u, n, s, v, c in UNITS]  # fmt: skip
    head_fr = ("Module", "N° de série", "OK jusqu'à", "Panne à", "Tension de charge (kV)", "Mode de défaillance")  # fmt: skip
    add("fr_two_counts.csv", table(head_fr, fr, above=("Condensateur principal", "Constructeur: kite"), below=("Moyenne;;7 000;;;",)),
        truth(shots_good=lambda r: r["shots_good"] - (100 if r["mode"] else 0), capacitance_uF=LEFT_OUT))  # fmt: skip
    swiss = [("kite", m, "main capacitor", u, f"{n:,}".replace(",", "'"), en[s], f"{v:,}".replace(",", "'"), c) for m, u, n, s, v, c in UNITS]  # fmt: skip
    head = ("builder", "module", "slot", "unit", "shots", "status", "charge voltage (V)", "capacitance (uF)")  # fmt: skip
    add("ch_straight_apostrophe.csv", table(head, swiss), truth())
    exp = [("kite", m, "main capacitor", u, f"{n / 1000:.6g}e3", en[s], f"{v / 1000:.3g}E3", f"{c * 1e-6:.3g}") for m, u, n, s, v, c in UNITS]  # fmt: skip
    head = ("builder", "module", "slot", "unit", "shots", "status", "charge voltage (V)", "capacitance (F)")  # fmt: skip
    add("exponents.csv", table(head, exp, ","), truth())
    mega = [("kite", m, "main capacitor", u, f"{n / 1e6:.6f}", en[s], v, c) for m, u, n, s, v, c in UNITS]  # fmt: skip
    head = ("builder", "module", "slot", "unit", "shots [million]", "status", "charge_V", "capacitance_uF")  # fmt: skip
    add("millions.csv", table(head, mega, ","), truth())
    lakh = [(m, i + 3, (i + 1) * 100_000 + n, s, v, c) for i, (m, u, n, s, v, c) in enumerate(UNITS)]  # fmt: skip
    group = lambda n: f"{n // 100000},{n % 100000 // 1000:02d},{n % 1000:03d}"  # noqa: E731
    rows = [("kite", m, "main capacitor", u, group(n), WORDS["en2"][s], f"{v:,}", c) for m, u, n, s, v, c in lakh]  # fmt: skip
    head = ("Lab", "Module", "Component", "Sr. No.", "No. of shots", "Remarks / status", "Charging voltage (V)", "Capacitance (µF)")  # fmt: skip
    add("india_serials.csv", table(head, rows, ","), truth([(m, str(u), n, s, v, c) for m, u, n, s, v, c in lakh]))  # fmt: skip


def books(add):
    """Workbooks as people keep them: tables side by side, merged heads, errors of formulas, booleans, percent."""
    en = WORDS["en"]
    head = ["Builder", "Module", "Slot", "Unit", "Shots", "Status", "Charge V [V]", "Cap [uF]"]
    rows = [["kite", m, "main capacitor", u, n, en[s], v, c] for m, u, n, s, v, c in UNITS]
    beside = [[*head, None, "Supplier", "Price"], *[[*r, None, f"firm {i}", 1.5 * i] for i, r in enumerate(rows)]]  # fmt: skip
    add("tables_side_by_side.xlsx", workbook(beside), truth())
    below = [["Life test"], [], head, *rows, [], ["Thrust"], ["Voltage [V]", "Impulse [uNs]", "Date"], [1200, 41, dt.date(2026, 5, 1)], [1300, 44, dt.date(2026, 5, 1)]]  # fmt: skip
    add("tables_below.xlsx", workbook(below), truth())
    groups = [["", "", "", "", "Result", "", "Bank", ""], head, *rows]
    add("head_of_groups.xlsx", workbook(groups), truth())
    broken = [[*head, "Shots / V"], *[[*r, "#DIV/0!" if i == 2 else r[4] / r[6]] for i, r in enumerate(rows)]]  # fmt: skip
    add("formula_errors.xlsx", workbook(broken), truth())
    yes = [[*head[:5], "OK", *head[6:]], *[[*r[:5], not UNITS[i][3], *r[6:]] for i, r in enumerate(rows)]]  # fmt: skip
    add("booleans.xlsx", workbook(yes), truth(mode=lambda r: "unknown" if r["mode"] else ""))
    numbered = [["#", *head], *[[i + 1, *r] for i, r in enumerate(rows)], [None, "Total", None, None, None, 43783]]  # fmt: skip
    add("numbered_rows.xlsx", workbook(numbered), truth())
    add("open_document.ods", open_document([head, *rows]), truth())


_MANIFEST = (
    '<?xml version="1.0" encoding="UTF-8"?><manifest:manifest '
    'xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0" manifest:version="1.3">'
    '<manifest:file-entry manifest:full-path="/" manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/>'
    "</manifest:manifest>"
)


def open_document(rows):
    """An OpenDocument spreadsheet (ISO/IEC 26300: content.xml of a zip) of one sheet."""
    import zipfile
    from xml.sax.saxutils import escape

    def cell(c):
        if isinstance(c, (int, float)):
            return f'<table:table-cell office:value-type="float" office:value="{c}"><text:p>{c}</text:p></table:table-cell>'
        return f'<table:table-cell office:value-type="string"><text:p>{escape(str(c))}</text:p></table:table-cell>'

    body = "".join("<table:table-row>" + "".join(map(cell, r)) + "</table:table-row>" for r in rows)
    names = " ".join(
        f'xmlns:{k}="urn:oasis:names:tc:opendocument:xmlns:{k}:1.0"' for k in ("office", "table", "text")
    )  # fmt: skip
    xml = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {names} office:version="1.3"><office:body>'
        f'<office:spreadsheet><table:table table:name="Test">{body}</table:table></office:spreadsheet></office:body>'
        "</office:document-content>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr(zipfile.ZipInfo("mimetype"), "application/vnd.oasis.opendocument.spreadsheet")
        z.writestr("META-INF/manifest.xml", _MANIFEST)
        z.writestr("content.xml", xml)
    return out.getvalue()


def wear(add):
    """Wear as it is kept: a column a unit, a column a count, a column that gives the unit of measure."""
    readings = {"C1": (470, 462.5, 455), "C2": (471, 468, 460)}
    at = (0, 2000, 4000)
    row = lambda u, n, c: {"builder": "kite", "module": "M1", "slot": "main_capacitor", "unit": u, "shots": n, "quantity": "capacitance_uF", "value": c / 1000}  # noqa: E731  # fmt: skip
    long = [row(u, n, c) for u, some in readings.items() for n, c in zip(at, some, strict=True)]
    lines = [("kite", "M1", "main capacitor", u, n, "C", c, "nF") for u, some in readings.items() for n, c in zip(at, some, strict=True)]  # fmt: skip
    head = ("builder", "module", "slot", "specimen", "shots", "quantity", "value", "unit")
    add("wear_unit_of_measure.csv", table(head, lines, ","), long, "wear")
    two = [("kite", "M1", "igniter", "I1", n, g, comma(w)) for n, g, w in ((0, 1, 0), (2000, 1.2, 0.4), (4000, 1.5, 0.9))]  # fmt: skip
    head = ("Werkstatt", "Modul", "Bauteil", "Prüfling", "Schuss", "gap_mm", "Abbrand (mg)")
    names = {"gap_mm": 5, "Abbrand (mg)": 6}
    expect = [
        {"builder": "kite", "module": "M1", "slot": "igniter", "unit": "I1", "shots": r[4], "quantity": q, "value": float(str(r[j]).replace(",", "."))}
        for q, j in names.items() for r in two
    ]  # fmt: skip
    add("wear_two_quantities.csv", table(head, two), expect, "wear")


def abroad(add):
    """Add them all."""
    for some in (languages, habits, books, wear):
        some(add)
