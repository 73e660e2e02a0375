"""Words of benches: names of columns, slots and states in several languages, matched exactly or nearly."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from functools import lru_cache

from reliability.sheets.bench import languages

LIKELY, CLOSE = 90.0, 78.0
"""similarity (0 to 100) above which a name is suggested, and above which it is worth asking about"""

COLUMNS: dict[str, str] = {
    "builder": "builder|who|whose|bench|lab|werkstatt|bauer|erbauer|constructeur|constructor|costruttore|bouwer|made by|team",
    "module": "module|modul|mod|modulo|module no|module nr|modul nr|module id|thruster|thruster no|triebwerk|propulseur|propulsor|device|dut",
    "slot": "slot|position|place|platz|steckplatz|einbauplatz|component|bauteil|composant|componente|emplacement|onderdeel|kind of part|bauteilart",
    "unit": "monster|monster nr|unit|unit id|unit no|specimen|sample|serial|serial no|serial number|sn|s n|einheit|prufling|muster|seriennummer|serien nr|numero de serie|echantillon|muestra|campione|matricola|cap no|c nr",
    "part": "part|part no|part number|part type|type|typ|teilenummer|hersteller nr|reference|ref|pieza|modello|artikel|bauteiltyp|model",
    "lot": "lot|batch|charge nr|los|lote|lotto|partij|date code",
    "removed": "removed|reason removed|why removed",
    "mode": "mode|failure mode|ausfallart|fehlerart|fehlerbild|mode de defaillance|modo de fallo|modo di guasto|what broke|cause|ursache|failure",
    "status": "status|state|zustand|result|ergebnis|etat|estado|stato|toestand|condition|ok|alive|censored|verdict|befund|outcome|resultat|resultado|esito",
    "failed": "failed|dead|defekt|ausgefallen|hs|en panne|averiado|guasto|defect|kaputt|failed yes no",
    "shots": "shots|shots so far|so far|shots until now|shots to date|shots done|last count|final count|out at|removed at|shot|shot count|count of shots|pulses|pulse count|discharges|firings|counter|schuss|schusse|schuesse|schusszahl|pulszahl|impulse|entladungen|zahlerstand|tirs|nombre de tirs|coups|decharges|impulsions|disparos|pulsos|descargas|colpi|spari|impulsi|scariche|schoten|pulsen|n shots|no of shots|number of shots|cycles|shots total|total shots|anzahl schuss|life|lebensdauer|duree de vie|vida|vita",
    "shots_from": "shots from|in at|start count|first shot|installed at|shots at start|von schuss|ab schuss|start|eingebaut bei|de|desde|da",
    "shots_good": "shots good|good at|last good|good until|last ok|known good|zuletzt gut|gut bis|letzte gute|bon jusqu a|ok jusqu a|ultimo bueno|ultimo buono|survived",
    "shots_failed": "shots failed|failed at|found failed|found dead|dead at|died at|failure at|shots to failure|cycles to failure|ausfall bei|defekt bei|ausfall|tot bei|panne a|mort a|defaillance a|fallo a|fallo en|guasto a|defect bij|ttf",
    "count": "count|quantity of units|units|qty|stuck|stuckzahl|anzahl|nombre|cantidad|quantita|aantal|pieces|pcs",
    "rated_V": "rated v|rated voltage|rating|voltage rating|nennspannung|tension nominale|tension nominal|tensione nominale|v rated|vr|u nenn|u nom|nominal voltage",
    "charge_V": "charge v|charge voltage|charging voltage|bank voltage|main voltage|ladespannung|tension de charge|tension de carga|tensione di carica|laadspanning|v charge|u lade|u charge|v bank|hv|hv set|hv setting|hv setpoint|set voltage|voltage set|v set",
    "capacitance_uF": "capacitance uf|capacitance|capacity|cap|kapazitat|capacite|capacidad|capacita|capaciteit|c nominal|c nom",
    "bank_parallel": "bank parallel|parallel|in parallel|n parallel|parallele|en parallele|en paralelo|in parallelo",
    "bank_series": "bank series|series|in series|n series|in reihe|reihe|en serie|in serie",
    "energy_J": "energy j|energy|shot energy|bank energy|energie|energia|pulsenergie",
    "peak_A": "peak a|peak current|spitzenstrom|courant de crete|corriente pico|corrente di picco|i peak|ipk|piekstroom",
    "reversal": "reversal|voltage reversal|umpolung|inversion|inversione|reversal fraction|umschwing",
    "rate_Hz": "rate hz|rate|shot rate|repetition rate|rep rate|prf|frequency|frequenz|wiederholrate|schussrate|cadence|frequence|frecuencia|frequenza",
    "period_s": "period s|period|shot interval|interval|pulsabstand|schussabstand|periode|taktzeit|periodo|time between shots",
    "temp_C": "temp c|temperature|temp|temperatur|temperatura|case temperature|temperatuur|t case|gehausetemperatur",
    "pressure_Pa": "pressure pa|pressure|vacuum|druck|kammerdruck|pression|presion|pressione|druk|chamber pressure|vakuum",
    "fuel": "fuel|propellant|treibstoff|propergol|propelente|propellente|brandstof|combustible",
    "revision": "revision|rev|version|stand|issue",
    "date": "date|day|datum|tag|fecha|data|jour|date tested|gepruft am",
    "note": "note|notes|remark|remarks|comment|comments|bemerkung|bemerkungen|notiz|kommentar|remarque|commentaire|nota|observaciones|osservazioni|opmerking|anmerkung",
    "quantity": "quantity|measured quantity|what|messgrosse|grandeur|magnitud|grandezza|grootheid",
    "value": "value|reading|measured|wert|messwert|valeur|valor|valore|waarde",
    "uncertainty": "uncertainty|sigma|std|unsicherheit|incertitude|incertidumbre|incertezza|onzekerheid",
    "event": "event|ereignis|evenement|evento|gebeurtenis",
    "ignition_V": "ignition v|ignition voltage|spark voltage|igniter voltage|zundspannung|tension d allumage|tension de encendido|tensione di accensione|v ign",
    "commanded": "commanded|commanded shots|triggers|trigger count|shots commanded|ausgelost|befohlen|commandes|mandados|comandati|attempts|tries|versuche|essais|intentos",
    "misfires": "misfires|misfire count|missed|no fire|fehlzundungen|zundaussetzer|rates|fallos de encendido|mancate accensioni|misses",
}  # fmt: skip
"""our column: names that benches use for it, plain lower case, without accents"""

AMBIGUOUS = {
    "rated": ("rated_V", "extra"), "voltage": ("charge_V", "rated_V"), "spannung": ("charge_V", "rated_V"), "tension": ("charge_V", "rated_V"),
    "tensione": ("charge_V", "rated_V"), "u": ("charge_V", "rated_V"), "v": ("charge_V", "rated_V"),
    "c": ("capacitance_uF", "temp_C"), "t": ("temp_C", "date"), "n": ("shots", "count"), "nr": ("unit", "module"),
    "no": ("unit", "module"), "id": ("unit", "module"), "name": ("module", "unit"), "e": ("energy_J", "extra"),
    "p": ("pressure_Pa", "extra"), "i": ("peak_A", "extra"), "f": ("rate_Hz", "extra"), "fault": ("mode", "failed"),
    **dict.fromkeys(("tensao", "napiecie", "napeti", "gerilim", "feszultseg", "jannite", "spaending", "напряжение", "電圧"), ("charge_V", "rated_V")),
    "how": ("mode", "extra"), "strom": ("peak_A", "extra"), "current": ("peak_A", "extra"), "numero": ("unit", "module"), "sr no": ("unit", "extra"), "sl no": ("unit", "extra"), "spanning": ("charge_V", "rated_V"),
}  # fmt: skip
"""names that mean one of several columns: the first is suggested, always asked about"""

UNITS_AS_NAMES = {
    "kv": ("charge_V", "kV"), "volt": ("charge_V", "V"), "volts": ("charge_V", "V"), "uf": ("capacitance_uF", "uF"),
    "\u03bcf": ("capacitance_uF", "uF"), "nf": ("capacitance_uF", "nF"), "microfarad": ("capacitance_uF", "uF"),
    "joule": ("energy_J", "J"), "joules": ("energy_J", "J"),
}  # fmt: skip
"""headers that are nothing but a unit: the column suggested, and the unit"""

SLOTS: dict[str, str] = {
    "main_capacitor": "main capacitor|main cap|main bank|hauptkondensator|hauptkond|speicherkondensator|storage capacitor|energy capacitor|condensateur principal|condensador principal|condensatore principale|hoofdcondensator|discharge capacitor|main c",
    "ignition_capacitor": "ignition capacitor|ignition cap|ign cap|zundkondensator|zuendkondensator|condensateur d allumage|condensador de encendido|condensatore di accensione|spark capacitor|trigger capacitor|ontstekingscondensator",
    "igniter": "igniter|ignitor|spark plug|spark gap|zunder|zuender|zundkerze|needle|allumeur|bougie|encendedor|bujia|candela|ontsteker",
    "switch": "switch|hv switch|schalter|igbt|thyristor|mosfet|interrupteur|interruptor|interruttore|schakelaar",
    "converter": "converter|dc dc converter|hv converter|hv supply|wandler|spannungswandler|hochspannungswandler|convertisseur|convertidor|convertitore|omvormer|charger",
    "fuel": "fuel|fuel bar|ptfe|propellant|treibstoff|teflon|propergol|brandstof",
    "module": "module|modul|whole module|ganzes modul|thruster|modulo",
}  # fmt: skip

ALIVE = "ok|alive|good|runs|running|works|working|still running|still good|survivor|survived|lauft|laeuft|lauft noch|gut|in ordnung|i o|io|lebt|intakt|en marche|vivant|bon|marche|fonctionne|bien|vivo|funciona|buono|funziona|in funzione|werkt|goed|leeft|pass|passed|censored|suspended|running ok|no failure|kein ausfall|none|fine|\u2713|\u2714"  # fmt: skip
DEAD: dict[str, str] = {
    "unknown": "dead|failed|fail|defect|defective|defekt|tot|kaputt|ausgefallen|ausfall|mort|hs|hors service|en panne|panne|muerto|fallo|averiado|rotto|guasto|morto|stuk|kapot|broken|died|n i o|nio|\u2717|\u2718",
    "short": "short|shorted|short circuit|kurzschluss|kurzschlu\u00df|kurz|schluss|court circuit|cc|cortocircuito|corto|kortsluiting|durchschlag|breakdown|punctured|claque",
    "open": "open|open circuit|offen|unterbrochen|unterbrechung|ouvert|circuit ouvert|coupe|abierto|circuito abierto|aperto|onderbroken",
    "no_spark": "no spark|no ignition|kein funke|zundet nicht|pas d etincelle|sin chispa|nessuna scintilla|geen vonk|no fire",
    "leak": "leak|leakage|leaking|leckstrom|fuite|fuga|perdita|lekstroom",
    "capacitance_loss": "capacitance loss|loss of capacitance|kapazitatsverlust|perte de capacite|perdida de capacidad|perdita di capacita",
    "drift": "drift|out of tolerance|derive|deriva",
    "crack": "crack|cracked|riss|gerissen|fissure|grieta|crepa",
    "worn": "worn|worn out|verschlissen|abgenutzt|use|gastado|usurato|versleten",
}  # fmt: skip
YES = "yes|y|ja|j|oui|si|true|wahr|vrai|x|1"
NO = "no|n|nein|non|nee|false|falsch|faux|0|-"
TOTALS = "total|totals|sum|summe|gesamt|gesamtsumme|somme|suma|totale|totaal|som|average|mean|avg|mittel|mittelwert|durchschnitt|moyenne|media|promedio|gemiddelde|median|min|max|std|subtotal|zwischensumme|sous total"  # fmt: skip
_STILL = ("still", "noch", "immer", "encore", "toujours", "todavia", "ancora", "nog")
_NOT = ("not", "nicht", "pas", "non", "niet")
EVENTS = {
    "misfire": "misfire|missed|miss|no fire|fehlzundung|zundaussetzer|aussetzer|rate|fallo|mancata accensione|fail",
    "start": "start|begin|beginn|debut|inicio|inizio|watch start",
    "end": "end|ende|stop|fin|fine|einde|last|watch end",
}


_LETTERS = str.maketrans({
    "\u00df": "ss", "\u0142": "l", "\u00f8": "o", "\u0111": "d", "\u0131": "i", "\u00e6": "ae",
    "\u0153": "oe",
})  # fmt: skip
"""letters that Unicode does not take apart into a letter and its mark"""
_NO_WORD = re.compile(r"(?:[^\w\u2713\u2714\u2717\u2718]|_)+")


def plain(text: object) -> str:
    """Lower case, without accents and punctuation, words parted by one blank."""
    s = unicodedata.normalize("NFKD", str(text).strip().casefold().translate(_LETTERS))
    s = "".join(c for c in s if not unicodedata.combining(c))
    return " ".join(_NO_WORD.sub(" ", s).split()) or s.strip()


@lru_cache(65536)
def plain_word(text: str) -> str:
    """``plain`` of a cell's text; cells of a column repeat."""
    return plain(text)


