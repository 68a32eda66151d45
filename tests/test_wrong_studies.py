"""Wrong studies through the command line: every fault in one line, nothing written."""

import subprocess
import sysconfig
from pathlib import Path

import pytest

from arrayopt.study import revised_text, starter_text
from arrayopt.study.keys import study_keys

MAIN = 'main = { shape = "block", width_mm = 5.0, thickness_mm = 3.0 }'
TRANSVERSE = 'transverse = { shape = "block", width_mm = 2.0, thickness_mm = 3.0, flush = "gap" }'
WIDTH = '"rotor.main.width_mm" = { low = 2.5, high = 10.0, step = 0.25 }'
PAIRS = "pole_pairs = 14\n"
PAIRS4 = "pole_pairs = 4\n"
SLOTTED = "slot_opening_mm" + starter_text().split("slot_opening_mm")[1].split("sheet")[0]
WIRE = "wire_diameter_mm = 0.63 "
COOLING = "thermal_resistance_k_per_w = 2.4 "
RUN = "run = { current_a_rms = 5.0, rise_k = 60.0 } "
SMOOTH = 'kind = "smooth"\nwinding_thickness_mm = 0.5\ncoil_side_mm = '
COUNTS = '"rotor.magnets_per_pole_pair" = { choices = [2, 4] }\n'


def altered(*edits):
    """Return the starter text with pairs of old and new text exchanged."""
    text = starter_text()
    for old, new in edits:
        assert text.count(old) == 1, f"{old!r} is there {text.count(old)} times"
        text = text.replace(old, new)
    return text


def main_magnet(keys):
    return altered((MAIN, f"main = {{ {keys} }}"))


def pole_pairs(value):
    return altered((PAIRS, f"pole_pairs = {value}\n"))


def variable(line):
    return altered((WIDTH, line))


def plain(transverse):
    """A study with two magnets per pole pair that stay two."""
    return altered(
        ("magnets_per_pole_pair = 4", "magnets_per_pole_pair = 2"),
        (COUNTS, ""),
        ('"rotor.transverse.width_mm" = { low = 1.0, high = 6.0, step = 0.25 }\n', ""),
        ('"rotor.transverse.thickness_mm" = { low = 1.0, high = 6.0, step = 0.25 }', ""),
        (TRANSVERSE, transverse),
    )


def own(kind, keys, *, like):
    """The starter study with a row of its own, called mine."""
    row = "" if like is None else f'like = "{like}"\n'
    return f"{starter_text()}\n[materials.{kind}.mine]\n{row}{keys}\n"


