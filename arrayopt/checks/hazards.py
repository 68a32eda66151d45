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
MAPPING = (
    "Magnets jump, pinch and shatter: eye protection, one at a time, the others an arm's length "
    "away.",
    "Keep off with implanted medical devices. Local codes and licensed practice come first.",
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
KEEPING_OFF = (
    "People with implanted medical devices keep off by more than the distances here, and their "
    "doctor says by how much; magnets not yet built in reach farther than the rotor.",
    "Keep cards, drives and tools of steel beyond the 3 mT distance of the packs.",
    "Local codes and licensed practice come first.",
)
DRIVING = (
    "Computed, not measured: begin at a tenth of the currents, the rotor behind a guard, and "
    "measure resistance, inductance and back-EMF before you trust the drive with them.",
    "A drive that loses its angle can turn the rotor by itself at full current: keep hands and "
    "cables out of the joint, an emergency stop in reach.",
    "Windings burn and lithium packs catch fire when shorted: fuse the supply, charge and test "
    "attended. Local codes and licensed practice come first.",
)
SPINNING = (
    "Never run a rotor without a guard that stops its pieces, least of all at overspeed: stand "
    "out of its plane, begin slowly, eye protection on.",
    "A magnet that comes off at speed flies like a shot and jams the gap: look at every bond "
    "and turn the rotor by hand before each test.",
    "Glue holds what its maker says only on clean, roughened faces, after its full cure, in the "
    "dose of hardener told; try one magnet and pull it off before you trust the rest.",
    "Warm prints creep under a load that they bear cold: hold to the temperatures here and "
    "look for growth of the ring after the first hours.",
    "These are estimates, no proof: local codes and licensed practice come first.",
)
