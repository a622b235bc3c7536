"""Words by which extracts call what the kit calls otherwise; common practice, no source."""

from __future__ import annotations

import re
import unicodedata

SHORT = {
    "ac": "aircraft", "acft": "aircraft", "tail": "aircraft", "reg": "aircraft", "registration": "aircraft",
    "a/c": "aircraft", "dt": "date", "no": "number", "nbr": "number", "num": "number", "nr": "number", "#": "number",
    "insp": "inspection", "look": "inspection", "check": "inspection", "fh": "hours", "tsn": "hours", "hrs": "hours",
    "hour": "hours", "tt": "hours", "fc": "cycles", "csn": "cycles", "cyc": "cycles", "cycle": "cycles", "landings": "cycles",
    "pos": "zone", "posn": "zone", "position": "zone", "sn": "serial", "ser": "serial", "len": "length", "lgth": "length",
    "wid": "width", "matl": "material", "mtl": "material", "thk": "thickness", "thick": "thickness", "rpt": "report",
    "dmg": "damage", "defect": "damage", "def": "damage", "disp": "disposition", "action": "disposition", "rem": "remarks",
    "remark": "remarks", "comment": "remarks", "comments": "remarks", "notes": "remarks", "note": "remarks", "meth": "method",
    "technique": "method", "res": "result", "outcome": "result", "lvl": "level", "rev": "revision", "eff": "effective",
    "keyed": "recorded", "entered": "recorded", "logged": "recorded", "model": "subtype", "variant": "subtype",
    "version": "subtype", "type": "type", "in": "inch", "inches": "inch", "ins": "inch", "installed": "fitted", "on": "fitted",
    "inst": "fitted", "off": "removed", "cond": "condition", "struct": "structure", "fam": "group", "family": "group", "descr": "description", "desc": "description",
}  # fmt: skip
"""Short for what."""

GERMAN = {
    "lfz": "aircraft", "flugzeug": "aircraft", "flugzeuge": "aircraft", "luftfahrzeug": "aircraft", "luftfahrzeuge": "aircraft",
    "kennzeichen": "aircraft", "flotte": "fleet", "baureihe": "subtype", "muster": "subtype", "indienststellung": "entry into service",
    "auslieferung": "delivery date", "paneel": "panel", "paneele": "panels", "platte": "panel", "platten": "panels", "nummer": "number",
    "seriennummer": "serial number", "werknummer": "serial number", "einbau": "fitted", "eingebaut": "fitted", "einbaudatum": "fitted date",
    "ausbau": "removed", "ausgebaut": "removed", "ausbaudatum": "removed date", "datum": "date", "zustand": "condition", "baulos": "build lot",
    "los": "lot", "befund": "finding", "befunde": "findings", "befunddatum": "date found", "gefunden": "found", "schaden": "damage",
    "schaeden": "damages", "schadensart": "damage type", "schadenart": "damage type", "art": "type", "ursache": "cause", "laenge": "length",
    "breite": "width", "groesse": "size", "zoll": "inch", "einheit": "unit", "massnahme": "disposition", "entscheidung": "disposition",
    "bemerkung": "remarks", "bemerkungen": "remarks", "erfasst": "recorded", "erfassung": "recorded", "erfassungsdatum": "date recorded",
    "eingegeben": "recorded", "am": "", "pruefverfahren": "method", "verfahren": "method", "methode": "method", "zaehler": "counters",
    "zaehlerstaende": "counters", "zaehlerstand": "counters", "ablesung": "reading date", "abgelesen": "reading date", "stand": "reading date",
    "flugstunden": "flight hours", "stunden": "hours", "landungen": "cycles", "zyklen": "cycles", "flugzyklen": "flight cycles",
    "zonen": "zones", "bauteil": "component", "gruppe": "group", "baugruppe": "group", "seite": "side", "umriss": "outline", "kontur": "outline",
    "aussenhaut": "outer skin", "innenhaut": "inner skin", "dicke": "thickness", "werkstoff": "material", "kern": "core", "arbeitskarte": "card",
    "arbeitskarten": "cards", "karte": "card", "karten": "cards", "auftrag": "work order", "auftraege": "work orders", "aufgabe": "task",
    "aufgaben": "tasks", "programm": "programme", "abgeschlossen": "closed", "intervall": "interval", "tage": "days", "gueltig": "valid",
    "ab": "from", "bis": "until", "erstmals": "initial", "grenzwert": "limit", "grenzwerte": "limits", "grenze": "limit", "grenzen": "limits",
    "zulaessig": "allowable", "zulaessige": "allowable", "reparierbar": "repairable", "ort": "place", "lage": "position", "pruefung": "inspection",
    "pruefungen": "inspections", "inspektion": "inspection", "inspektionen": "inspections", "pruefdatum": "inspection date", "geprueft": "inspected",
    "ergebnis": "result", "pruefer": "inspector", "umfang": "coverage", "reparatur": "repair", "reparaturen": "repairs",
    "reparaturdatum": "repair date", "repariert": "repaired", "basis": "base", "stationierung": "basing", "klima": "climate",
    "strukturklasse": "structure class", "klasse": "class",
}  # fmt: skip
"""Words of German headings, umlauts in two letters, in English."""

