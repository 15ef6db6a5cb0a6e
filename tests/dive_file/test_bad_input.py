"""Every way to write a dive file wrong: which key the reader names, and the words that say what is right."""

from __future__ import annotations

from pathlib import Path

import pytest

from leadline.dive_file import DiveFileError, read_dive
from leadline.dive_file.errors import MOST_MESSAGE
from leadline.dive_file.reader import MAX_BYTES, MOST_PROBLEMS
from tests.dive_file.files import AIR_DIVE, LEVEL, LOOP, LOOP_DIVE, METRIC, TWIN, read, refusal

UNKNOWN_KEYS = [
    (METRIC + "levles = 3\n" + LEVEL + TWIN, "levles", "is not a key here; did you mean 'levels'?"),
    (METRIC + "zzz = 3\n" + LEVEL + TWIN, "zzz", "is not a key here; known are title, units, site, model,"),
    (METRIC + "TITLE = 3\n" + LEVEL + TWIN, "TITLE", "did you mean 'title'?"),
    (AIR_DIVE + '[site]\nwatter = "sea"\n', "[site] watter", "did you mean 'water'?"),
    (AIR_DIVE + '[model]\ncoeficients = "ZH-L16B"\n', "[model] coeficients", "did you mean 'coefficients'?"),
    (AIR_DIVE + "[rates]\nacsent = 9\n", "[rates] acsent", "did you mean 'ascent'?"),
    (AIR_DIVE + "[stops]\nlats = 6\n", "[stops] lats", "did you mean 'last'?"),
    (
        AIR_DIVE + '[stops.oxygen_breaks]\non = 20\noff = 5\ngass = "air"\n',
        "[stops.oxygen_breaks] gass",
        "did you mean 'gas'?",
    ),
    (METRIC + LEVEL + 'gaz = "air"\n' + TWIN, "[[levels]] 1, gaz", "did you mean 'gas'?"),
    (AIR_DIVE + "presure = 2\n", "[[cylinders]] 1, presure", "did you mean 'pressure'?"),
    (LOOP_DIVE + "setpont = 1.2\n", "[loop] setpont", "did you mean 'setpoint'?"),
    (AIR_DIVE + "[diver]\nrmv_botom = 20\n", "[diver] rmv_botom", "did you mean 'rmv_bottom'?"),
    (AIR_DIVE + "[limits]\nppo2 = 1.4\n", "[limits] ppo2", "did you mean 'ppo2_"),
    (AIR_DIVE + "float = 1\n", "[[cylinders]] 1, float", "is not a key here"),
    (AIR_DIVE + '"a[b]" = 1\n', "[[cylinders]] 1, a[b]", "is not a key here"),
    (AIR_DIVE + '"a\\u001b[31m" = 1\n', r"[[cylinders]] 1, 'a\x1b[31m'", "is not a key here"),
    (AIR_DIVE + '"" = 1\n', "[[cylinders]] 1, ''", "is not a key here"),
]

MISSING_KEYS = [
    (LEVEL + TWIN, "units", 'is missing; write units = "metric" or units = "imperial"'),
    ("# nothing but this\n", "units", "is missing"),
    (METRIC + TWIN, "[[levels]]", "is missing; every dive file needs it"),
    (METRIC + "levels = []\n" + TWIN, "[[levels]]", "is empty; a dive needs at least one"),
    (METRIC + "[[levels]]\nleave_at = 20\n" + TWIN, "[[levels]] 1, depth", "is missing; every [[levels]] needs it"),
    (METRIC + LEVEL, "[[cylinders]]", 'needs at least one cylinder with use = "bottom"; or give a [loop]'),
    (
        METRIC + LEVEL + TWIN.replace("size = 24\n", ""),
        "[[cylinders]] 1, size",
        "is missing; every [[cylinders]] needs it",
    ),
    (METRIC + LEVEL + "[loop]\nsetpoint = 1.3\n", "[loop] diluent", "is missing; [loop] needs it"),
    (
        AIR_DIVE + "[stops.oxygen_breaks]\non = 20\n",
        "[stops.oxygen_breaks] off",
        "is missing; [stops.oxygen_breaks] needs it",
    ),
]