# label: (text, words of the first line, words of the second line, ...)
WRONG = {
    "negative size": (
        main_magnet('shape = "block", width_mm = -5.0, thickness_mm = 3.0'),
        ("rotor.main.width_mm", "from 0.3 to 100", "got -5.0"),
    ),
    "zero size": (
        main_magnet('shape = "block", width_mm = 0, thickness_mm = 3.0'),
        ("rotor.main.width_mm", "from 0.3 to 100", "got 0;"),
    ),
    "overlapping magnets": (
        main_magnet('shape = "block", width_mm = 7.5, thickness_mm = 3.0'),
        ("rotor: main and transverse magnets", "overlap", "rotor.main.width_mm = ", "would fit"),
    ),
    "walls too thin": (
        altered(("wall_mm = 0.6 ", "wall_mm = 1.5 ")),
        ("rotor: main and transverse magnets", "rotor.wall_mm = 1.5", "would fit"),
    ),
    "unknown grade": (
        altered(('grade = "N42SH"', 'grade = "N42X"')),
        ("rotor.grade", "got 'N42X'", "N42"),
    ),
    "unknown grade of one magnet": (
        altered((MAIN, MAIN.replace(" }", ', grade = "N99" }'))),
        ("rotor.main.grade", "got 'N99'", "known ones"),
    ),
    "unknown plastic": (altered(('"PETG"', '"PTEG"')), ("carrier.material", "'PTEG'", "PETG")),
    "unknown glue": (
        altered(('adhesive = "epoxy"', 'adhesive = "epoxi"')),
        ("strength.adhesive: unknown glue", "got 'epoxi'", "epoxy"),
    ),
    "own glue like none": (
        own("adhesives", "shear_strength_mpa = 12.0", like="gum"),
        ("materials.adhesives.mine.like", "got 'gum'", "toughened-epoxy"),
    ),
    "unknown grade of the sensor's disc": (
        altered(('magnet_grade = "N35"', 'magnet_grade = "N53"')),
        ("sensor.magnet_grade: unknown magnet grade", "got 'N53'", "N52"),
    ),
    # 14 pole pairs: Q/(3 gcd(Q, 14)) is whole for 3, 6, 9 but not for 7 slots
    "7 slots": (
        altered(("slots = 24", "slots = 7")),
        ("stator.slots: 7 slots", "14 pole pairs", "stator.slots = 3, 6, 9"),
    ),
    "text for a number": (
        main_magnet('shape = "block", width_mm = "5", thickness_mm = 3.0'),
        ("rotor.main.width_mm must be a number", "got '5'"),
    ),
    "number for text": (
        altered(('grade = "N42SH"', "grade = 42")),
        ("rotor.grade", "text", "got 42"),
    ),
    "truth value for a whole number": (
        pole_pairs("true"),
        ("rotor.pole_pairs must be a whole number", "got true"),
    ),
    "truth value for a number": (
        main_magnet('shape = "block", width_mm = true, thickness_mm = 3.0'),
        ("rotor.main.width_mm must be a number", "got true"),
    ),
    "fraction for a whole number": (
        pole_pairs("14.5"),
        ("rotor.pole_pairs must be a whole number", "got 14.5"),
    ),
    "date for text": (altered(('"N42SH"', "2020-01-01")), ("rotor.grade", "text", "got ")),
    "list for text": (altered(('"N42SH"', '["N42SH"]')), ("rotor.grade", "text", "got a list")),
    "table for a number": (
        altered(("length_mm = 1.0 ", "length_mm = { a = 1 } ")),
        ("airgap.length_mm must be a number", "got a table"),
    ),
    "nan": (
        main_magnet('shape = "block", width_mm = nan, thickness_mm = 3.0'),
        ("rotor.main.width_mm", "got nan"),
    ),
    "infinite": (
        main_magnet('shape = "block", width_mm = inf, thickness_mm = 3.0'),
        ("rotor.main.width_mm", "got inf"),
    ),
    "minus infinite": (
        main_magnet('shape = "block", width_mm = -inf, thickness_mm = 3.0'),
        ("rotor.main.width_mm", "got -inf"),
    ),
    "10^9 pole pairs": (
        pole_pairs("1_000_000_000"),
        ("rotor.pole_pairs", "from 1 to 120", "got 1000000000;"),
    ),
    "10^30 pole pairs": (
        pole_pairs("1" + "0" * 30),
        ("rotor.pole_pairs", "from 1 to 120", "got 1" + "0" * 30),
    ),
    "no pole pairs": (pole_pairs("0"), ("rotor.pole_pairs", "from 1 to 120", "got 0;")),
    "empty title": (
        altered(('"Hip motor of a small walking robot (invented)"', '""')),
        ("title", "empty"),
    ),
    "unknown key": (
        altered(("wall_mm = 0.6 ", "wal_mm = 0.6 ")),
        ("rotor.wal_mm", "got 0.6", "did you mean wall_mm?"),
    ),
    "unknown key, nothing near": (
        altered(("[airgap]\n", "[airgap]\nxyzzy = 4\n")),
        ("airgap.xyzzy", "got 4", "remove it"),
    ),
    "key in the wrong table": (
        altered(("[airgap]\n", "[airgap]\ntooth_width_mm = 4\n")),
        ("airgap.tooth_width_mm", "got 4", "stator.tooth_width_mm"),
    ),
    "key with a line break": (
        altered(("[airgap]\n", '[airgap]\n"a\\nb" = 4\n')),
        ("airgap.", "not a key", "got 4"),
    ),
    "unknown table": (
        starter_text() + "\n[cooling]\nfan = 1\n",
        ("cooling", "not a key", "got a table"),
    ),
    "missing table": (
        altered(("[airgap]\nlength_mm = 1.0 ", "# ")),
        ("airgap is missing",),
    ),
    "misspelled table": (
        altered(("[winding]", "[windings]")),
        ("winding is missing",),
        ("windings", "did you mean winding?"),
    ),
    "missing key": (
        altered(("stack_mm = 12.0\n", "")),
        ("stator.stack_mm is missing", "from 0.5 to 300"),
    ),
    "missing transverse magnets": (
        altered((TRANSVERSE, "")),
        ("rotor.transverse is missing", "4 magnets per pole pair"),
        ('search.variables."rotor.transverse.width_mm"', "no table rotor.transverse"),
        ('search.variables."rotor.transverse.thickness_mm"', "no table rotor.transverse"),
    ),
    "transverse magnets without use": (
        plain(TRANSVERSE),
        ("rotor.transverse is given", "2 magnets per pole pair", "remove it"),
    ),
    "unknown shape": (
        main_magnet('shape = "disc", width_mm = 5.0, thickness_mm = 3.0'),
        ("rotor.main.shape", '"block"', '"arc"', "got 'disc'"),
    ),
    "missing shape": (
        main_magnet("width_mm = 5.0, thickness_mm = 3.0"),
        ("rotor.main.shape", '"block"', '"arc"', "missing"),
    ),
    "arc with a width": (
        altered(
            (MAIN, 'main = { shape = "arc", width_mm = 5.0, span_deg = 7.0, thickness_mm = 3.0 }'),
            (WIDTH, ""),
        ),
        ("rotor.main.width_mm", "got 5.0", "span_deg"),
    ),
    "arc searched by width": (
        main_magnet('shape = "arc", span_deg = 7.0, thickness_mm = 3.0'),
        ('search.variables."rotor.main.width_mm"', "span_deg"),
    ),
    "smooth stator without winding": (
        altered(('kind = "slotted"', 'kind = "smooth"'), (SLOTTED, "")),
        ("stator.winding_thickness_mm is missing", "smooth"),
        ("stator.coil_side_mm is missing", "smooth"),
    ),
    "slots on a smooth stator": (
        altered(
            ('kind = "slotted"', 'kind = "smooth"\nwinding_thickness_mm = 0.5\ncoil_side_mm = 4.0')
        ),
        ("stator.slot_opening_mm", "smooth", "got 2.2"),
        ("stator.tooth_width_mm", "smooth", "got 5"),
        ("stator.slot_depth_mm", "smooth", "got 14"),
        ("stator.tooth_tip_mm", "smooth", "got 1"),
    ),
    # pi 82 mm / 24 = 10.73 mm
    "slot opening wider than the pitch": (
        altered(("slot_opening_mm = 2.2", "slot_opening_mm = 11")),
        ("stator.slot_opening_mm", "10.73 mm", "got 11"),
    ),
    "slots deeper than the stator": (
        altered(("slot_depth_mm = 14.0", "slot_depth_mm = 41.0")),
        ("stator.slot_depth_mm", "41 mm", "got 41"),
    ),
    "coils wider than the stator": (
        altered(("strands = 1", "coil_span_slots = 24")),
        ("winding.coil_span_slots", "24 slots", "got 24"),
    ),
    "winding limit below ambient": (
        altered(("ambient_c = 25", "ambient_c = 60"), ("limit_c = 110", "limit_c = 50")),
        ("heat.winding_limit_c", "above heat.ambient_c (60)", "got 50"),
    ),
    "skin thicker than the gap": (
        altered(("skin_mm = 0.0", "skin_mm = 1.5")),
        ("carrier.skin_mm", "1 mm", "got 1.5"),
    ),
    # radius 3.5 - gap 1 - magnet 3 = -0.5 mm
    "inner rotor thicker than the bore": (
        altered(
            ('position = "outer"', 'position = "inner"'),
            ("surface_diameter_mm = 82.0", "surface_diameter_mm = 7.0"),
            ("slots = 24", "slots = 3"),
            (SLOTTED, "slot_opening_mm = 2.2\ntooth_width_mm = 2.0\n"),
        ),
        ("rotor: magnets and ring reach 0.50 mm beyond", "7 mm"),
    ),
    "unknown sheet": (
        altered(('"M330-50A"', '"M330-50"')),
        ("stator.sheet: unknown steel", "got 'M330-50'", "M330-50A"),
    ),
    "solid steel as sheet": (
        altered(('"M330-50A"', '"mild-steel"')),
        ("stator.sheet", "electrical sheet", "got 'mild-steel'", "M330-50A, M235-35A"),
    ),
    "own solid steel as sheet": (
        own("steels", "loss_w_per_kg = 3.0", like="mild-steel").replace('"M330-50A"', '"mine"'),
        ("stator.sheet", "electrical sheet", "got 'mine'"),
    ),
    "solid steel as a choice of sheet": (
        variable('"stator.sheet" = { choices = ["mild-steel", "M235-35A"] }'),
        ('search.variables."stator.sheet"', "mild-steel"),
    ),
    "unknown ring steel as a choice": (
        variable('"rotor.ring_steel" = { choices = ["mild-steel", "steel"] }'),
        ('search.variables."rotor.ring_steel"', "got 'steel'", "mild-steel"),
    ),
    "unknown ring steel": (
        altered(("steel_ring_mm = 0.0 ", 'ring_steel = "mild steel"\nsteel_ring_mm = 0.0 ')),
        ("rotor.ring_steel: unknown steel", "got 'mild steel'", "mild-steel"),
    ),
    "unknown wire": (
        altered((WIRE, 'wire = "SWG 22" ')),
        ("winding.wire: unknown wire", "got 'SWG 22'", '"AWG 50"', "[materials.wires]"),
    ),
    "wire thinner than any": (
        altered((WIRE, 'wire = "AWG 51" ')),
        ("winding.wire: unknown wire", "got 'AWG 51'"),
    ),
    "unknown wire beside one's own": (
        own("wires", "bare_mm = 0.6\noverall_mm = 0.65", like=None).replace(WIRE, 'wire = "Mine" '),
        ("winding.wire: unknown wire", "got 'Mine'", "one of mine"),
    ),
    "both wire and its diameter": (
        altered((WIRE, 'wire = "AWG 22"\n' + WIRE)),
        ("winding: needs either wire_diameter_mm or wire", "got both"),
    ),
    "no wire": (altered((WIRE, "# ")), ("winding: needs either", "got neither", "AWG 22")),
    "enamel of grade 3": (
        altered(("enamel_grade = 1 ", "enamel_grade = 3 ")),
        ("winding.enamel_grade", "1", "2", "got 3"),
    ),
    "own grade of a listed name": (
        starter_text() + '\n[materials.magnets.N45]\nlike = "N42"\n',
        ("materials.magnets.N45", "has 'N45' already", "another name"),
    ),
    "own grade like none": (
        own("magnets", "", like="N43"),
        ("materials.magnets.mine.like", "got 'N43'", "N42"),
    ),
    "own grade without like": (
        own("magnets", "remanence_min_t = 1.3", like=None),
        ("materials.magnets.mine.like is missing",),
    ),
    # N42 has 1.28, 1.305 and 1.33 T
    "own remanences that do not rise": (
        own("magnets", "remanence_typical_t = 1.4", like="N42"),
        ("materials.magnets.mine", "must rise", "1.28, 1.4, 1.33 T", "give all three"),
    ),
    "own grade of a key that there is not": (
        own("magnets", "remanence_t = 1.3", like="N42"),
        ("materials.magnets.mine.remanence_t", "got 1.3"),
    ),
    "fault in an own grade that the rotor uses": (
        own("magnets", "density_kg_m3 = -1", like="N42").replace('"N42SH"', '"mine"'),
        ("materials.magnets.mine.density_kg_m3", "from 1000 to 10000", "got -1"),
    ),
    "own wire thinner over its enamel": (
        own("wires", "bare_mm = 0.6\noverall_mm = 0.55", like=None),
        ("materials.wires.mine.overall_mm", "at least bare_mm (0.6)", "got 0.55"),
    ),
    "skew of one step": (
        altered(("steel_ring_mm = 0.0 ", "skew_step_deg = 2.0\nsteel_ring_mm = 0.0 ")),
        ("rotor.skew_steps and rotor.skew_step_deg go together", "got 1 and 2"),
    ),
    "skew without an angle": (
        altered(("steel_ring_mm = 0.0 ", "skew_steps = 3\nsteel_ring_mm = 0.0 ")),
        ("rotor.skew_steps and rotor.skew_step_deg go together", "got 3 and 0"),
    ),
    "heat run and thermal resistance": (
        altered((COOLING, f"{RUN}\n{COOLING}")),
        ("heat: needs either thermal_resistance_k_per_w or run", "got both"),
    ),
    "heat without cooling": (
        altered((COOLING, "# ")),
        ("heat: needs either", "got neither", "current_a_rms"),
    ),
    "heat run of a winding that the search changes": (
        altered((COOLING, RUN), (WIDTH, '"winding.turns_per_coil" = { low = 10, high = 30 }')),
        ("heat.run belongs to the winding", '"winding.turns_per_coil"', "thermal_resistance"),
    ),
    "heat run without a rise": (
        altered((COOLING, RUN.replace(", rise_k = 60.0", ""))),
        ("heat.run.rise_k is missing",),
    ),
    "speed without yoke": (
        altered(("yoke_mm = 4.0 ", "# "), ("ambient_c = 25", "ambient_c = 25\nspeed_rpm = 900")),
        ("heat.speed_rpm", "needs stator.yoke_mm", "got 900"),
    ),
    "speed without yoke and slot depth": (
        altered(
            ("yoke_mm = 4.0 ", "# "),
            ("slot_depth_mm = 14.0 ", "# "),
            ("ambient_c = 25", "ambient_c = 25\nspeed_rpm = 900"),
        ),
        ("heat.speed_rpm", "stator.yoke_mm and stator.slot_depth_mm", "got 900"),
    ),
    # 82/2 - 14 - 1 = 26 mm
    "yoke through the middle": (
        altered(("yoke_mm = 4.0 ", "yoke_mm = 26.0 ")),
        ("stator.yoke_mm", "26 mm left inside the slots", "got 26"),
    ),
    # pi 82 mm/24 - 2 = 2 pi (26 mm)/24 at the bottom: 6.81 mm
    "tooth wider than the slot's bottom": (
        altered(("tooth_width_mm = 5.0", "tooth_width_mm = 7.0")),
        ("stator.tooth_width_mm", "6.81 mm of pitch", "got 7"),
    ),
    "three layers": (altered(("layers = 2 ", "layers = 3 ")), ("winding.layers", "got 3")),
    "truth value for layers": (
        altered(("layers = 2 ", "layers = true ")),
        ("winding.layers", "got true"),
    ),
    "truth value for the enamel": (
        altered(("enamel_grade = 1 ", "enamel_grade = true ")),
        ("winding.enamel_grade", "got true"),
    ),
    "opening and tooth wider than the pitch": (
        altered(("slot_opening_mm = 2.2", "slot_opening_mm = 8.0")),
        ("stator.slot_opening_mm", "10.73 mm", "at most 5.73", "got 8"),
    ),
    "skew that cancels the flux": (
        altered(("wall_mm = 0.6 ", "skew_steps = 2\nskew_step_deg = 12.857\nwall_mm = 0.6 ")),
        ("rotor.skew_step_deg", "leave 0.000 of the flux", "got 12.857", "15 deg"),
    ),
    "wire and its diameter as a variable": (
        altered(
            ("wire_diameter_mm = 0.63 ", 'wire = "AWG 22" '),
            (WIDTH, '"winding.wire_diameter_mm" = { low = 0.4, high = 0.6 }'),
        ),
        ('search.variables."winding.wire_diameter_mm"', "the study names a winding.wire"),
    ),
    "magnet that loses all in the heat": (
        altered(
            (
                "[search]\n",
                '[materials.magnets.hot]\nlike = "N45"\n'
                "remanence_coefficient_percent_per_k = -1.0\n\n[search]\n",
            )
        ),
        ("materials.magnets.hot.remanence_coefficient_percent_per_k", "-0.4", "got -1"),
    ),
    "one layer of even span": (
        altered(("layers = 2 ", "coil_span_slots = 2\nlayers = 1 ")),
        ("winding.coil_span_slots must be odd with one layer", "got 2", "use 1 or 3"),
    ),
    # 9 slots carry 8 poles in two layers; one layer needs an even number of slots
    "one layer in 9 slots": (
        altered(("layers = 2 ", "layers = 1 "), ("slots = 24", "slots = 9"), (PAIRS, PAIRS4)),
        ("9 slots and 4 pole pairs", "in one layer", "winding.layers = 2"),
    ),
    # 24 slots, 14 pole pairs: two stars of twelve, each also backwards, give four equal groups
    "paths that do not divide": (
        altered(("parallel_paths = 1 ", "parallel_paths = 3 ")),
        ("winding.parallel_paths", "8 coils a phase", "1, 2, 4", "got 3"),
    ),
    "more paths than coils": (
        altered(("parallel_paths = 1 ", "parallel_paths = 8 ")),
        ("winding.parallel_paths", "1, 2, 4", "got 8"),
    ),
    # 10.73 mm of a sector: one side has all of it in one layer, half in two
    "coil side wider than half a sector": (
        altered(('kind = "slotted"', SMOOTH + "5.5"), (SLOTTED, "")),
        ("stator.coil_side_mm: two sides share", "at most 5.36", "got 5.5"),
    ),
    "coil side wider than a sector": (
        altered(
            ('kind = "slotted"', SMOOTH + "10.8"), (SLOTTED, ""), ("layers = 2 ", "layers = 1 ")
        ),
        ("stator.coil_side_mm: one side takes", "10.73", "got 10.8"),
    ),
    # 36 mm left of 41: pi 72/24 = 9.42 mm of a sector where two sides of an ironless one meet
    "coil side wider than the inner face of the winding has room for": (
        altered(
            (
                'kind = "slotted"',
                'kind = "ironless"\nwinding_thickness_mm = 5.0\ncoil_side_mm = 4.9',
            ),
            (SLOTTED, ""),
        ),
        ("stator.coil_side_mm: two sides share", "9.42 mm", "36 mm", "at most 4.71", "got 4.9"),
    ),
    "stator without slots by another name": (
        altered(('kind = "slotted"', 'kind = "slotless"')),
        ("stator.kind must be", "got 'slotless'", '"smooth" (iron behind the winding)'),
    ),
    "remanence of no kind": (
        altered(('remanence = "typical" ', 'remanence = "least" ')),
        (
            'rotor.remanence must be "minimum", "typical" or "maximum"; got \'least\'; '
            "choose one of these",
        ),
    ),
    "misspelled remanence": (
        altered(('remanence = "typical" ', 'remanence = "typicl" ')),
        ("rotor.remanence", "got 'typicl'", 'did you mean "typical"?'),
    ),
    "misspelled variable": (
        variable(WIDTH.replace("width", "widht")),
        ('search.variables."rotor.main.widht_mm"', "not a key"),
    ),
    "variable of a number": (
        variable('"rotor.main.width_mm.x" = { choices = [1.0] }'),
        ('search.variables."rotor.main.width_mm.x"', "not a key"),
    ),
    "variable without quotes": (
        variable(WIDTH.replace('"', "")),
        ("search.variables", "in quotes"),
    ),
    "variable that is a number": (
        variable('"rotor.main.width_mm" = 5.0'),
        ("search.variables", "rotor.main.width_mm", "got 5.0"),
    ),
    "reversed range": (
        variable('"rotor.main.width_mm" = { low = 10.0, high = 2.5 }'),
        ('search.variables."rotor.main.width_mm".high', "low 10.0", "high 2.5"),
    ),
    "range and choices": (
        variable('"rotor.main.width_mm" = { low = 3.0, high = 5.0, choices = [4.0] }'),
        ('search.variables."rotor.main.width_mm"', "low and high", "choices"),
    ),
    "half a range": (
        variable('"rotor.main.width_mm" = { low = 3.0 }'),
        ('search.variables."rotor.main.width_mm"', "low and high"),
    ),
    "no step": (
        variable(WIDTH.replace("0.25", "0")),
        ("search.variables", "rotor.main.width_mm", "step", "above 0", "got 0"),
    ),
    "choice out of range": (
        altered(("choices = [10, 11, 13, 14, 16]", "choices = [10, 0]")),
        ('search.variables."rotor.pole_pairs": 0', "1"),
    ),
    "choice that is no number": (
        altered(("choices = [10, 11, 13, 14, 16]", "choices = [nan]")),
        ("search.variables", "rotor.pole_pairs", "got nan"),
    ),
    "unknown grade as a choice": (
        variable('"rotor.grade" = { choices = ["N42", "N99"] }'),
        ('search.variables."rotor.grade"', "got 'N99'", "known ones"),
    ),
    "variable that stays": (
        variable('"limits.slot_fill" = { choices = [0.3] }'),
        ('search.variables."limits.slot_fill"', "remove it"),
    ),
    "oblique magnets within a range": (
        altered((COUNTS, '"rotor.magnets_per_pole_pair" = { low = 2, high = 8 }\n')),
        ("rotor.oblique is missing", "3 magnets per pole pair"),
    ),
    "transverse magnets within a range": (
        plain('oblique = { shape = "block", width_mm = 2.0, thickness_mm = 3.0 }').replace(
            WIDTH, '"rotor.magnets_per_pole_pair" = { low = 2, high = 7 }'
        ),
        ("rotor.transverse is missing", "4 magnets per pole pair"),
    ),
    "no variables": (starter_text().split("[search.variables]")[0], ("search.variables",)),
    "comments only": ("# a study\n\n# to come\n", ("empty", "arrayopt new")),
    "empty file": ("", ("empty", "arrayopt new")),
    "not TOML": ("this is not TOML\n", ("not valid TOML", "line 1")),
    "open quote": (altered(('"PETG"', '"PETG')), ("not valid TOML", "line 22")),
    "key twice": (
        altered((PAIRS, PAIRS + PAIRS)),
        ("not valid TOML", "line 8", "; pole_pairs stands on line 7 already; keep one"),
    ),
    "key twice at the end": (
        starter_text().rstrip() + f"\n{WIDTH}",
        ("not valid TOML", '"rotor.main.width_mm" stands on line', "already; keep one"),
    ),
    "key twice over lines": (
        "a = 1\na = [1,\n2]\n",
        ("not valid TOML", "line 3", "a stands on line 1 already"),
    ),
    "number in quotes": (pole_pairs('"14"'), ("rotor.pole_pairs", "got '14'", ", without quotes")),
    "decimal number in quotes": (
        main_magnet('shape = "block", width_mm = "5.0", thickness_mm = 3.0'),
        ("rotor.main.width_mm", "got '5.0'", ", without quotes"),
    ),
    "beginning of a key": (
        altered(("turns_per_coil", "turns")),
        ("winding.turns_per_coil is missing",),
        ("winding.turns is not a key", "did you mean turns_per_coil?"),
    ),
    "table twice": (starter_text() + "[rotor]\n", ("not valid TOML", "rotor")),
    "nested too deeply": ("a = " + "[" * 99_999 + "]" * 99_999, ("nested too deeply",)),
    "2 MB": ("#" * 2_000_000, ("larger than 1 MB",)),
    "Latin-1": (starter_text().replace("Hip", "H\xfcft").encode("latin-1"), ("not UTF-8",)),
    "UTF-16": (starter_text().encode("utf-16"), ("not UTF-8",)),
}
SOME = ("negative size", "overlapping magnets", "unknown grade", "key twice", "no variables")


