"""Headers of several words, understood word by word: ``Shots last OK``, ``Schüsse bis Ausfall``, ``Cause de la panne``.

A header is understood only if each of its words is known and a rule holds for what they say together.
What comes out is a suggestion, never sure: the person is asked.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache

from reliability.sheets.bench.vocabulary import SLOT_WORDS, plain

WORDS: dict[str, str] = {
    "shots": "shot|shots|pulse|pulses|discharge|discharges|firing|firings|count|counts|counter|cycle|cycles|schuss|schusse|schuesse|schussen|schusszahl|puls|pulsen|pulszahl|impuls|impulse|impulsen|entladung|entladungen|zahler|zahlerstand|zaehlerstand|zyklen|tir|tirs|coup|coups|decharge|decharges|impulsion|impulsions|compteur|disparo|disparos|pulso|pulsos|descarga|descargas|contador|ciclo|ciclos|tiro|tiros|colpo|colpi|sparo|spari|impulso|impulsi|scarica|scariche|schot|schoten",
    "good": "good|ok|okay|alive|working|works|worked|survived|surviving|intact|healthy|gut|gute|guter|gutes|io|i o|in ordnung|lebt|lebte|lebend|intakt|heil|funktioniert|funktionierte|lief|uberlebt|bon|bonne|bons|vivant|vivante|marche|marchait|fonctionne|fonctionnait|valide|bueno|buena|buenos|bien|vivo|viva|funciona|funcionaba|funcionando|sano|buono|buona|funziona|funzionante|goed|werkt|werkte|leeft|correct|correcto|correcta|korrekt|conforme",
    "failed": "failed|fail|fails|failure|failures|fault|dead|death|died|dies|broke|broken|breakdown|defect|defective|blew|blown|nok|n i o|ng|defekt|defekte|defekter|defektes|defekts|tot|tod|ausfall|ausfalls|ausfalle|ausgefallen|fehler|versagen|versagens|versagt|versagte|kaputt|gestorben|starb|mort|morte|panne|en panne|hs|lache|defaillance|defaillant|defaillante|casse|cassee|claque|fallo|falla|fallado|averia|averiado|averiada|muerto|muerta|muerte|murio|roto|rota|defecto|no funciona|guasto|guasta|rotto|rotta|morto|morta|stuk|kapot|dood|uitgevallen|fallar|morir|romperse|averiarse|died off|dying|breaking|sterben|mourir",
    "last": "last|latest|final|letzte|letzter|letztes|letzten|zuletzt|dernier|derniere|derniers|ultimo|ultima|ultimos|laatste|laatst",
    "look": "check|checked|seen|look|inspection|inspected|test|tested|known|found|observed|verified|gesehen|kontrolle|prufung|pruefung|gepruft|inspektion|bekannt|gefunden|vu|vue|controle|verifie|verification|constate|connu|visto|vista|control|comprobado|comprobacion|verificado|inspeccion|conocido",
    "at": "at|until|till|up to|by|bei|beim|bis|als|jusqu|hasta|fino|bij|tot",
    "when": "when|wann|quand|cuando|quando",
    "after": "after|nach|apres|despues|tras|dopo|na",
    "before": "before|prior to|vor|vorm|avant|antes|prima|voor",
    "not": "not|nicht|pas|ne|non|niet",
    "number": "number|no|nr|num|numero|n|n o|id|ident|identifier|identification|serial|s n|sn|label|nummer|kennung|kennzeichen|seriennummer|seriennr|matricule|matricola|identifiant|etiquette|etiqueta|identificador|numero de serie|n de serie|no de serie|n o de serie|volgnummer|serie|serien|num de serie",
    "how many": "number of|no of|nr of|quantity|quantity of|qty|qty of|anzahl|nombre|nombre de|nb|nb de|cantidad|cantidad de|aantal",
    "type": "type|types|model|part number|part no|part nr|p n|typ|typen|bauart|bauform|modell|teilenummer|artikelnummer|bestellnummer|modele|reference|ref|tipo|modelo|referencia|modello|riferimento|art|arten",
    "part": "part|parts|component|components|item|bauteil|bauteile|bauteils|teil|composant|composants|piece|pieces|element|componente|componentes|pieza|piezas|elemento|onderdeel",
    "specimen": "unit|specimen|sample|prufling|pruefling|prueflings|muster|echantillon|muestra|campione|monster",
    "object": "cap|caps|capacitor|capacitors|kondensator|kondensators|kondensatoren|kondi|condensateur|condensateurs|condo|condensador|condensadores|condensatore|condensatori|condensator|plug",
    "module": "module|modul|moduls|thruster|triebwerk|triebwerks|propulseur|modulo|propulsor|propulsore",
    "what": "what|which|was|welches|welcher|welche|welchen|quoi|qu est ce qui|ce qui|quel|quelle|que|cual|cosa|che|quale|wat|welk",
    "why": "why|how|cause|causes|reason|mode|mechanism|warum|wie|grund|ursache|weise|bild|pourquoi|comment|raison|motif|mecanisme|causa|motivo|razon|modo|como|mecanismo|oorzaak|reden",
    "lot": "lot|batch|los|chargennummer|chargennr|charge nr|lote|lotto|partij",
    "voltage": "voltage|spannung|tension|tensione|spanning",
    "rated": "rated|rating|nominal|nenn|nominale|nominell|nominelle",
    "charge": "charge|charging|charged|lade|ladung|carga|carica",
    "tested": "operating|pruf|betriebs|essai|service|ensayo|trabajo",
    "capacitance": "capacitance|kapazitat|kapazitaet|capacite|capacidad|capacita|capaciteit",
    "banked": "in series|in parallel|in reihe|en serie|en parallele|en paralelo|in serie|in parallelo",
    "status": "status|state|condition|zustand|befund|etat|estado|stato|toestand",
    "removed": "removed|removal|taken out|pulled|ausgebaut|ausbau|entnommen|entnahme|retire|depose|retirado|retirada|rimosso|retrait|desmontaje|desmontado",
    "installed": "installed|installation|fitted|mounted|put in|eingebaut|einbau|montiert|monte|installe|pose|instalado|instalacion|instalar|montado|montaje|installato|montar|install|einbauen|installer",
    "date": "date|day|datum|tag|fecha|dia|jour|data|giorno",
    "": "the|of|a|an|in|on|to|it|its|this|that|had|has|have|is|were|been|for|with|still|total|der|die|das|den|des|dem|ein|eine|er|es|sie|war|ist|hat|wurde|am|im|zum|zur|von|vom|fur|noch|gesamt|le|la|les|l|un|une|de|du|d|il|elle|est|etait|au|aux|en|encore|toujours|el|los|las|del|al|una|se|ha|fue|era|lo|con|por|todavia|aun|i|di|della|dell|al|alla|ancora|het|een|van|nog|plus|did|does|do|hier|wo|deren|dessen|ont|haben|han|cada|each|je",
}  # fmt: skip
"""what a word says: words that say it, plain; those under "" say nothing by themselves"""

_UNIT = frozenset(("object", "part", "specimen"))
_SEEN = _UNIT | {"at", "when", "look"}
RULES: tuple[tuple[frozenset[str], frozenset[str], tuple[str, ...]], ...] = tuple(
    (frozenset(needed.split()), frozenset(allowed), columns)
    for needed, allowed, columns in (
        ("last before failed", _SEEN | {"shots"}, ("shots_good",)),
        ("shots before failed", _SEEN, ("shots_failed", "shots_good", "extra")),
        ("shots failed", _SEEN, ("shots_failed",)),
        ("failed at", _UNIT | {"look"}, ("shots_failed",)),
        ("failed when", _UNIT | {"look"}, ("extra", "shots_failed", "date")),
        ("shots good", _SEEN | {"last"}, ("shots_good",)),
        ("last good", _SEEN, ("shots_good",)),
        ("good at", _UNIT | {"look"}, ("shots_good",)),
        ("shots last", _SEEN, ("shots",)),
        ("date failed", _SEEN, ("extra", "date")),
        ("date good", _SEEN | {"last"}, ("extra", "date")),
        ("why failed", _UNIT | {"what"}, ("mode",)),
        ("type failed", frozenset(), ("mode",)),
        ("what failed", _UNIT | {"look"}, ("mode", "slot", "extra")),
        ("part failed", {"look"}, ("extra", "slot", "mode")),
        ("object failed", {"look"}, ("failed", "shots_failed", "extra")),
        ("object good", {"look"}, ("status",)),
        ("object status", _UNIT, ("status",)),
        ("part status", _UNIT, ("status",)),
        ("object number", {"specimen"}, ("unit",)),
        ("specimen number", frozenset(), ("unit",)),
        ("part number", frozenset(), ("unit", "part", "extra")),
        ("module number", frozenset(), ("module",)),
        ("object type", {"part"}, ("part",)),
        ("part type", frozenset(), ("part", "slot", "extra")),
        ("object lot", {"number"}, ("lot",)),
        ("part lot", {"number"}, ("lot",)),
        ("charge object", {"number"}, ("extra", "lot", "charge_V")),
        ("charge part", {"number"}, ("extra", "lot", "charge_V")),
        ("voltage rated", {"object", "part"}, ("rated_V",)),
        ("voltage charge", {"object"}, ("charge_V",)),
        ("voltage tested", {"object"}, ("charge_V",)),
        ("voltage object", frozenset(), ("charge_V", "rated_V", "extra")),
        ("capacitance object", {"rated"}, ("capacitance_uF",)),
        ("removed why", _UNIT, ("removed",)),
        ("removed shots", _UNIT | {"at", "when"}, ("shots",)),
        ("removed at", _UNIT, ("shots",)),
        ("installed shots", _UNIT | {"at", "when"}, ("shots_from",)),
        ("installed at", _UNIT, ("shots_from",)),
        ("how-many object", frozenset(), ("count", "bank_parallel", "extra")),
    )
)  # fmt: skip
"""what has to be said, what may be said beside it, and the columns this can mean: the first is suggested"""


def _said() -> dict[tuple[str, ...], str]:
    out: dict[tuple[str, ...], str] = {}
    for kind, many in WORDS.items():
        for w in many.split("|"):
            out.setdefault(tuple(w.split()), kind.replace(" ", "-"))
    for w, slot in SLOT_WORDS.items():
        if slot not in ("module", "fuel"):
            out.setdefault(tuple(w.split()), "object")
    return out


_SAID = _said()
_LONGEST = max(map(len, _SAID))
_PIECES = {w[0]: kind for w, kind in _SAID.items() if len(w) == 1 and len(w[0]) >= 3 and kind}
"""words that German and hurried writers join to one"""
_JOINTS = ("", "s", "n", "en", "es")
_NUMBERED = ("shots", "number", "how-many")
_HUMP = re.compile(r"(?<=[^\W\d_A-Z])(?=[A-Z])")


@lru_cache(8192)
def understood(text: str, of_shots: bool = False) -> tuple[str, ...]:
    """Columns that a header can mean by its words, the likeliest first; empty if a word or their sense is unknown.

    ``of_shots``: its unit says that it counts shots.
    """
    words = plain(_HUMP.sub(" ", text.replace("#", " nr "))).split()
    kinds = _kinds(words) if len(words) <= 9 else None
    if kinds is None:
        return ()
    if kinds == ["failed", "shots"] and len(words) == 2:
        return "extra", "shots_failed", "misfires"  # shots that failed, or shots at which it did
    said = _turned([*kinds, "at", "shots"] if of_shots else kinds)
    if said is None:
        return ()
    for needed, allowed, columns in RULES:
        if needed <= said <= needed | allowed:
            return columns
    return ()


def _kinds(words: list[str]) -> list[str] | None:
    """What each word says, several words that say one thing together first; None if one is unknown."""
    out: list[str] = []
    i = 0
    while i < len(words):
        for n in range(min(_LONGEST, len(words) - i), 0, -1):
            if (kind := _SAID.get(tuple(words[i : i + n]))) is not None:
                out.append(kind)
                i += n
                break
        else:
            joined = _taken_apart(words[i])
            if not joined:
                return None
            out += joined
            i += 1
    return out


def _taken_apart(word: str) -> list[str]:
    """What a joined word says by its pieces, such as ``kondensatornummer``; empty if it has none."""
    for end in range(len(word) - 1, 2, -1):
        first = _PIECES.get(word[:end])
        if first is None:
            continue
        for joint in _JOINTS:
            rest = word[end:].removeprefix(joint) if word[end:].startswith(joint) else ""
            if rest in _PIECES:
                return [first, _PIECES[rest]]
            if len(rest) >= 6 and (more := _taken_apart(rest)):
                return [first, *more]
    return []


def _turned(kinds: Iterable[str]) -> frozenset[str] | None:
    """What is said, a number of shots taken for shots, "not" taken into account, and "after": shots after a failure
    are no count of it.
    """
    out: list[str] = []
    negated = False
    for kind in filter(None, kinds):
        if kind in _NUMBERED and out and out[-1] in _NUMBERED and "shots" in (kind, out[-1]):
            out[-1] = "shots"
            continue
        if kind == "not":
            negated = True
            continue
        if kind == "after":
            if not {"failed", "good", "removed"} & set(out):
                return None
            kind = "at"
        if negated and kind in ("good", "failed"):
            kind, negated = ("failed" if kind == "good" else "good"), False
        out.append(kind)
    return None if negated else frozenset(out)
