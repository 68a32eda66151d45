"""Cautions that belong beside the work, each where its hazard is."""

from __future__ import annotations

HANDLING = (
    "Loose magnets jump, pinch and shatter: wear eye protection, keep them apart and away from "
    "children.",
    "Keep magnets and rotors away from implanted medical devices, cards and drives.",
    "Never grind or cut sintered magnets dry: their dust burns.",
    "Test speed behind a guard; windings and batteries can burn. Local codes and licensed "
    "practice come first.",
)
BUYING = (
    "Leave magnets in their packs, spacers between them, until the print is ready; rules for "
    "posting and flying strong magnets differ by country: ask the carrier.",
    "Measure one loose piece at a time on a plate of wood or plastic, the others put away.",
)
ASSEMBLING = (
    "Eye protection on, sleeves and hands clear of tools of steel: a magnet that turns over or "
    "jumps hits harder than any force in the table.",
    "One magnet on the bench at a time, the rest in their pack an arm's length away; push with "
    "wood or brass, never with a fingertip between two magnets.",
    "Check every pole against the map before the glue; a magnet turned round goes in as easily.",
    "Glue and its hardener harm skin and lungs: gloves, fresh air, the maker's sheet.",
    "People with implanted medical devices keep away. Local codes and licensed practice come "
    "first.",
)