WRONG_SHAPES = [
    (METRIC + "[levels]\ndepth = 3\n" + TWIN, "[[levels]]", "is a table; it must be a list: write each"),
    (
        METRIC + LEVEL + TWIN.replace("[[cylinders]]", "[cylinders]"),
        "[[cylinders]]",
        "is a table; it must be a list: write each with double brackets, [[cylinders]]",
    ),
    (METRIC + "levels = 3\n" + TWIN, "[[levels]]", "is 3; it must be a list: write each with double brackets"),
    (METRIC + "levels = [3]\n" + TWIN, "[[levels]] 1", "is 3; it must be a table of keys"),
    (AIR_DIVE + '[[site]]\nwater = "sea"\n', "[site]", "is a list; it must be one table, [site]"),
    (METRIC + 'model = "x"\n' + LEVEL + TWIN, "[model]", "is 'x'; it must be one table, [model]"),
    (METRIC + "loop = true\n" + LEVEL + TWIN, "[loop]", "is true; it must be one table, [loop]"),
    (
        AIR_DIVE + "[stops]\noxygen_breaks = true\n",
        "[stops] oxygen_breaks",
        "is true; it must be one table, [stops.oxygen_breaks]",
    ),
    (
        METRIC + "".join(f"[[levels]]\ndepth = 9\nleave_at = {i}\n" for i in range(3000)) + TWIN,
        "[[levels]]",
        "3000 are too many; at most 50",
    ),
    (AIR_DIVE + f"x = {'[' * 300}{']' * 300}\n", "[[cylinders]] 1, x", "is not a key here"),
    (AIR_DIVE + f"[{'.'.join(['a'] * 3000)}]\n", "a", "is not a key here"),
    (AIR_DIVE + f"[site.water.{'.'.join(['a'] * 3000)}]\n", "[site] water", "a table is not a water"),
]


def level(depth: str = "45", leave_at: str = "20", units: str = METRIC) -> str:
    twin = TWIN.replace("24", '"24 L"')
    return f"{units}[[levels]]\ndepth = {depth}\nleave_at = {leave_at}\n{twin}"


IMPERIAL = 'units = "imperial"\n'
FIRST_DEPTH = "[[levels]] 1, depth"
QUANTITIES = [
    (level('"45 psi"'), FIRST_DEPTH, "'45 psi': 'psi' is not a unit of depth; use m or ft"),
    (level('"1,5 m"'), FIRST_DEPTH, "'1,5 m' has a comma; use a decimal point (1.5)"),
    (level('"deep"'), FIRST_DEPTH, "'deep' is not a number with a unit; write for example \"20 m\""),
    (level('""'), FIRST_DEPTH, "'' is not a number with a unit"),
    (level("-45"), FIRST_DEPTH, "-45 is above the surface; it must be 0.5 to 350 m"),
    (level("-45", units=IMPERIAL), FIRST_DEPTH, "-45 is above the surface; it must be 1.64 to 1148 ft"),
    (level("0"), FIRST_DEPTH, "0 is outside 0.5 to 350 m"),
    (level('"1200 ft"'), FIRST_DEPTH, "1200 ft is outside 0.5 to 350 m"),
    (level("nan"), FIRST_DEPTH, "nan is not a finite number"),
    (level("-inf"), FIRST_DEPTH, "-inf is not a finite number"),
    (level("true"), FIRST_DEPTH, 'expected a number, or text with a unit such as "20 m"'),
    (level("2026-01-01"), FIRST_DEPTH, 'expected a number, or text with a unit such as "20 m"'),
    (level("[45]"), FIRST_DEPTH, 'expected a number, or text with a unit such as "20 m"'),
    (level("1" + "0" * 400), FIRST_DEPTH, "the number is far too large"),
    (level("0x" + "f" * 5000), FIRST_DEPTH, "the number is far too large"),
    (level('"' + "9" * 5000 + '"'), FIRST_DEPTH, "is not a finite number"),
    (level(leave_at="20.5"), "[[levels]] 1, leave_at", "20.5 min is not a whole minute"),
    (level(leave_at="00:20:00"), "[[levels]] 1, leave_at", 'such as "20 min"'),
    (level(leave_at="-1"), "[[levels]] 1, leave_at", "-1 is outside 0 to 1440 min"),
    (AIR_DIVE + "[site]\naltitude = 9000\n", "[site] altitude", "9000 is outside -430 to 6000 m"),
    (AIR_DIVE + "[site]\ntemperature = 99\n", "[site] temperature", "99 is outside -2 to 45 °C"),
    (
        level(units=IMPERIAL) + "[site]\ntemperature = 150\n",
        "[site] temperature",
        "150 is outside 28.4 to 113 °F",
    ),
    (AIR_DIVE + '[site]\nwater = "salt"\n', "[site] water", '\'salt\' is not a water; write "en13319", "sea"'),
    (AIR_DIVE + "[site]\nwater = 10\n", "[site] water", "10 is not a water"),
    (AIR_DIVE + "[site]\nwater = []\n", "[site] water", "a list is not a water"),
    (AIR_DIVE + "[rates]\ndescent = 0\n", "[rates] descent", "0 is outside 0.5 to 60 m/min"),
    (AIR_DIVE + '[rates]\nascent = "9 m"\n', "[rates] ascent", "'m' is not a unit of rate; use m/min or ft/min"),
    (AIR_DIVE + "[diver]\nrmv_bottom = 2000\n", "[diver] rmv_bottom", "2000 is outside 0.1 to 200 L/min"),
    (AIR_DIVE + "[stops]\nstep = 2\n", "[stops] step", "2 m is not a stop grid; use 3 m or 10 ft"),
    (AIR_DIVE + "[stops]\nlast = 9\n", "[stops] last", "9 m is outside 3 to 6 m (10 to 20 ft)"),
    (AIR_DIVE + "[stops]\ngas_switch = 19\n", "[stops] gas_switch", "19 is outside 0 to 10 min"),
    (
        AIR_DIVE + "[stops.oxygen_breaks]\non = 0\noff = 5\n",
        "[stops.oxygen_breaks] on",
        "0 is outside 1 to 120 min",
    ),
]

