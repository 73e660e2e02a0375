"""What the pages mean, in plain words: help for each page and a glossary. One place for both."""

from __future__ import annotations

import re

from reliability.safe_text import for_terminal

HELP = {
    "My module": (
        "How many shots a whole module lasts and which part ends it. Each slot (capacitor, igniter, fuel ...) gets its own "
        "life model; the first slot to fail ends the module. The lower edge of the band is the number to promise from: "
        "at the confidence you choose, the truth is at least that good."
    ),
    "Life curves": (
        "Life of the units in one slot. Left: share still good against shots, as fitted and as counted without any model. "
        "Right: the same points on paper scaled so that the chosen family is a straight line. If the points bend away "
        "from the line, try another family."
    ),
    "History": (
        "What happened to each module: its slots as rows along shots, units one after the other where one was swapped, "
        "coloured by voltage. Choose or click a unit for its record, and for where it stands among units like it."
    ),
    "Failure modes": (
        "What kills the units: each mode by itself, as if the others could not happen, and the share of units ended by each "
        "while all of them are at work. Shares are counted of the units as they were tested, so no operating point is asked "
        "for here; Life curves has one mode at one voltage, by a model."
    ),
    "Wear": (
        "What is measured before anything fails. Readings of one quantity against shots give each unit's path; where the "
        "path meets the limit, the unit counts as spent. The tick is the count that it will reach with the stated confidence."
    ),
    "Misfires": (
        "Commanded shots without a main discharge. The curve shows how many a unit has had by a count; if it bends upwards "
        "they come ever faster. Shot logs also tell what ignition voltage does to them."
    ),
    "Derating": (
        "How far to lower voltage, and so energy, for the capacitor to last the mission. Tests at several voltages give the "
        "slope; the lower bound at the wanted survival gives the allowed voltage. Less voltage means a smaller impulse a shot."
    ),
    "Choose between": (
        "Two parts, fuels, revisions, lots or builders on the same footing: how many times as long the one lives as the other, "
        "how sure that is, and which has the longer promise. Two voltages: the same units at each. Two pools: what a promise is "
        "that rests on one builder's records, or on all. Not shown to differ does not mean alike: look at the range."
    ),
    "Flight promise": (
        "What to promise for one module, given the shots it already has: the count that it lasts with the wanted survival, "
        "at the wanted confidence. Beside it: which slot is likely to end it, and what more testing would change."
    ),
    "Next test": (
        "Which test to run next: one that shows a required life with so many units and shots, or one that narrows the "
        "estimate most for the bench days and money there are."
    ),
    "Kept decisions": (
        "Answers kept under a name, with who kept them and why. What has changed since is said: contributions that came or no "
        "longer count, another version of the methods. A flight statement made before can be verified: it is made anew and compared."
    ),
    "Builders": (
        "Whether builders' lives agree once stress is allowed for, how far each lies from the pool, and what the pool says "
        "without each of them. Builders with few units are drawn towards the pool."
    ),
    "Records": (
        "What is stored, where it comes from, and adding more. A file is checked whole before anything is stored; a "
        "correction supersedes, nothing is deleted."
    ),
    "Guide": "Where to begin, the words used here, and the cautions.",
}

