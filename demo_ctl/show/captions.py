"""Captions: short plain sentences in English, German and French for every stage and everything that is unfolded.

A caption has a key: `stage ringing`, `selector A 0`, `finder rotary 1`, `caller pulse 1` (a kind of part, the thing,
and 1 or 0 for on or off), `tone busy tone` and `tone off`. A sheet may put its own text in the place of any of them,
for all languages or for some; for a stage its bare name (`ringing`) will do. In a text `{caller}` and the other FIELDS
stand for what is the case; anything else in braces stays as it is written.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from demo_ctl.office.model import Unit
from demo_ctl.show.model import STAGES, TONES, Happening, Scene
from demo_ctl.show.scene import FINDER

LANGUAGES = ("en", "de", "fr")
#: What a caption may speak of: the two lines' names, the number as written, the digit just dialled, the switch, its
#: level and its terminal.
FIELDS = ("caller", "called", "number", "digit", "switch", "level", "terminal")

Text = str | Mapping[str, str]

_STAGE: dict[str, tuple[str, str, str]] = {
    "at rest": (
        "All at rest. The exchange waits.",
        "Alles in Ruhe. Das Amt wartet.",
        "Tout est au repos. Le central attend.",
    ),
    "lifted": (
        "{caller} lifts the handset.",
        "{caller}: Der Hörer wird abgehoben.",
        "{caller} : le combiné est décroché.",
    ),
    "finding": (
        "A line finder looks for the calling line.",
        "Ein Anrufsucher sucht die rufende Leitung.",
        "Un chercheur cherche la ligne qui appelle.",
    ),
    "dial tone": (
        "Dial tone: ready for the number.",
        "Wählton: Das Amt ist bereit.",
        "Tonalité : le central est prêt.",
    ),
    "dialling": (
        "The dial sends {digit}.",
        "Die Wählscheibe sendet {digit}.",
        "Le cadran envoie {digit}.",
    ),
    "selecting": (
        "The digit is in. The switch finds its way on.",
        "Die Ziffer ist da. Der Wähler sucht weiter.",
        "Le chiffre est reçu. Le sélecteur poursuit.",
    ),
    "connecting": (
        "The last switch has reached the line, and tests it.",
        "Der letzte Wähler ist am Ziel und prüft die Leitung.",
        "Le dernier organe a atteint la ligne et la teste.",
    ),
    "ringing": (
        "The bell rings at {called}.",
        "Bei {called} läutet der Wecker.",
        "La sonnerie retentit : {called}.",
    ),
    "talking": (
        "Answered. They can talk.",
        "Gemeldet. Das Gespräch läuft.",
        "On a répondu. La conversation commence.",
    ),
    "tone": (
        "A tone says: this call cannot go on.",
        "Ein Ton sagt: Hier geht es nicht weiter.",
        "Une tonalité dit : l'appel ne peut aboutir.",
    ),
    "clearing": (
        "Hung up. The switches go home.",
        "Aufgelegt. Die Wähler kehren heim.",
        "Raccroché. Les organes reviennent au repos.",
    ),
    "ended": (
        "The call is over.",
        "Der Anruf ist zu Ende.",
        "L'appel est terminé.",
    ),
}

_TONE: dict[str, tuple[str, str, str]] = {
    "": ("The tone stops.", "Der Ton verstummt.", "La tonalité cesse."),
    "dial tone": ("Dial tone.", "Wählton.", "Tonalité d'invitation à numéroter."),
    "ringback": ("The caller hears it ring.", "Der Anrufer hört den Freiton.", "L'appelant entend le retour d'appel."),
    "busy tone": ("Busy tone: the line is in use.", "Besetztton: belegt.", "Tonalité d'occupation : ligne prise."),
    "overflow tone": (
        "All ways on are taken: a fast busy tone.",
        "Alle Wege sind belegt: schneller Besetztton.",
        "Toutes les voies sont prises : tonalité rapide.",
    ),
    "vacant tone": (
        "Nothing is connected there.",
        "Dort ist nichts angeschlossen.",
        "Rien n'est raccordé à cet endroit.",
    ),
}

_END: dict[str, tuple[str, str, str]] = {
    "hook 1": (
        "The handset is lifted: the hook closes the loop.",
        "Abgehoben: Der Gabelumschalter schließt die Schleife.",
        "Décroché : le crochet ferme la boucle.",
    ),
    "hook 0": (
        "The handset is down: the hook opens the loop.",
        "Aufgelegt: Der Gabelumschalter öffnet die Schleife.",
        "Raccroché : le crochet ouvre la boucle.",
    ),
    "loop 1": (
        "Current flows in the loop.",
        "In der Schleife fließt Strom.",
        "Le courant passe dans la boucle.",
    ),
    "loop 0": (
        "No current in the loop.",
        "Kein Strom in der Schleife.",
        "Plus de courant dans la boucle.",
    ),
    "digit 1": ("The digit {digit} is dialled.", "Die Ziffer {digit} wird gewählt.", "On compose le chiffre {digit}."),
    "pulse 1": ("The dial's contact opens.", "Der Kontakt der Wählscheibe öffnet.", "Le contact du cadran s'ouvre."),
    "pulse 0": (
        "The dial's contact closes again.",
        "Der Kontakt der Wählscheibe schließt wieder.",
        "Le contact du cadran se referme.",
    ),
    "battery 0": (
        "The line is open for a moment.",
        "Die Leitung ist kurz offen.",
        "La ligne est ouverte un instant.",
    ),
    "battery 1": (
        "The exchange feeds the line.",
        "Das Amt speist die Leitung.",
        "Le central alimente la ligne.",
    ),
    "battery 2": (
        "The battery is turned round: the call is answered.",
        "Die Speisung ist umgepolt: Es wurde abgehoben.",
        "La polarité est inversée : on a répondu.",
    ),
    "ringing 1": (
        "Ringing current: the bell sounds.",
        "Rufstrom: Der Wecker läutet.",
        "Courant d'appel : la sonnerie.",
    ),
    "ringing 0": ("A pause in the ringing.", "Eine Rufpause.", "Une pause de la sonnerie."),
}

_LINE: dict[str, tuple[str, str, str]] = {
    "line relay 1": (
        "The line relay operates: somebody calls.",
        "Das Leitungsrelais zieht an: Jemand ruft.",
        "Le relais de ligne s'attire : on appelle.",
    ),
    "line relay 0": (
        "The line relay falls back.",
        "Das Leitungsrelais fällt ab.",
        "Le relais de ligne retombe.",
    ),
    "cut-off relay 1": (
        "The cut-off relay takes the line relay away.",
        "Das Trennrelais schaltet das Leitungsrelais ab.",
        "Le relais de coupure écarte le relais de ligne.",
    ),
    "cut-off relay 0": (
        "The cut-off relay gives the line back.",
        "Das Trennrelais gibt die Leitung frei.",
        "Le relais de coupure rend la ligne.",
    ),
}

_SWITCH: dict[str, tuple[str, str, str]] = {
    "A 1": (
        "Relay A operates: it follows the loop.",
        "Relais A zieht an: Es folgt der Schleife.",
        "Le relais A s'attire : il suit la boucle.",
    ),
    "A 0": ("Relay A falls back.", "Relais A fällt ab.", "Le relais A retombe."),
    "B 1": (
        "Relay B operates, and holds the switch.",
        "Relais B zieht an und hält den Wähler.",
        "Le relais B s'attire et maintient l'organe.",
    ),
    "B 0": (
        "Relay B lets go: the switches are released.",
        "Relais B fällt ab: Die Wähler werden frei.",
        "Le relais B retombe : les organes sont libérés.",
    ),
    "C 1": (
        "Relay C operates: a digit is coming.",
        "Relais C zieht an: Eine Ziffer kommt.",
        "Le relais C s'attire : un chiffre arrive.",
    ),
    "C 0": (
        "Relay C falls back: the digit has ended.",
        "Relais C fällt ab: Die Ziffer ist zu Ende.",
        "Le relais C retombe : le chiffre est fini.",
    ),
    "D 1": (
        "Relay D operates: the called telephone is off its hook.",
        "Relais D zieht an: Der Gerufene hat abgehoben.",
        "Le relais D s'attire : l'appelé a décroché.",
    ),
    "D 0": ("Relay D falls back.", "Relais D fällt ab.", "Le relais D retombe."),
    "F 1": (
        "Relay F operates: the ringing stops.",
        "Relais F zieht an: Der Ruf wird abgeschaltet.",
        "Le relais F s'attire : la sonnerie cesse.",
    ),
    "F 0": ("Relay F falls back.", "Relais F fällt ab.", "Le relais F retombe."),
    "cut-through 1": (
        "The line is put through to the next switch.",
        "Die Leitung wird zum nächsten Wähler durchgeschaltet.",
        "La ligne passe à l'organe suivant.",
    ),
    "cut-through 0": (
        "The way through is opened again.",
        "Die Durchschaltung fällt ab.",
        "Le passage est coupé.",
    ),
    "vertical magnet 1": (
        "The vertical magnet pulls.",
        "Der Hubmagnet zieht.",
        "L'électro d'ascension s'attire.",
    ),
    "vertical magnet 0": (
        "The vertical magnet lets go; a pawl holds the shaft.",
        "Der Hubmagnet lässt los; eine Klinke hält die Welle.",
        "L'électro d'ascension retombe ; un cliquet tient l'arbre.",
    ),
    "vertical 1": (
        "The shaft rises to level {level}.",
        "Die Welle hebt sich auf Höhe {level}.",
        "L'arbre monte au niveau {level}.",
    ),
    "vertical 0": ("The shaft has come down.", "Die Welle ist unten.", "L'arbre est redescendu."),
    "rotary magnet 1": ("The rotary magnet pulls.", "Der Drehmagnet zieht.", "L'électro de rotation s'attire."),
    "rotary magnet 0": (
        "The rotary magnet lets go.",
        "Der Drehmagnet lässt los.",
        "L'électro de rotation retombe.",
    ),
    "rotary 1": (
        "The wipers turn to terminal {terminal}.",
        "Die Schaltarme drehen auf Kontakt {terminal}.",
        "Les balais tournent au contact {terminal}.",
    ),
    "rotary 0": ("The wipers have turned back.", "Die Schaltarme sind zurück.", "Les balais sont revenus."),
    "release magnet 1": (
        "The release magnet lifts the pawls.",
        "Der Auslösemagnet hebt die Klinken.",
        "L'électro de libération lève les cliquets.",
    ),
    "release magnet 0": ("The shaft is home.", "Die Welle ist in Ruhe.", "L'arbre est au repos."),
    "off-normal 1": (
        "The shaft has left its rest; its springs have moved.",
        "Die Welle hat die Ruhe verlassen; die Kopfkontakte schalten.",
        "L'arbre a quitté le repos ; ses ressorts basculent.",
    ),
    "off-normal 0": (
        "The springs are back at rest.",
        "Die Kopfkontakte sind in Ruhe.",
        "Les ressorts sont au repos.",
    ),
    "sleeve 1": (
        "The switch is marked as taken.",
        "Der Wähler ist als belegt markiert.",
        "L'organe est marqué occupé.",
    ),
    "sleeve 0": ("The switch is free again.", "Der Wähler ist wieder frei.", "L'organe est de nouveau libre."),
    "ringing 1": (
        "Ringing current is put on the called line.",
        "Rufstrom wird auf die gerufene Leitung gelegt.",
        "Le courant d'appel est mis sur la ligne appelée.",
    ),
    "ringing 0": (
        "Ringing current is taken off the line.",
        "Der Rufstrom wird abgeschaltet.",
        "Le courant d'appel est retiré.",
    ),
}

_TOGETHER = (
    "And now as it really is: all at once.",
    "Und nun, wie es wirklich ist: alles zugleich.",
    "Et maintenant en vrai : tout à la fois.",
)
#: Between the unfolded happenings and the same ones together again.
TOGETHER = "together"

_KINDS = ("finder", "selector", "connector")
_FINDER_THINGS = {
    f"{thing} {on}"
    for thing in ("vertical magnet", "vertical", "rotary magnet", "rotary", "release magnet", "off-normal")
    for on in (0, 1)
}
_CONNECTOR_ONLY = {f"{thing} {on}" for thing in ("D", "F", "ringing") for on in (0, 1)}
_CONNECTOR_OWN: dict[str, tuple[str, str, str]] = {
    "cut-through 1": (
        "The connector tests the called line.",
        "Der Leitungswähler prüft die gerufene Leitung.",
        "Le connecteur teste la ligne appelée.",
    ),
}


def _all() -> dict[str, tuple[str, str, str]]:
    found = {f"stage {name}": texts for name, texts in _STAGE.items()}
    found |= {f"tone {name or 'off'}": texts for name, texts in _TONE.items()}
    for end in ("caller", "called"):
        found |= {f"{end} {thing}": texts for thing, texts in _END.items()}
    found |= {f"line {thing}": texts for thing, texts in _LINE.items()}
    for kind in _KINDS:
        for thing, texts in _SWITCH.items():
            if kind == "finder" and thing not in _FINDER_THINGS:
                continue
            if kind != "connector" and thing in _CONNECTOR_ONLY:
                continue
            found[f"{kind} {thing}"] = _CONNECTOR_OWN.get(thing, texts) if kind == "connector" else texts
    found[TOGETHER] = _TOGETHER
    return found


_TEXTS = _all()
#: Every key that has a caption.
KEYS = tuple(_TEXTS)


def key_of(happening: Happening, unit: Unit) -> str:
    """Return the key of what happened; empty if it is nothing that is told (bookkeeping, the guard's own affairs)."""
    part, thing, value = happening.part, happening.thing, happening.value
    if part == "call":
        key = f"stage {STAGES[value]}" if thing == "stage" and 0 <= value < len(STAGES) else ""
    elif thing == "tone":
        key = f"tone {TONES[value] or 'off'}" if 0 <= value < len(TONES) else ""
    elif thing == "battery":
        key = f"{part} battery {value}"
    else:
        key = f"{kind_of(part, unit)} {thing} {int(bool(value))}"
    return key if key in _TEXTS else ""


def kind_of(part: str, unit: Unit) -> str:
    """Return caller, called, line, finder, selector or connector; empty for anything else."""
    if part in ("caller", "called"):
        return part
    names = {FINDER: "finder", **{stage.name: stage.kind for stage in unit.train}}
    fitting = [name for name in names if part.startswith(f"{name} ")]
    if fitting:
        return names[max(fitting, key=len)]
    return "line" if part.startswith("line ") else ""


def unknown_keys(overrides: Mapping[str, Text]) -> tuple[str, ...]:
    """Return the keys (and `key: language`) of a sheet's captions that no caption has: a sheet is checked by it."""
    unknown = []
    for key, text in overrides.items():
        if key not in _TEXTS and f"stage {key}" not in _TEXTS:
            unknown.append(key)
        elif not isinstance(text, str):
            unknown += [f"{key}: {language}" for language in text if language not in LANGUAGES]
    return tuple(unknown)


def caption(
    key: str, language: str, fields: Mapping[str, str] | None = None, overrides: Mapping[str, Text] | None = None
) -> str:
    """Return the caption for a key; empty for a key that has none. fields: what the FIELDS stand for.

    Raises ValueError for a language there are no captions in.
    """
    if language not in LANGUAGES:
        raise ValueError(f"captions are in {', '.join(LANGUAGES)}, not in {language!r}")
    text = _own(key, language, overrides or {})
    if text is None:
        texts = _TEXTS.get(key)
        text = texts[LANGUAGES.index(language)] if texts is not None else ""
    known = fields or {}
    return re.sub(r"\{(\w+)\}", lambda found: known.get(found[1], found[0]), text)


def stage_caption(
    stage: int, language: str, fields: Mapping[str, str] | None = None, overrides: Mapping[str, Text] | None = None
) -> str:
    """Return the caption for a stage of the call (an index into STAGES)."""
    return caption(f"stage {STAGES[stage]}", language, fields, overrides)


def _own(key: str, language: str, overrides: Mapping[str, Text]) -> str | None:
    text = overrides.get(key)
    if text is None and key.startswith("stage "):
        text = overrides.get(key.removeprefix("stage "))
    if text is None or isinstance(text, str):
        return text
    return text.get(language)


def fields_of(scene: Scene, language: str) -> dict[str, str]:
    """Return what the FIELDS stand for in a scene: its parties, and the switch that moved last."""
    last = scene.last
    switch = next((each for each in scene.switches if last is not None and each.part == last.part), None)
    place = scene.caller.digit or scene.called.digit
    return {
        "caller": scene.caller.name,
        "called": scene.called.name,
        "number": scene.dialled,
        "digit": scene.digits[place - 1] if 0 < place <= len(scene.digits) else "",
        "switch": _name(switch.kind, switch.name, switch.stage, scene, language) if switch is not None else "",
        "level": str(switch.vertical) if switch is not None else "",
        "terminal": str(switch.rotary) if switch is not None else "",
    }


_NAMES = {
    "de": {"finder": "Anrufsucher", "selector": "Gruppenwähler", "connector": "Leitungswähler"},
    "fr": {"finder": "chercheur", "selector": "sélecteur", "connector": "connecteur"},
}


def _name(kind: str, name: str, stage: int, scene: Scene, language: str) -> str:
    """A stage's name: as the unit's file has it in English, by its kind and place elsewhere."""
    if language not in _NAMES:
        return name
    several = len({each.stage for each in scene.switches if each.kind == "selector"}) > 1
    plain = _NAMES[language][kind]
    if kind != "selector" or not several:
        return plain
    if language == "de":
        return f"{stage}. {plain}"
    return f"{stage}{'er' if stage == 1 else 'e'} {plain}"


def captions(
    key: str, scene: Scene, languages: Iterable[str] = LANGUAGES, overrides: Mapping[str, Text] | None = None
) -> dict[str, str]:
    """Return a key's caption in every language, about this scene."""
    return {language: caption(key, language, fields_of(scene, language), overrides) for language in languages}