GF, FIRST_GF = "[model] gradient_factors", "[model] gradient_factors, item 1"


def gf(value: str) -> str:
    return AIR_DIVE + f"[model]\ngradient_factors = {value}\n"


def setpoint(value: str) -> str:
    return METRIC + LEVEL + f'[loop]\ndiluent = "21/25"\nsetpoint = {value}\n'


PLAIN_NUMBERS = [
    (gf("[80, 40]"), GF, "GF low 80 is over GF high 40; write the lower first, [40, 80]"),
    (gf("[0.4, 80]"), FIRST_GF, "0.4 is outside 5 to 100 %"),
    (gf("[40, 180]"), "[model] gradient_factors, item 2", "180 is outside 5 to 100 %"),
    (gf("[nan, 80]"), FIRST_GF, "nan is outside 5 to 100 %"),
    (gf("[true, 80]"), FIRST_GF, "true is not a number; write one from 5 to 100 (%)"),
    (gf('["40", 80]'), FIRST_GF, "'40' is not a number"),
    (gf("[40]"), GF, "a list of 1 is not two numbers; write GF low and GF high, such as [40, 80]"),
    (gf("[40, 50, 60]"), GF, "a list of 3 is not two numbers"),
    (gf("[]"), GF, "a list of 0 is not two numbers"),
    (gf('"40/80"'), GF, "'40/80' is not two numbers"),
    (gf("{ low = 40, high = 80 }"), GF, "a table is not two numbers"),
    (setpoint("2"), "[loop] setpoint", "2 is outside 0.2 to 1.6 bar"),
    (setpoint('"1.3"'), "[loop] setpoint", "'1.3' is not a number; write one from 0.2 to 1.6 (bar)"),
    (setpoint("true"), "[loop] setpoint", "true is not a number"),
    (setpoint("1" + "0" * 400), "[loop] setpoint", "is outside 0.2 to 1.6 bar"),
    (setpoint("0x" + "f" * 5000), "[loop] setpoint", "so long a number is outside 0.2 to 1.6 bar"),
    (AIR_DIVE + "[limits]\nppo2_bottom = 14\n", "[limits] ppo2_bottom", "14 is outside 0.5 to 1.6 bar"),
    (AIR_DIVE + "[limits]\ndensity_caution = inf\n", "[limits] density_caution", "inf is outside 3 to 12 g/L"),
    (
        AIR_DIVE + "[limits]\ndensity_no_go = inf\n",
        "[limits] density_no_go",
        'inf is outside 3 to 12 g/L; or write "never"',
    ),
    (
        AIR_DIVE + '[limits]\ncns_no_go = "none"\n',
        "[limits] cns_no_go",
        """'none' is not a limit; write 5 to 1000 (%), or "never\"""",
    ),
    (AIR_DIVE + "[limits]\ncns_no_go = true\n", "[limits] cns_no_go", "true is not a limit; write 5 to 1000 (%)"),
    (AIR_DIVE + '[limits]\nend_caution = "never"\n', "[limits] end_caution", "'never'"),
    (AIR_DIVE + "[limits]\nend_no_go = 29\n", "[limits] end_no_go", "29 m is below end_caution, 30 m"),
    (AIR_DIVE + "[limits]\nscrubber_no_go = 70\n", "[limits] scrubber_no_go", "70 is below scrubber_caution, 80"),
    (AIR_DIVE + "[limits]\nppo2_bottom_no_go = 1.3\n", "[limits] ppo2_bottom_no_go", "1.3 is below ppo2_bottom, 1.4"),
    (AIR_DIVE + "[limits]\ngas_density = 6.2\n", "[limits] gas_density", "did you mean"),
    (AIR_DIVE + "[limits]\noxygen_narcotic = 1\n", "[limits] oxygen_narcotic", "1 is neither true nor false"),
]