@pytest.fixture
def wrong(tmp_path):
    """Write a wrong study by its label; return its path and the lines expected."""

    def write(label):
        text, *expected = WRONG[label]
        file = tmp_path / "study.toml"
        file.write_bytes(text if isinstance(text, bytes) else text.encode())
        return file, expected

    return write


def assert_told(messages, expected):
    """Every expected line is there once and there is no other."""
    assert "Traceback" not in messages
    lines = messages.splitlines()
    for words in expected:
        told = [line for line in lines if all(word.lower() in line.lower() for word in words)]
        assert len(told) == 1, f"{words} should be in one line of\n{messages}"
    assert len(lines) == len(expected), f"more lines than faults:\n{messages}"


@pytest.mark.parametrize("label", WRONG)
def test_each_fault_is_one_line(label, run, wrong):
    file, expected = wrong(label)
    code, out, messages = run("check", file)
    assert (code, out) == (2, "")
    assert_told(messages, expected)
    assert len(messages) < 1000 * len(expected)


# Keys straight in a table of the starter study; no key allows this number
KEYS = [
    key.path
    for key in study_keys()
    if key.path.count(".") == 1 and key.path.split(".")[0] not in {"materials", "search"}
]


@pytest.mark.parametrize("path", KEYS)
def test_every_key_out_of_range_is_one_line(path, run, tmp_path):
    file = tmp_path / "study.toml"
    file.write_text(revised_text(starter_text(), {path: -1e9}), encoding="utf-8")
    code, out, messages = run("check", file)
    assert (code, out) == (2, "")
    assert_told(messages, [(path, "-1000000000")])


