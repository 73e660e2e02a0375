"""Invented bench files of a later trial: more languages, looks at one unit again and again, parts swapped, wear with a column a date."""

from tests.bench_files.truth import LEFT_OUT, UNITS, comma, grouped, table, truth, workbook

NO_STRESS = {"charge_V": LEFT_OUT, "capacitance_uF": LEFT_OUT}
EN = {"": "ok", "short": "short", "unknown": "failure", "open": "open"}


def rows_of(*columns):
    """The invented units in these columns, each a function of (module, unit, shots, mode, volts, microfarads)."""
    return [tuple(c(*u) for c in columns) for u in UNITS]


def languages(add):
    """Czech, Turkish, Russian and Polish: builder and slot in columns or titles, every number doubtful in one."""
    state = {"": "dobrý", "short": "zkrat", "unknown": "vadný", "open": "přerušení"}
    head = ("Výrobce", "Modul", "Díl", "Kus", "Počet výstřelů", "Nabíjecí napětí [kV]", "Stav")
    rows = rows_of(lambda *_: "kite", lambda m, *_: m, lambda *_: "hlavní kondenzátor", lambda m, u, *_: u,
                   lambda m, u, n, *_: n, lambda m, u, n, s, v, c: comma(v / 1000), lambda m, u, n, s, *_: state[s])  # fmt: skip
    add("cs_columns.csv", table(head, rows), truth(capacitance_uF=LEFT_OUT), encoding="cp1250")
    state = {"": "sağlam", "short": "kısa devre", "unknown": "arızalı", "open": "açık devre"}
    big = [(m, u, n + 1000, s, v, c) for m, u, n, s, v, c in UNITS]  # each count has a mark
    head = ("Yapımcı", "Modül", "Yuva", "Birim", "Atış sayısı", "Şarj gerilimi (V)", "Durum")
    rows = [("kite", m, "ana kondansatör", u, grouped(n, "."), grouped(v, "."), state[s]) for m, u, n, s, v, c in big]  # fmt: skip
    add("tr_all_doubtful.csv", table(head, rows), truth(big, capacitance_uF=LEFT_OUT), answers={"decimal:Atış sayısı": ","})  # fmt: skip
    state = {"": "исправен", "short": "пробой", "unknown": "отказ", "open": "обрыв"}
    head = ("Изготовитель", "Модуль", "Узел", "Образец", "Число выстрелов", "Напряжение заряда, кВ", "Состояние")  # fmt: skip
    rows = [("kite", m, "главный конденсатор", u, n, comma(v / 1000), state[s]) for m, u, n, s, v, c in UNITS]  # fmt: skip
    add("ru_columns.csv", table(head, rows), truth(capacitance_uF=LEFT_OUT), encoding="cp1251")
    state = {"": "sprawny", "short": "zwarcie", "unknown": "uszkodzony", "open": "przerwa"}
    head = ("Moduł", "Egzemplarz", "Liczba strzałów", "Napięcie [kV]", "Pojemność [nF]", "Stan")
    rows = [(m, u, grouped(n, " "), comma(v / 1000), comma(c * 1000), state[s]) for m, u, n, s, v, c in UNITS]  # fmt: skip
    above = ("Próba kondensatorów głównych", "Konstruktor: kite", "")
    add("pl_title.csv", table(head, rows, above=above, below=("Razem;;43 783;;;",)), truth(), encoding="cp1250")  # fmt: skip


def friends(add):
    """Other names for everything, labels below 'Cap', a title in the plural, 0 for not failed, words for states as events."""
    head = ("who", "thruster", "what", "s/n", "pulses", "kV", "uF", "alive?")
    rows = [("kite", m, "main cap", u, n, v / 1000, c, "n" if s else "y") for m, u, n, s, v, c in UNITS]  # fmt: skip
    named = {"mode": lambda r: "unknown" if r["mode"] else ""}
    add("friend_names.csv", table(head, rows, ","), truth(**named))
    head = ["Module", "Cap", "Voltage [kV]", "Shots", "Status"]
    rows = [[m, u, v / 1000, n, EN[s]] for m, u, n, s, v, c in UNITS]
    sheet = [["Life test of main capacitors"], [], ["Identification", None, "Test", None, "Result"], head, *rows, ["Total", None, None, 43783, None]]  # fmt: skip
    add("labels_below_cap.xlsx", workbook(sheet), truth(capacitance_uF=LEFT_OUT), answers={"fill:builder": "kite"})  # fmt: skip
    head = ("builder", "module", "slot", "unit", "last seen good", "found failed")
    rows = [("kite", m, "main cap", u, n - 100 if s else n, n if s else 0) for m, u, n, s, *_ in UNITS]  # fmt: skip
    good = lambda r: r["shots_good"] - (100 if r["mode"] else 0)  # noqa: E731
    add("zero_is_none.csv", table(head, rows, ","), truth(shots_good=good, mode=LEFT_OUT, **NO_STRESS))  # fmt: skip
    head = ("builder", "module", "slot", "unit", "shots", "event")
    say = EN | {"": "censored"}
    rows = [("kite", m, "main_capacitor", u, n, say[s]) for m, u, n, s, *_ in UNITS]
    add("states_as_events.csv", table(head, rows, ","), truth(**NO_STRESS))