COEFFICIENTS = '[model]\ncoefficients = "ZHL16C"\n'
WORDS = [
    (AIR_DIVE.replace("metric", "Metric"), "units", "'Metric' is not a system of units; write units ="),
    (AIR_DIVE.replace('"metric"', "0x" + "f" * 5000), "units", "so long a number is not a system of units"),
    (AIR_DIVE.replace('"metric"', '["metric"]'), "units", "a list is not a system of units"),
    (AIR_DIVE + COEFFICIENTS, "[model] coefficients", "'ZHL16C' is not one of ZH-L16A, ZH-L16B, ZH-L16C; did you"),
    (AIR_DIVE + COEFFICIENTS, "[model] coefficients", "did you mean 'ZH-L16C'?"),
    (AIR_DIVE.replace('"bottom"', '"botom"'), "[[cylinders]] 1, use", "did you mean 'bottom'?"),
    (AIR_DIVE.replace('"bottom"', '["bottom"]'), "[[cylinders]] 1, use", "a list is not one of bottom, travel,"),
    (f'title = "{"x" * 81}"\n' + AIR_DIVE, "title", "has 81 characters; at most 80 fit"),
    ('title = " "\n' + AIR_DIVE, "title", "is blank; write a word or two"),
    ("title = 5\n" + AIR_DIVE, "title", "5 is not text; write it in quotes"),
    ('title = "a\\u001bb"\n' + AIR_DIVE, "title", r"'a\x1bb' has a character that does not print"),
    (AIR_DIVE.replace("twin", "t" * 41), "[[cylinders]] 1, name", "has 41 characters; at most 40 fit"),
    (AIR_DIVE.replace("twin", "tw\\nin"), "[[cylinders]] 1, name", r"'tw\nin' has a character that does not"),
    (AIR_DIVE.replace("twin", "tw\\u202Ein"), "[[cylinders]] 1, name", r"'tw\u202ein' has a character that does"),
]


def filled(gas: str) -> str:
    return AIR_DIVE.replace('"air"', gas)


FIRST_GAS = "[[cylinders]] 1, gas"
MIXES = [
    (filled('"60/50"'), FIRST_GAS, "'60/50': oxygen and helium add up to 110 %, more than the whole; at most 100 %"),
    (filled('"100/1"'), FIRST_GAS, "'100/1': oxygen and helium add up to 101 %"),
    (filled('"0"'), FIRST_GAS, "'0': oxygen must be over 0 and at most 100 %"),
    (filled('"nitrox"'), FIRST_GAS, '\'nitrox\' is not a gas; write "air", "oxygen", "32" or "18/45"'),
    (filled("-32"), FIRST_GAS, "-32 is not a gas"),
    (filled("32.5"), FIRST_GAS, "32.5 is not a gas"),
    (filled("true"), FIRST_GAS, "true is not a gas"),
    (filled("0x" + "f" * 5000), FIRST_GAS, "so long a number is not a gas"),
]