@pytest.mark.parametrize("command", ["optimise", "report"])
@pytest.mark.parametrize("label", SOME)
def test_wrong_study_writes_nothing(label, command, run, wrong, tmp_path):
    file, expected = wrong(label)
    code, out, messages = run(command, file, "--out", tmp_path / "out")
    assert (code, out) == (2, "")
    assert_told(messages, expected)
    assert [p.name for p in tmp_path.iterdir()] == ["study.toml"]


@pytest.mark.parametrize("command", ["check", "evaluate", "compare", "cut-list"])
def test_every_command_tells_faults_alike(command, run, wrong):
    file, expected = wrong("transverse magnets without use")
    code, out, messages = run(command, file, "--json")
    assert (code, out) == (2, "")
    assert_told(messages, expected)


def test_installed_command_tells_faults(wrong):
    file, expected = wrong(SOME[0])
    script = Path(sysconfig.get_path("scripts")) / "arrayopt"
    done = subprocess.run([script, "check", file], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert_told(done.stderr, expected)


def test_missing_file(run, tmp_path):
    code, out, messages = run("check", tmp_path / "hip.toml")
    assert (code, out) == (2, "")
    assert_told(messages, [("hip.toml does not exist", "arrayopt new")])


def test_folder(run, tmp_path):
    code, out, messages = run("check", tmp_path)
    assert (code, out) == (2, "")
    assert_told(messages, [(str(tmp_path), "folder")])


def test_study_without_search_cannot_be_searched(run, tmp_path):
    file, out = tmp_path / "study.toml", tmp_path / "out"
    file.write_text(starter_text().split("[search]")[0], encoding="utf-8")
    code, _, messages = run("optimise", file, "--out", out)
    assert code == 2
    assert_told(messages, [("search is missing", "[search.variables]")])
    assert not out.exists()


def test_search_offers_no_half_skew(run, tmp_path):
    """Steps without an angle are a fault of a study, so no pick may have them."""
    file, out = tmp_path / "study.toml", tmp_path / "out"
    file.write_text(variable('"rotor.skew_steps" = { choices = [2, 3] }'), encoding="utf-8")
    code, _, messages = run("optimise", file, "--out", out, "--trials", "20")
    if code == 0:
        for pick in out.glob("*.toml"):
            code, _, messages = run("check", pick)
            assert code in {0, 3}, messages
    else:
        assert "skew" in messages


@pytest.mark.parametrize("keep", [b"\xef\xbb\xbf", b""], ids=["byte order mark", "none"])
@pytest.mark.parametrize("end", ["\r\n", "\n"], ids=["CRLF", "LF"])
def test_other_editors_files_are_read(keep, end, run, tmp_path):
    file = tmp_path / "study.toml"
    file.write_bytes(keep + starter_text().replace("\n", end).encode())
    code, out, messages = run("check", file)
    assert (code, messages) == (0, "")
    assert "printed wall" in out


def test_long_names_and_values_are_cut(run, tmp_path):
    file = tmp_path / "study.toml"
    text = altered(('"N42SH"', '"' + "N" * 50_000 + '"'), ("[airgap]\n", "[airgap]\n%s = 1\n"))
    file.write_text(text % ("k" * 50_000), encoding="utf-8")
    code, _, messages = run("check", file)
    assert code == 2
    assert_told(messages, [("airgap.kkk",), ("rotor.grade", "NNN")])
    assert len(messages) < 2000


def test_all_faults_are_told_at_once(run, tmp_path):
    file = tmp_path / "study.toml"
    text = altered(
        ('"Hip motor of a small walking robot (invented)"', '""'),
        (MAIN, 'main = { shape = "block", width_mm = "wide", thickness_mm = -1 }'),
        (TRANSVERSE, ""),
        ('grade = "N42SH"', 'grade = "N99"'),
        ("wall_mm = 0.6 ", "wal_mm = 0.6 "),
        ('"PETG"', '"WOOD"'),
        ("skin_mm = 0.0", "skin_mm = 1.5"),
        ("stack_mm = 12.0\n", ""),
        ("slot_opening_mm = 2.2", "slot_opening_mm = 11"),
        ("strands = 1\n", "strands = true\n"),
        ("winding_limit_c = 110", "winding_limit_c = inf"),
        ("gear_ratio = 6.0", "gear_ratio = 0.5"),
        ("choices = [10, 11, 13, 14, 16]", "choices = [10, 0]"),
        (WIDTH, WIDTH.replace("width", "widht")),
    )
    file.write_text(text, encoding="utf-8")
    code, out, messages = run("check", file)
    assert (code, out) == (2, "")
    assert_told(
        messages,
        [
            ("title", "empty"),
            ("rotor.main.width_mm", "'wide'"),
            ("rotor.main.thickness_mm", "-1"),
            ("rotor.transverse is missing",),
            ("rotor.grade", "'N99'"),
            ("rotor.wal_mm", "wall_mm?"),
            ("carrier.material", "'WOOD'"),
            ("carrier.skin_mm", "got 1.5"),
            ("stator.stack_mm is missing",),
            ("stator.slot_opening_mm", "got 11"),
            ("winding.strands", "got true"),
            ("heat.winding_limit_c", "got inf"),
            ("joint.gear_ratio", "got 0.5"),
            ('search.variables."rotor.pole_pairs": 0',),
            ('search.variables."rotor.main.widht_mm"',),
            ('search.variables."rotor.transverse.width_mm"',),
            ('search.variables."rotor.transverse.thickness_mm"',),
        ],
    )


def test_misfits_are_told_beside_faults_of_other_tables(run, tmp_path):
    file = tmp_path / "study.toml"
    text = altered((MAIN, MAIN.replace("5.0", "7.5")), ("gear_ratio = 6.0", "gear_ratio = 0.5"))
    file.write_text(text, encoding="utf-8")
    code, _, messages = run("check", file)
    assert code == 2
    assert_told(messages, [("joint.gear_ratio", "got 0.5"), ("rotor: main", "overlap")])
