"""What no check reaches. It is said beside the checks, wherever they are shown."""

UNCHECKED = (
    (
        "In water: nothing",
        "No schedule has been compared with the outcome of any dive. The model is a published one; that it suits a "
        "given diver and dive is not shown by anything here.",
    ),
    (
        "The printed coefficient tables",
        "They were written from memory. Helium's a and b, and nitrogen's a of sets B and C, have no formula to check "
        "them by.",
    ),
    (
        "Published schedules with stops",
        "The independent planner was written for this project, from its method page. It shares no code, but a wrong "
        "convention would be in both. Have a plan cross-checked elsewhere. Of the bubble model none is compared.",
    ),
    (
        "Common practice",
        "Fifths for counterdiffusion, 80 % of CNS, the CNS half-life, reserves, stressed breathing and how long "
        "it lasts, a minute at a gas switch, minutes to sort "
        "out a failure, turn rules, the breath in three that a semi-closed loop vents, 0.21 bar at which it is left, "
        "24 h before flying after a dive with stops, the usual ranges of settings, 300 m from which a site is at "
        "altitude: no source.",
    ),
    (
        "What goes wrong is a choice",
        "The set is what a careful team writes down. Three failures at once, a gas lost between two of its stops, a "
        "diver lost or hurt: not in it.",
    ),
    (
        "Gas that is not counted",
        "Leaks, mask clearing, dumps; drysuit, wing and flushes where the dive file does not give them. A mate is "
        "counted on the bottom gas only, and after the next gas is usable is taken to have it.",
    ),
    (
        "The body at altitude",
        "Tissues are taken to give off nitrogen after the way up as after a dive, and the way up to take no time. What "
        "thin air does to breathing and to bubbles is no part of the model.",
    ),
    ("Cold, work, dehydration, age", "No part of the model."),
)
"""What, and why."""
