"""What every recommendation, sheet, check and report must carry, in full."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "Advisory analysis only: it is not approved maintenance data and amends no maintenance programme, airworthiness "
    "limitation, directive or repair limit.",
    "The approved maintenance data of the design approval holder, the not-to-exceed limits and the airworthiness authority govern; on "
    "conflict this output is void.",
    "A change of threshold or interval needs the approval of the licensed or authorised person.",
    "No basis for flight with known damage, for release to service or for a longer deferral. Damage beyond limits is not "
    "flown on the strength of this kit; each damage is assessed against the approved limits by authorised staff.",
    "A clean tap test does not prove bond strength: weak bonds and damage on the far side can pass, and a wet core whose "
    "bond is sound rings. Absence of findings is not absence of damage.",
    "A dull place is not always damage: splices, doublers, changes of thickness and noise sound dull too. Confirm it "
    "by a second method before skin is opened, and keep the false call in the records as such.",
    "Where damage is found, the sister panel (the other side, the same build lot, the same repair) is inspected as well.",
    "The output holds for the stated population, conditions, ages and cut-off; read the bounds, not the middle value.",
    "Outside the envelope that was flown (ages, flight hours and cycles a year, routes, bases, methods and people) it "
    "does not hold, and no age beyond those observed is covered.",
    "Chances of detection and growth are assumptions unless measured on like structure with the same method and people.",
    "Water and repairs on a control surface change its balance: the balance and flutter limits are checked before flight, "
    "whatever the size of the damage.",
    "Tap lightly with the approved tool; do not dent the skin or crush the core, and report any mark made.",
    "Work safety: safe flight controls, doors, radar, propeller and power before access; stands and fall protection; eye, "
    "hand and breathing protection against fibre and metal dust, resin, solvent and stripper; hearing protection "
    "against the need to hear; radiography only with an exclusion zone and licensed staff; heat lamps and vacuum gear near "
    "fuel vapour need permits.",
    "Part lost in flight, growth beyond a limit, several sister findings or any doubt about safety is reported through the "
    "occurrence and defect reporting route now, not at the next analysis.",
    "Demo data are invented and carry no information on any real aircraft, operator or place.",
)
"""The one list; nothing else in the kit words a standing caution of its own (common practice, no source)."""


def caution_section(heading: str = "## Cautions") -> list[str]:
    """Return the lines of a Markdown section with the whole list.

    Parameters
    ----------
    heading : str
        Line that it begins with.

    Returns
    -------
    list of str
        Heading, a blank line, an item for each caution, a blank line.
    """
    return [heading, "", *(f"- {caution}" for caution in CAUTIONS), ""]