SECOND = TWIN.replace("twin", " TWIN ")
IN_FEET = AIR_DIVE.replace("24", '"80 cuft"')
CONTRADICTIONS = [
    (
        level(leave_at="2"),
        "[[levels]] 1, leave_at",
        "2 min is before 45 m can be reached (2.2 min); give at least 3",
    ),
    (
        METRIC + LEVEL + "[[levels]]\ndepth = 30\nleave_at = 21\n" + TWIN,
        "[[levels]] 2, leave_at",
        "21 min is before 30 m can be reached (21.7 min); give at least 22",
    ),
    (
        METRIC + LEVEL + "[[levels]]\ndepth = 45\nleave_at = 10\n" + TWIN,
        "[[levels]] 2, leave_at",
        "10 min is before 45 m can be reached (20.0 min); give at least 20",
    ),
    (METRIC + LEVEL + "gas = 32\n" + TWIN, "[[levels]] 1, gas", "no cylinder holds 32 %; those carried hold air"),
    (METRIC + LEVEL + 'gas = "air"\n' + LOOP, "[[levels]] 1, gas", "is breathed on the loop; leave gas out"),
    (
        AIR_DIVE + "[stops.oxygen_breaks]\non = 20\noff = 5\ngas = 32\n",
        "[stops.oxygen_breaks] gas",
        "no cylinder holds 32 %; those carried hold air",
    ),
    (AIR_DIVE + SECOND, "[[cylinders]] 2, name", "'TWIN' is another cylinder's name too; give each its own"),
    (IN_FEET, "[[cylinders]] 1, working_pressure", "is missing; cubic feet are rated at one"),
    (
        IN_FEET + "working_pressure = 10\n",
        "[[cylinders]] 1, working_pressure",
        "10 bar is too low for a cylinder; write for example 3000 psi or 207 bar",
    ),
    (
        IN_FEET.replace("80 cuft", "2400 cuft") + "working_pressure = 207\n",
        "[[cylinders]] 1, size",
        "2400 cuft is outside 1 to 600 cuft",
    ),
    (AIR_DIVE.replace("24", "2400"), "[[cylinders]] 1, size", "2400 is outside 0.1 to 300 L of water"),
    (AIR_DIVE.replace("230", "0"), "[[cylinders]] 1, pressure", "0 is an empty cylinder; give the pressure"),
    (
        AIR_DIVE + "reserve = 240\n",
        "[[cylinders]] 1, reserve",
        "240 bar leaves nothing to breathe; it must be below the pressure, 230 bar",
    ),
    (AIR_DIVE + "switch_depth = 21\n", "[[cylinders]] 1, switch_depth", 'has no meaning for use = "bottom"'),
    (AIR_DIVE + "switch_depth = { down = 0 }\n", "[[cylinders]] 1, switch_depth, down", "0 is outside 0.5 to 350 m"),
    (AIR_DIVE + "switch_depth = { uo = 21 }\n", "[[cylinders]] 1, switch_depth, uo", "write down, up or both"),
    (AIR_DIVE + "switch_depth = {}\n", "[[cylinders]] 1, switch_depth", "is an empty table"),
    (
        AIR_DIVE + TWIN.replace("twin", "d").replace("bottom", "deco") + "switch_depth = { down = 18, up = 21 }\n",
        "[[cylinders]] 2, switch_depth",
        'down has no meaning for use = "deco"',
    ),
    (AIR_DIVE + "[stops]\nsafety = 2.5\n", "[stops] safety", "2.5 min is not a whole minute"),
    (AIR_DIVE + "[stops]\nsafety = 40\n", "[stops] safety", "40 is outside 0 to 30 min"),
    (AIR_DIVE + "[diver]\nstressed_for = -1\n", "[diver] stressed_for", "-1 is outside 0 to 1440 min"),
    (AIR_DIVE + "[diver]\nrmv_bailout = 0\n", "[diver] rmv_bailout", "0 is outside 0.1 to 200 L/min"),
    (
        AIR_DIVE + TWIN.replace("twin", "d").replace("bottom", "deco") + "manifold = true\n",
        "[[cylinders]] 2, manifold",
        'has no meaning for use = "deco"',
    ),
    (AIR_DIVE + 'manifold = "yes"\n', "[[cylinders]] 1, manifold", "'yes' is neither true nor false"),
    (
        METRIC + LEVEL + TWIN + TWIN.replace("twin", "d").replace("bottom", "diluent"),
        "[[cylinders]] 2, use",
        '"diluent" belongs to a loop, and there is none',
    ),
    (LOOP_DIVE + TWIN.replace("bottom", "diluent"), FIRST_GAS, "air is not the diluent, 21/25; make them the same"),
    (LOOP_DIVE + TWIN.replace("bottom", "oxygen"), FIRST_GAS, 'air cannot feed a loop\'s oxygen; write "oxygen"'),
    (
        LOOP_DIVE + "low_setpoint = 0.7\n",
        "[loop] high_from",
        "is missing; low_setpoint and high_from go together: give both or neither",
    ),
    (LOOP_DIVE + "high_from = 21\n", "[loop] low_setpoint", "is missing; low_setpoint and high_from go together"),
    (LOOP_DIVE + "deco_setpoint = 1.4\n", "[loop] deco_from", "is missing; deco_setpoint and deco_from go"),
    (LOOP_DIVE + "low_from = 6\n", "[loop] low_from", "needs a low_setpoint to change to"),
    (
        LOOP_DIVE + "low_setpoint = 0.7\nhigh_from = 9\nlow_from = 9\ndeco_setpoint = 1.4\ndeco_from = 6\n",
        "[loop] low_from",
        "must be shallower than deco_from",
    ),
]

