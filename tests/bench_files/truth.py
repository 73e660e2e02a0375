"""The invented units of all bench files, and what writes them down."""

import io

UNITS = [  # module, unit, shots, mode ("" = still good), volts, microfarads
    ("M1", "C1", 4120, "", 1200, 0.47), ("M1", "C2", 3998, "short", 1200, 0.47),
    ("M2", "C3", 12400, "", 1250, 0.47), ("M2", "C4", 880, "unknown", 1250, 0.47),
    ("M3", "C5", 7310, "open", 1400, 0.68), ("M3", "C6", 15075, "", 1400, 0.68),
]  # fmt: skip
WORDS = {
    "en": {"": "ok", "short": "short", "unknown": "dead", "open": "open"},
    "en2": {"": "still running", "short": "shorted", "unknown": "failed", "open": "open circuit"},
    "de": {"": "läuft", "short": "Kurzschluß", "unknown": "defekt", "open": "Unterbrechung"},
    "fr": {"": "en marche", "short": "court-circuit", "unknown": "HS", "open": "ouvert"},
    "es": {"": "funciona", "short": "cortocircuito", "unknown": "averiado", "open": "abierto"},
    "it": {"": "funziona", "short": "corto", "unknown": "guasto", "open": "aperto"},
    "nl": {"": "werkt", "short": "kortsluiting", "unknown": "stuk", "open": "onderbroken"},
}


def grouped(n, mark):
    return f"{n:,}".replace(",", mark)


def comma(x):
    return f"{x:g}".replace(".", ",")


def truth(units=UNITS, builder="kite", slot="main_capacitor", **over):
    """Rows of a life sheet that must come out, as texts and numbers."""
    rows = []
    for module, unit, shots, mode, volts, micro in units:
        row = {
            "builder": builder, "module": module, "slot": slot, "unit": unit, "shots_good": shots,
            "shots_failed": shots if mode else None, "mode": mode, "charge_V": volts, "capacitance_uF": micro,
        }  # fmt: skip
        for k, v in over.items():
            if v is LEFT_OUT:
                row.pop(k)
            else:
                row[k] = v(row) if callable(v) else v
        rows.append(row)
    return rows


LEFT_OUT = object()


def table(header, rows, mark=";", end="\r\n", above=(), below=()):
    quoted = lambda c: f'"{c}"' if mark in str(c) else str(c)  # noqa: E731
    lines = [
        *above,
        mark.join(map(quoted, header)),
        *(mark.join(map(quoted, r)) for r in rows),
        *below,
    ]
    return end.join(lines) + end


def workbook(rows, sheets=()):
    import openpyxl

    book = openpyxl.Workbook()
    book.active.title = "Test"
    for r in rows:
        book.active.append(r)
    for name, content in sheets:
        extra = book.create_sheet(name)
        for r in content:
            extra.append(r)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