def _index(*books: Mapping[str, str]) -> dict[str, str]:
    """Plain words and what they mean; a word that several books hold means what the first one says."""
    out: dict[str, str] = {}
    for words in books:
        for name, many in words.items():
            for w in (*many.split("|"), name):
                out.setdefault(plain(w), name)
    return out


COLUMN_WORDS = _index(COLUMNS, languages.COLUMNS)
SLOT_WORDS, DEAD_WORDS = _index(SLOTS, languages.SLOTS), _index(DEAD, languages.DEAD)
EVENT_WORDS = _index(EVENTS)
ALIVE_WORDS = {plain(w) for w in (*ALIVE.split("|"), *languages.ALIVE.split("|"))}
YES_WORDS, NO_WORDS = set(YES.split("|")), set(NO.split("|"))
TOTAL_WORDS = {plain(w) for w in (*TOTALS.split("|"), *languages.TOTALS.split("|"))}


def nearest(name: str, known: Iterable[str], least: float = CLOSE) -> tuple[str, float]:
    """The known name most like this one and how like it is (0 to 100); ("", 0) below ``least``."""
    from rapidfuzz import fuzz, process

    if len(name) > 100:
        return "", 0.0
    found = process.extractOne(
        name,
        known if isinstance(known, tuple) else list(known),
        scorer=fuzz.ratio,
        score_cutoff=least,
    )
    return (str(found[0]), float(found[1])) if found else ("", 0.0)


def state_of(word: object) -> str:
    """``alive``, a failure mode (``unknown`` where only dead), or "" if the word is not known."""
    w = plain(word)
    if w in ALIVE_WORDS or w in DEAD_WORDS:
        return "alive" if w in ALIVE_WORDS else DEAD_WORDS[w]
    first, _, rest = w.partition(" ")
    if first in _STILL and rest in ALIVE_WORDS:
        return "alive"
    if first in _NOT and rest in ALIVE_WORDS:
        return "unknown"
    return ""