CONTINGENCIES, GAS_RULES = AIR_DIVE + "[contingencies]\n", AIR_DIVE + "[gas]\n"
ALL_WORDS = "is not one of deeper, longer, deeper and longer, delay, lost gas, two gases lost, gas found empty,"
TURN = 'is not a turn rule; write "thirds", "halves", "all usable", or the fraction of the usable gas'
HOW_THE_GAS_IS_PLANNED = [
    (GAS_RULES + 'turns = "halves"\n', "[gas] turns", "is not a key here; did you mean 'turn'?"),
    (GAS_RULES + 'turn = "third"\n', "[gas] turn", f"'third' {TURN}"),
    (GAS_RULES + "turn = -0.5\n", "[gas] turn", f"-0.5 {TURN}"),  # leaves less than nothing
    (GAS_RULES + "turn = 1.5\n", "[gas] turn", "that is breathed on the way out, 0.05 to 1"),
    (GAS_RULES + "turn = 0\n", "[gas] turn", f"0 {TURN}"),
    (GAS_RULES + "turn = nan\n", "[gas] turn", f"nan {TURN}"),
    (GAS_RULES + "turn = true\n", "[gas] turn", f"true {TURN}"),
    (GAS_RULES + 'turn = ["thirds"]\n', "[gas] turn", f"a list {TURN}"),
    (GAS_RULES + "fill_temperature = 80\n", "[gas] fill_temperature", "80 is outside -20 to 60 °C"),
    (GAS_RULES + "drysuit = -1\n", "[gas] drysuit", "-1 is outside 0 to 30 L"),
    (GAS_RULES + 'wing = "5 bar"\n', "[gas] wing", "'bar' is not a unit of volume; use L or cuft"),
    (GAS_RULES + 'team_bailout = "yes"\n', "[gas] team_bailout", "'yes' is neither true nor false"),
    (AIR_DIVE + '[[gas]]\nturn = "halves"\n', "[gas]", "is a list; it must be one table, [gas]"),
    (CONTINGENCIES + "depper = 3\n", "[contingencies] depper", "did you mean 'deeper'?"),
    (CONTINGENCIES + 'deeper = "x"\n', "[contingencies] deeper", "'x' is not a number with a unit"),
    (CONTINGENCIES + 'deeper = [3, "x"]\n', "[contingencies] deeper, item 2", "'x' is not a number with a unit"),
    (CONTINGENCIES + "deeper = -3\n", "[contingencies] deeper", "-3 is above the surface; it must be 0 to 350 m"),
    (CONTINGENCIES + "deeper = {}\n", "[contingencies] deeper", "a table is refused: expected a number, or text"),
    (CONTINGENCIES + "deeper = [1, 2, 3, 4, 5, 6, 7, 8, 9]\n", "[contingencies] deeper", "9 are too many; at most 8"),
    (CONTINGENCIES + "longer = 2.5\n", "[contingencies] longer", "2.5 min is not a whole minute"),
    (CONTINGENCIES + "delay = true\n", "[contingencies] delay", "true is refused: expected a number, or text"),
    (CONTINGENCIES + "heavy_breathing = -1\n", "[contingencies] heavy_breathing", "-1 is outside 0 to 1440 min"),
    (CONTINGENCIES + "low_setpoint = 2\n", "[contingencies] low_setpoint", "2 is outside 0.2 to 1.6 bar"),
    (CONTINGENCIES + 'two_failures = "nogo"\n', "[contingencies] two_failures", "did you mean 'no-go'?"),
    (
        CONTINGENCIES + 'leave_out = "delay"\n',
        "[contingencies] leave_out",
        "is 'delay'; it must be a list: write it in brackets, [\"delay\"]",
    ),
    (
        CONTINGENCIES + 'leave_out = ["delay", "lostgas"]\n',
        "[contingencies] leave_out, item 2",
        "'lostgas' is not a word known here; did you mean 'lost gas'?",
    ),
    (CONTINGENCIES + 'slate = ["zzz"]\n', "[contingencies] slate, item 1", f"'zzz' {ALL_WORDS}"),
    (CONTINGENCIES + "slate = [3]\n", "[contingencies] slate, item 1", f"3 {ALL_WORDS}"),
    (CONTINGENCIES + "slate = 3\n", "[contingencies] slate", "is 3; it must be a list: write it in brackets, [3]"),
    (AIR_DIVE + "[limits]\nrun_time = -1\n", "[limits] run_time", "-1 is outside 0 to 1440 min"),
    (AIR_DIVE + '[limits]\ntts = "1 m"\n', "[limits] tts", "'m' is not a unit of time; use min or h"),
    (AIR_DIVE + "[limits]\nruntime = 1\n", "[limits] runtime", "did you mean 'run_time'?"),
    (LOOP_DIVE + "flushes = -1\n", "[loop] flushes", "-1 is outside 0 to 20 flushes"),
    (LOOP_DIVE + "semi_closed = 0\n", "[loop] semi_closed", "0 is outside 1 to 12 breaths"),
    (LOOP_DIVE + "flush = 2\n", "[loop] flush", "did you mean 'flushes'?"),
]