HEADINGS: dict[str, tuple[str, ...]] = {
    "aircraft": ("aircraft", "aircraft number", "aircraft id"),
    "subtype": ("subtype", "aircraft subtype", "aircraft type"),
    "entry_into_service": ("entry into service", "in service date", "delivery date", "delivered", "eis", "eis date", "date in service", "date delivered"),
    "records_from": ("records from", "records since", "records start"),
    "recorded_on": ("recorded on", "date recorded", "recorded", "entry date", "date entry"),
    "zone": ("zone", "panel zone", "zone number", "panel position"),
    "subtypes": ("subtypes", "subtype", "effectivity", "applicability", "applicable subtype"),
    "group": ("group", "zone group", "panel group", "component", "panel name", "area"),
    "side": ("side", "lh rh", "hand", "left right", "face"),
    "outline": ("outline", "polygon", "wkt", "shape", "contour"),
    "outer_material": ("outer material", "outer skin", "outer skin material", "skin material"),
    "outer_thickness": ("outer thickness", "outer skin thickness", "skin thickness"),
    "core_material": ("core material", "core"),
    "core_thickness": ("core thickness",),
    "structure_class": ("structure class", "class", "structural class", "classification"),
    "removable": ("removable",),
    "fitting": ("fitting", "fitting id", "row id"),
    "panel": ("panel", "panel serial", "serial", "panel serial number", "serial number", "s n"),
    "fitted_on": ("fitted", "fitted date", "date fitted", "fitted on"),
    "removed_on": ("removed", "removed date", "date removed", "removed on"),
    "state": ("state", "condition", "state fitted", "condition fitted"),
    "prior_flight_hours": ("prior hours", "hours at fitted", "hours fitted", "panel hours"),
    "prior_flight_cycles": ("prior cycles", "cycles at fitted", "cycles fitted", "panel cycles"),
    "build_lot": ("build lot", "lot", "batch"),
    "reading": ("reading", "reading id"),
    "read_on": ("read on", "date", "reading date", "as of", "month end", "report date", "date read"),
    "flight_hours": ("flight hours", "hours", "total hours", "aircraft hours"),
    "flight_cycles": ("flight cycles", "cycles", "total cycles", "aircraft cycles"),
    "task": ("task", "task number", "task id", "task ref", "card task"),
    "zones": ("zones", "zones inspection", "panels", "zone list"),
    "method": ("method", "inspection method", "type of inspection"),
    "threshold_flight_hours": ("threshold hours", "initial hours", "first hours"),
    "threshold_flight_cycles": ("threshold cycles", "initial cycles", "first cycles"),
    "threshold_days": ("threshold days", "initial days", "first days"),
    "repeat_flight_hours": ("repeat hours", "interval hours"),
    "repeat_flight_cycles": ("repeat cycles", "interval cycles"),
    "repeat_days": ("repeat days", "interval days"),
    "valid_from": ("valid from", "effective", "effective date", "effective from", "from", "issued", "date issued"),
    "valid_to": ("valid to", "effective to", "to", "until"),
    "card": ("card", "card number", "work order", "wo", "job card", "workorder", "wo number"),
    "closed_on": ("closed", "closed on", "date closed", "closed date", "sign off", "signed off", "completed", "date completed"),
    "station": ("station", "base", "location", "where"),
    "zones_not_done": ("zones not done", "not done", "no access", "deferred zones"),
    "why_not_done": ("why not done", "reason not done", "reason"),
    "inspection": ("inspection", "inspection number", "inspection id", "inspection ref"),
    "inspected_on": ("inspected", "inspected on", "date inspected", "inspection date", "date"),
    "coverage": ("coverage", "extent inspected"),
    "outcome": ("result", "inspection result", "finding yes no"),
    "inspector": ("inspector", "stamp", "inspector stamp"),
    "finding": ("finding", "finding number", "report number", "report", "damage number", "damage report", "finding id"),
    "found_on": ("found on", "date found", "found", "damage date", "found date", "date"),
    "kind": ("kind", "damage type", "type of damage", "damage", "damage code", "type"),
    "cause": ("cause", "suspected cause", "probable cause"),
    "centre_x": ("centre x", "x", "x position", "x centre", "center x", "x mm", "x inch"),
    "centre_y": ("centre y", "y", "y position", "y centre", "center y", "y mm", "y inch"),
    "length": ("length", "damage length", "size", "size length", "length inch", "length mm", "long"),
    "width": ("width", "damage width", "size width", "width inch", "width mm", "wide"),
    "size_unit": ("size unit", "unit", "uom", "units"),
    "disposition": ("disposition", "disposition code", "decision"),
    "remarks": ("remarks", "remarks text", "description", "text"),
    "repair": ("repair", "repair number", "repair id", "repair ref"),
    "repaired_on": ("repaired", "repaired on", "date repaired", "repair date"),
    "repair_class": ("repair class", "repair type", "class", "type"),
    "repair_method": ("repair method", "repair description", "how repaired"),
    "limit": ("limit", "limit number", "limit ref", "limit id"),
    "revision": ("revision", "manual revision"),
    "size": ("size", "adl", "allowable", "allowable damage", "allowable size", "allowable damage limit", "allowable length", "maximum length"),
    "repairable_size": ("rdl", "repairable", "repairable size", "repairable damage limit", "repairable length", "repairable until"),
    "edge_distance": ("edge distance", "minimum edge distance"),
    "stay": ("stay", "basing id"),
    "base": ("base", "home base"),
    "climate": ("climate", "climate class"),
}  # fmt: skip
"""Words, in full, for which headings of a column stand; the first is the kit's own."""