def looks(add):
    """One unit looked at again and again: its last row counts, a failure lies between two looks."""
    head = ("builder", "module", "slot", "unit", "date", "shots", "status")
    rows = [
        ("kite", m, "main_capacitor", u, f"2026-0{k + 1}-01", at, EN[s] if k == 2 else "ok")
        for m, u, n, s, *_ in UNITS
        for k, at in enumerate((n // 3, n // 2, n))
    ]
    by_unit = {u: n for _, u, n, *_ in UNITS}
    seen = {"shots_good": lambda r: by_unit[r["unit"]] // 2 if r["mode"] else by_unit[r["unit"]]}
    add("looked_at_again.csv", table(head, rows, ","), truth(date="2026-03-01", **seen, **NO_STRESS))  # fmt: skip
    alone = [("M1", "", 4120, "", 0, 0), ("M2", "", 3998, "short", 0, 0), ("M3", "", 880, "", 0, 0)]
    rows = [
        ("kite", m, "main_capacitor", at, EN[s] if k == 2 else "ok")
        for m, _, n, s, *_ in alone
        for k, at in enumerate((n // 3, n // 2, n))
    ]
    head = ("builder", "module", "slot", "shots", "status")
    between = {"shots_good": lambda r: 1999 if r["mode"] else r["shots_good"], "unit": ""}
    add("looked_at_without_names.csv", table(head, rows, ","), truth(alone, **between, **NO_STRESS),
        answers={"choose:repeats": "inspections"})  # fmt: skip
    swapped = [("M1", "C1", 0, 3998, "short"), ("M1", "C2", 3998, 6000, ""), ("M1", "C3", 6000, 6500, "open")]  # fmt: skip
    rows = [("kite", m, "main_capacitor", u, a, b, EN[s]) for m, u, a, b, s in swapped]
    head = ("builder", "module", "slot", "unit", "in at", "out at", "status")
    units = [(m, u, b - a, s, 0, 0) for m, u, a, b, s in swapped]
    add("counts_of_the_module.csv", table(head, rows, ","), truth(units, shots_from=0, **NO_STRESS))


def wear(add):
    """Wear with a column a count, or a column a date and the counts in a row of their own."""
    at, nano = (0, 1000, 2500), {"C1": (470, 465.5, 459), "C2": (471, 468, 461)}
    expect = [
        {"builder": "kite", "module": "M1", "slot": "main_capacitor", "unit": u, "shots": n, "quantity": "capacitance_uF", "value": some[k] / 1000}
        for k, n in enumerate(at) for u, some in nano.items()
    ]  # fmt: skip
    fixed = ("builder", "module", "slot", "unit")
    rows = [("kite", "M1", "main_capacitor", u, *some) for u, some in nano.items()]
    counted = (*fixed, *(f"C [nF] @ {n}" for n in at))
    add("wear_by_counts.csv", table(counted, rows, ","), expect, "wear")
    rows = [("kite", "M1", "main_capacitor", u, "C [nF]", *map(comma, some)) for u, some in nano.items()]  # fmt: skip
    dated = (*fixed, "quantity", *(f"2026-0{k + 1}-10 ({grouped(n, '.')} shots)" for k, n in enumerate(at)))  # fmt: skip
    add("wear_by_dates.csv", table(dated, rows), expect, "wear")
    dates = (*fixed, "quantity", "10.01.2026", "10.02.2026", "10.03.2026")
    counts = ("shots", "", "", "", "", *at)
    add("wear_by_dates_and_a_row.csv", table(dates, [counts, *rows]), expect, "wear")


def fresh(add):
    """Add them all."""
    for some in (languages, friends, looks, wear):
        some(add)