ANN, BO = '[[team]]\nname = "Ann"\n', '[[team]]\nname = "Bo"\n'
OWN = TWIN.replace("[[cylinders]]", "[[team.cylinders]]")
ALONE = METRIC + LEVEL + ANN  # with nothing to breathe
OWN_LOOP = "[team.loop]\ndiluent = '18/45'\nsetpoint = 1.3\n"
NOTHING = 'has nothing to breathe; a diver on open circuit needs at least one cylinder with use = "bottom", or a loop'
TEAMS = [
    (AIR_DIVE + '[team]\nname = "Ann"\n', "[[team]]", "it must be a list: write each with double brackets, [[team]]"),
    (AIR_DIVE + "[[team]]\n", "[[team]] 1, name", "is missing; every [[team]] needs it"),
    (AIR_DIVE + "[[team]]\nname = ' '\n", "[[team]] 1, name", "is blank; write a word or two"),
    (AIR_DIVE + ANN + "[[team]]\nname = 5\n", "[[team]] 2, name", "5 is not text; write it in quotes"),
    (AIR_DIVE + ANN + BO + "[[team]]\nname = 'ANN'\n", "[[team]] 3, name", "'ANN' is another diver's name too"),
    (AIR_DIVE + ANN + "rmv_botom = 3\n", "[[team]] 1, rmv_botom", "did you mean 'rmv_bottom'?"),
    (AIR_DIVE + ANN + "rmv_deco = 0\n", "[[team]] 1, rmv_deco", "0 is outside 0.1 to 200 L/min"),
    (
        AIR_DIVE + BO + ANN + "gradient_factors = [80, 40]\n",
        "[[team]] 2, gradient_factors",
        "GF low 80 is over GF high 40; write the lower first, [40, 80]",
    ),
    (AIR_DIVE + ANN + "gradient_factors = [4, 80]\n", "[[team]] 1, gradient_factors, item 1", "4 is outside 5 to 100"),
    (AIR_DIVE + ANN + 'circuit = "opne"\n', "[[team]] 1, circuit", "'opne' is not one of open, closed; did you mean"),
    (
        AIR_DIVE + ANN + 'circuit = "closed"\n',
        "[[team]] 1, circuit",
        "is closed, and there is no loop; give this diver a loop, [team.loop], or the file a [loop]",
    ),
    (AIR_DIVE + ANN + 'circuit = "open"\n' + OWN_LOOP, "[[team]] 1, circuit", "is open, and a loop is given"),
    (AIR_DIVE + ANN + "loop = 3\n", "[[team]] 1, loop", "is 3; it must be one table, [team.loop]"),
    (
        AIR_DIVE + ANN + '[team.loop]\ndiluent = "21/35"\n',
        "[[team]] 1, loop, setpoint",
        "is missing; [team.loop] needs",
    ),
    (AIR_DIVE + ANN + OWN_LOOP + "setpont = 1\n", "[[team]] 1, loop, setpont", "did you mean 'setpoint'?"),
    (AIR_DIVE + ANN + OWN_LOOP + "low_setpoint = 0.7\n", "[[team]] 1, loop, high_from", "give both or neither"),
    (
        AIR_DIVE + ANN + "[team.cylinders]\nname = 'x'\n",
        "[[team]] 1, cylinders",
        "it must be a list: write each with double brackets, [[team.cylinders]]",
    ),
    (AIR_DIVE + ANN + "cylinders = []\n", "[[team]] 1, cylinders", f"Ann {NOTHING}"),
    (ALONE, "[[team]] 1, cylinders", f"Ann {NOTHING}"),
    (ALONE + OWN + BO, "[[team]] 2, cylinders", f"Bo {NOTHING}"),
    (LOOP_DIVE + ANN + BO + 'circuit = "open"\n', "[[team]] 2, cylinders", f"Bo {NOTHING}"),
    (ALONE + OWN.replace("bottom", "deco"), "[[team]] 1, cylinders", f"Ann {NOTHING}"),
    (
        ALONE + OWN + OWN.replace("twin", "TWIN"),
        "[[team]] 1, cylinders 2, name",
        "'TWIN' is another cylinder's name too",
    ),
    (ALONE + OWN.replace("pressure = 230\n", ""), "[[team]] 1, cylinders 1, pressure", "is missing; every [[team.cyl"),
    (ALONE + OWN.replace("230", "0"), "[[team]] 1, cylinders 1, pressure", "0 is an empty cylinder; give the pressure"),
    (
        ALONE + OWN + BO + OWN + "reserve = 240\n",
        "[[team]] 2, cylinders 1, reserve",
        "240 bar leaves nothing to breathe; it must be below the pressure, 230 bar",
    ),
    (ALONE + OWN + "presure = 2\n", "[[team]] 1, cylinders 1, presure", "did you mean 'pressure'?"),
    (ALONE + OWN.replace('"air"', '"60/50"'), "[[team]] 1, cylinders 1, gas", "oxygen and helium add up to 110 %"),
    (
        ALONE + OWN + OWN.replace("twin", "d").replace("bottom", "diluent"),
        "[[team]] 1, cylinders 2, use",
        '"diluent" belongs to a loop, and there is none',
    ),
    (
        LOOP_DIVE + TWIN.replace('"air"', '"21/25"').replace("bottom", "diluent") + ANN + BO + OWN_LOOP,
        "[[cylinders]] 1, gas",
        "21/25 is not the diluent of Bo, 18/45; make them the same",
    ),
    (
        METRIC + LEVEL + 'gas = "air"\n' + ANN + OWN + BO + OWN.replace('"air"', "32"),
        "[[levels]] 1, gas",
        "no cylinder of Bo holds air; those carried hold 32 %",
    ),
    (LOOP_DIVE.replace("20\n", "20\ngas = 'air'\n") + ANN + BO, "[[levels]] 1, gas", "is breathed on the loop"),
    (AIR_DIVE + SECOND + ANN + BO, "[[cylinders]] 2, name", "is another cylinder's name too"),  # told once
    (AIR_DIVE + "".join(f"[[team]]\nname = '{i}'\n" for i in range(13)), "[[team]]", "13 are too many; at most 12"),
]