GLOSSARY = {
    "shot": "One main discharge. All life is counted in shots.",
    "slot, unit, part": "A slot is a place in a module (main capacitor, igniter, fuel ...), a unit the one physical part in it, a part its type.",
    "still good": "The unit had not failed when last looked at; it counts as a survivor up to there (right-censored).",
    "found failed": "It failed somewhere between the last good look and the inspection that found it (interval-censored).",
    "late entry": "It already had shots on it when observation began; only what came after counts as exposure.",
    "confidence": "How sure the bound is, one-sided: of many such bounds at 95 %, 95 in 100 keep their word.",
    "lower bound": "The pessimistic edge. A promise rests on it, never on the estimate.",
    "survival": "Share of units that last a given count.",
    "shape": "Of the Weibull family: below 1 early failures, 1 failures at random, above 1 wear-out.",
    "calibrated": "Checked by simulation of tests like this one, so that small samples do not make the bound too bold.",
    "one-sided": "Only the unfavourable side is bounded: the truth may be better than the bound without limit.",
    "promise": "The count up to which the lower bound of survival is still the wanted one. It never rests on the estimate.",
    "operating point": "The voltage, temperature, part and pace that a question is asked for. It goes along from page to page.",
    "stretch": "Shots of one unit at one set of stresses. A unit whose voltage was changed has several, in order.",
    "carried": "What the records allow to be said of an operating point: as tested, by a model, by a prior, or not at all; then no promise is made.",
    "prior": "What is known from elsewhere before these records are looked at; its source and its spread are said.",
    "suspects": "Units of one module of which one failed, and it is not known which.",
    "looked bad": "Taken out for its looks, still working: it counts as failed there, which is the safe side; the other reading stands beside.",
    "exact, interval": "A failure seen at its shot, against one found at an inspection: it failed somewhere since the last good one.",
    "weak units": "Units with a fault from the start that fail early; few tests cannot exclude them.",
    "burn-in": "Shots fired before delivery so that weak units fail on the bench.",
    "misfit": "The model and the records do not agree; the safe answer is given, and this is said first.",
    "misfire": "A commanded shot without a main discharge.",
    "lot": "A batch of parts made together; lots may differ more than units of one lot.",
    "bank": "Capacitors that work as one: in parallel the first short ends it.",
    "impulse bit": "What one shot gives, in newton seconds; it falls with the energy of the shot.",
    "p": "How often a difference as large would be seen if there were none. A large p does not show that there is none.",
    "likelihood": "How probable the records are under a model; larger fits better.",
    "AICc": "Twice the log-likelihood with its sign turned, and a fine for each number fitted, larger for small samples; the smallest fits best among families.",
    "family": "The form of the life model: Weibull, lognormal, log-logistic, exponential.",
    "mode": "What happened: short, open, no spark, fuel spent ...",
    "derating": "Working below the rated voltage so that the part lasts longer.",
    "life ~ V^-n": "Each halving of the voltage multiplies life by 2^n.",
    "pool": "All builders' data together, after allowing for how they differ.",
    "contribution": "What one file brought. It waits as received until a maintainer accepts it.",
    "shot log": "One row a shot: voltages before and after, ignition voltage, time.",
}


TERMS: dict[str, tuple[str, ...]] = {
    "My module": ("promise", "lower bound", "confidence", "survival", "operating point", "carried", "shape", "pool", "prior", "weak units", "burn-in", "bank", "suspects"),
    "Life curves": ("lower bound", "confidence", "shape", "family", "still good", "found failed", "operating point", "carried", "misfit", "likelihood", "AICc", "p", "suspects"),
    "History": ("slot, unit, part", "stretch", "still good", "found failed", "late entry", "misfire", "suspects"),
    "Failure modes": ("mode", "shape", "lower bound", "confidence", "suspects", "family"),
    "Wear": ("confidence", "lower bound", "one-sided", "pool"),
    "Misfires": ("misfire", "shot log", "confidence", "p"),
    "Derating": ("derating", "promise", "survival", "confidence", "life ~ V^-n", "bank", "impulse bit", "prior", "carried", "calibrated", "misfit"),
    "Choose between": ("promise", "confidence", "lot", "pool", "operating point", "lower bound"),
    "Flight promise": ("promise", "survival", "confidence", "operating point", "burn-in", "stretch", "carried", "lower bound"),
    "Next test": ("promise", "confidence", "survival", "shape", "still good"),
    "Kept decisions": ("promise", "contribution"),
    "Builders": ("pool", "confidence", "p", "lower bound", "calibrated", "lot"),
    "Records": ("shot", "slot, unit, part", "still good", "found failed", "exact, interval", "stretch", "contribution", "shot log", "lot"),
    "Guide": (),
}  # fmt: skip
"""words of the glossary that stand at hand on each page; the guide has all"""
OF_SETTING = {
    "confidence": "confidence", "survival": "survival", "family": "family", "prior": "prior", "use": "operating point",
    "no_early_failures": "burn-in", "impulse": "impulse bit", "impulse_bit": "impulse bit", "mode": "mode",
    "parallel": "bank", "shape": "shape",
}  # fmt: skip
"""settings whose help ends with a word of the glossary"""
OF_COLUMN = {
    "shape": "shape", "AICc": "AICc", "log-likelihood": "likelihood", "p": "p", "mode": "mode", "then promised": "promise",
    "promised": "promise", "promise": "promise", "promise alone": "promise", "alone at least": "promise", "at least": "lower bound",
    "lower": "lower bound", "bound": "lower bound", "survival": "survival", "pool without": "pool", "family": "family",
}  # fmt: skip
"""heads of tables whose help is a word of the glossary"""


def meaning(word: str) -> str:
    """What the glossary says of a word, behind the word itself."""
    return f"{word[0].upper()}{word[1:]}: {GLOSSARY[word]}"


def plain_text(text: str) -> str:
    """A text from outside, such as a builder's code, so that it shows as it is and does nothing.

    What would steer the text around it, such as a mark that turns its direction, is shown by its number.
    """
    return re.sub(r"([\\`*_{}\[\]<>#|~$:!])", r"\\\1", for_terminal(text.replace("\n", " ")))