TABLE_WORDS: dict[str, tuple[str, ...]] = {
    "aircraft": ("aircraft", "fleet", "fleet list", "aircraft list"),
    "basing": ("basing", "bases"),
    "zones": ("zones", "zone", "zone list", "panel definitions", "positions", "structure"),
    "panels": ("panels", "fittings", "panel fitted", "fitted removed", "panel history", "installations", "serials", "serial", "fitted"),
    "usage": ("usage", "hours", "utilisation", "utilization", "hours cycles", "counters", "meters"),
    "tasks": ("tasks", "task", "programme", "maintenance programme", "program", "task list"),
    "cards": ("cards", "card", "closed cards", "work orders", "workorders", "accomplishment", "task cards"),
    "inspections": ("inspections", "inspection", "inspection log", "results", "checks"),
    "findings": ("findings", "finding", "damage", "damages", "damage reports", "reports", "damage log"),
    "repairs": ("repairs", "repair", "repair log"),
    "limits": ("limits", "limit", "damage limits", "allowable damage", "srm limits", "manual limits"),
    "deferrals": ("deferrals", "deferred", "deferred damage", "open damage"),
    "taps": ("taps", "tap grid", "tap marks"),
}  # fmt: skip
"""Words in names of files and sheets."""

_GERMAN_CODES: dict[str, tuple[str, ...]] = {
    "disbond": ("abloesung", "klebefehler"),
    "moisture": ("wasser", "feuchte", "feuchtigkeit"),
    "moisture_disbond": ("wasser mit abloesung", "abloesung mit wasser", "feuchte mit abloesung"),
    "dent": ("delle",),
    "puncture": ("loch", "durchschlag"),
    "core_damage": ("kernschaden", "wabenschaden"),
    "tap_manual": ("klopfprobe", "klopftest", "klopfpruefung", "klopfhammer"),
    "tap_instrumented": ("klopfgeraet",),
    "moisture_meter": ("feuchtemesser", "feuchtemessung"),
    "thermography": ("thermografie", "thermographie"),
    "x_ray": ("roentgen",),
    "ultrasonic": ("ultraschall",),
    "weighing": ("wiegen", "gewogen"),
    "visual": ("sicht", "sichtpruefung"),
    "clean": ("ohne befund", "o b", "kein befund", "in ordnung", "i o"),
    "found": ("befund", "mit befund", "schaden"),
    "left": ("links", "li"),
    "right": ("rechts", "re"),
    "centre": ("mitte",),
    "outer": ("aussen",),
    "inner": ("innen",),
    "new": ("neu",),
    "repaired": ("repariert",),
    "unknown": ("unbekannt",),
    "within_limits": ("innerhalb grenzen", "innerhalb der grenzen", "zulaessig"),
    "monitor": ("beobachten", "beobachtung"),
    "temporary_repair": ("vorlaeufig repariert", "vorlaeufige reparatur"),
    "permanent_repair": ("dauerhaft repariert", "dauerhafte reparatur"),
    "panel_replaced": ("getauscht", "paneel getauscht", "ersetzt"),
    "not_confirmed": ("nicht bestaetigt",),
    "duplicate": ("doppelt",),
    "yes": ("ja", "j"),
    "mm": ("millimeter",),
    "cm": ("zentimeter",),
    "in": ("zoll",),
}