AT_HAND = AIR_DIVE + "[[solve.cylinders]]\nsize = 12\n"
TO_CHOOSE_FROM = [
    (AIR_DIVE + '[solve]\ngas = ["50"]\n', "[solve] gas", "did you mean 'gases'?"),
    (
        AIR_DIVE + '[solve]\ngases = "50"\n',
        "[solve] gases",
        "is '50'; it must be a list: write it in brackets, [\"50\"]",
    ),
    (AIR_DIVE + '[solve]\ngases = ["18/45", "trimix"]\n', "[solve] gases, item 2", "'trimix' is not a gas; write"),
    (AIR_DIVE + "[solve]\ngases = [true]\n", "[solve] gases, item 1", "true is not a gas"),
    (AIR_DIVE + '[solve]\ndeco_gases = ["60/50"]\n', "[solve] deco_gases, item 1", "add up to 110 %"),
    (
        AIR_DIVE + "[solve]\ncylinders = 12\n",
        "[solve] cylinders",
        "write each with double brackets, [[solve.cylinders]]",
    ),
    (AIR_DIVE + "[solve]\ncylinders = [12]\n", "[solve] cylinders, item 1", "is 12; it must be a table of keys"),
    (AT_HAND, "[[solve.cylinders]] 1, pressure", "is missing; every [[solve.cylinders]] needs it"),
    (AT_HAND + "pressure = 0\n", "[[solve.cylinders]] 1, pressure", "0 is an empty cylinder"),
    (AT_HAND + "pressure = 200\nname = 'x'\n", "[[solve.cylinders]] 1, name", "is not a key here; known are size,"),
    (
        AT_HAND.replace("12", "'80 cuft'") + "pressure = 200\n",
        "[[solve.cylinders]] 1, working_pressure",
        "is missing; cubic feet are rated at one",
    ),
]

NOT_A_DIVE_FILE = [
    ("", "", "is empty; examples/ has dive files to start from"),
    (" \n\t\n", "", "is empty"),
    ("45 m for 20 min", "", "is not TOML: "),
    (AIR_DIVE + "units = 'metric'\nunits = 'metric'\n", "", "is not TOML: "),
    (AIR_DIVE + "\0", "", "is not TOML: "),
    (bytes(range(256)), "", "is not text; a dive file is TOML in UTF-8"),
    (AIR_DIVE.encode("utf-16"), "", "is not text; a dive file is TOML in UTF-8"),
    (b"#" * (MAX_BYTES + 1), "", "is over 1000 kB, too large for a dive file"),
    (AIR_DIVE + f"x = {'[' * 9000}{']' * 9000}\n", "", "has tables nested too deeply, or a number too long"),
    (level("1" + "0" * 5000), "", "has tables nested too deeply, or a number too long"),
]

EVERYTHING = [
    *UNKNOWN_KEYS,
    *MISSING_KEYS,
    *WRONG_SHAPES,
    *QUANTITIES,
    *PLAIN_NUMBERS,
    *WORDS,
    *MIXES,
    *CONTRADICTIONS,
    *HOW_THE_GAS_IS_PLANNED,
    *TEAMS,
    *TO_CHOOSE_FROM,
    *NOT_A_DIVE_FILE,
]
JARGON = ("input should", "validation", "pydantic", "tuple", "dict", "NoneType", "int(", "function-", "Traceback")


@pytest.mark.parametrize(
    ("text", "key", "words"), EVERYTHING, ids=[f"{key or 'file'}: {words[:40]}" for _, key, words in EVERYTHING]
)
def test_refused_in_words(text: str | bytes, key: str, words: str, tmp_path: Path) -> None:
    ((said_key, message),) = refusal(text, tmp_path)
    assert said_key == key
    assert words in message
    assert len(message) <= MOST_MESSAGE
    assert (said_key + message).isprintable()
    assert not [word for word in JARGON if word.lower() in message.lower()]


def test_all_problems_are_told_at_once(tmp_path: Path) -> None:
    text = METRIC + "titel = 1\n[[levels]]\ndepth = true\n[site]\nwater = 1\n[loop]\n"
    assert [key for key, _ in refusal(text, tmp_path)] == [
        "[site] water",
        FIRST_DEPTH,
        "[[levels]] 1, leave_at",
        "[loop] diluent",
        "[loop] setpoint",
        "titel",
    ]


def test_but_not_thousands(tmp_path: Path) -> None:
    told = refusal("".join(f"k{i} = 1\n" for i in range(3000)) + AIR_DIVE, tmp_path)
    assert len(told) == MOST_PROBLEMS + 1
    assert told[-1] == ("", f"and {3000 - MOST_PROBLEMS} problems more")


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("missing.toml", "cannot be read: no such file or directory"),
        ("", "cannot be read: is a directory"),
        ("x" * 300, "cannot be read: file name too long"),
        ("a\0b", "cannot be read: embedded null byte"),
    ],
)
def test_a_path_that_cannot_be_read_is_told_whole(name: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / name
    with pytest.raises(DiveFileError) as refused:
        read_dive(path)
    assert str(refused.value) == f"{path}: {words}"


def test_a_file_one_may_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", denied)
    with pytest.raises(DiveFileError, match=r"dive\.toml: cannot be read: permission denied$"):
        read_dive(tmp_path / "dive.toml")


def test_the_pieces_are_dives(tmp_path: Path) -> None:
    for text in (AIR_DIVE, LOOP_DIVE, level(), level(units=IMPERIAL).replace("45", "100")):
        read(text, tmp_path)