CODES: dict[str, tuple[str, ...]] = {
    "disbond": ("dsb", "debond", "disbonding", "unbond", "db"),
    "moisture": ("water", "wet", "moist", "mst", "h2o", "water in core"),
    "moisture_disbond": ("wet disbond", "wdb", "disbond wet"),
    "delamination": ("dlm", "delam", "dl"),
    "dent": ("dnt", "dents"),
    "puncture": ("pnc", "hole", "penetration", "pun"),
    "core_damage": ("core", "crush", "crushed core", "cor", "crs"),
    "tap_manual": ("tap", "coin", "coin tap", "tap test", "hammer", "hand tap", "manual tap", "tapping", "tt"),
    "tap_instrumented": ("instrumented tap", "digital tap", "itap", "electronic tap"),
    "moisture_meter": ("meter", "moisture meter", "mm"),
    "thermography": ("ir", "thermo", "thermal", "irt"),
    "x_ray": ("xray", "x ray", "rt", "radiography"),
    "ultrasonic": ("ut", "ultrasound", "ultrasonics"),
    "weighing": ("weight", "weighed"),
    "visual": ("vis", "gvi", "dvi", "dv", "vc", "visual check", "visual inspection"),
    "clean": ("nil", "ok", "nf", "no finding", "no findings", "nil finding", "nad", "satisfactory", "sat", "pass", "n"),
    "found": ("finding", "defect", "damage", "fail", "unsat", "y", "f", "yes"),
    "left": ("l", "lh", "l h", "lhs", "port"),
    "right": ("r", "rh", "r h", "rhs", "stbd", "starboard"),
    "centre": ("c", "ctr", "center", "mid"),
    "outer": ("o", "out", "external", "ext"),
    "inner": ("i", "inside", "internal", "int"),
    "new": ("n", "ne", "factory new", "nw"),
    "repaired": ("r", "rep", "used", "overhauled", "ov", "oh", "sv", "serviceable"),
    "unknown": ("u", "unk", "na", "n a", "not known", ""),
    "within_limits": ("wl", "w l", "within limits", "no action", "acceptable", "nfa"),
    "monitor": ("mon", "monitored", "repeat inspection", "deferred", "left"),
    "temporary_repair": ("tr", "temp", "temporary", "temp repair", "speed tape"),
    "permanent_repair": ("pr", "perm", "permanent", "repaired", "rep", "repair"),
    "panel_replaced": ("repl", "replaced", "rpl", "panel changed", "exchanged", "changed"),
    "engineering_disposition": ("eng", "engineering", "concession"),
    "not_confirmed": ("nff", "ncf", "not confirmed", "false call", "no fault found", "unconfirmed"),
    "duplicate": ("dup", "double"),
    "void": ("vd", "cancelled", "canceled", "void"),
    "temporary": ("t", "temp", "tr"),
    "interim": ("i", "int"),
    "permanent": ("p", "perm", "pr"),
    "replacement": ("x", "repl", "replaced", "rpl"),
    "critical": ("cr", "crit"),
    "primary": ("p", "pri", "pse"),
    "secondary": ("s", "sec"),
    "tertiary": ("t", "ter", "fairing"),
    "near_bond": ("near", "near side", "nb"),
    "far_bond": ("far", "far side", "fb"),
    "inter_ply": ("ply", "interply"),
    "yes": ("y", "true", "t", "1", "x", "yes"),
    "mm": ("millimetre", "millimeter", "millimetres"),
    "cm": ("centimetre", "centimeter"),
    "in": ("inch", "inches", "ins", '"'),
}  # fmt: skip
"""Codes for words of the kit."""

CODES |= {word: (*CODES.get(word, ()), *more) for word, more in _GERMAN_CODES.items()}


def plain_letters(text: str) -> str:
    """Return a text in small letters without accents, umlauts in two letters.

    Parameters
    ----------
    text : str
        As written.

    Returns
    -------
    str
        Fit to be held against words.

    Examples
    --------
    >>> plain_letters("Größe (Zoll)"), plain_letters("Pièce")
    ('groesse (zoll)', 'piece')
    """
    text = text.lower().translate({228: "ae", 246: "oe", 252: "ue", 223: "ss"})
    return "".join(one for one in unicodedata.normalize("NFKD", text) if not unicodedata.combining(one))


def words_of(text: str) -> tuple[str, ...]:
    """Return the words of a heading or a name, in small letters and in full.

    Parameters
    ----------
    text : str
        As written.

    Returns
    -------
    tuple of str
        In their order.

    Examples
    --------
    >>> words_of("A/C REG"), words_of("Date_Found"), words_of("LEN (IN)"), words_of("Länge (Zoll)")
    (('aircraft',), ('date', 'found'), ('length', 'inch'), ('length', 'inch'))
    """
    text = (
        plain_letters(re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)).replace("a/c", "ac").replace("s/n", "serial")
    )
    english = [word for one in re.findall(r"[a-z]+|[0-9]+|#", text) for word in GERMAN.get(one, one).split()]
    parts = [SHORT.get(one, one) for one in english]
    return tuple(dict.fromkeys(parts))
