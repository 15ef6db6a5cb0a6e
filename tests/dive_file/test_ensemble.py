"""`[ensemble]`: what is read, and every way to write it wrong, with key, value and remedy."""

from __future__ import annotations

import tomllib

import jsonschema
import pytest

from leadline.dive_file.schema import Drawn, json_schema
from leadline.units import FOOT_M
from tests.dive_file.files import AIR_DIVE, LOOP_DIVE, read, refusal


def with_(line, dive=AIR_DIVE):
    return f"{dive}[ensemble]\n{line}\n"


READ = [
    ('depth = { distribution = "normal", spread = 2 }', "depth", Drawn("normal", spread=2.0)),
    ('depth = { distribution = "normal", spread = "10 ft" }', "depth", Drawn("normal", spread=10 * FOOT_M)),
    (
        'depth = { distribution = "uniform", low = -3, high = 4 }',
        "depth",
        Drawn("uniform", low=-3.0, high=4.0),
    ),
    (
        'time = { distribution = "triangular", low = -1, mode = 0, high = "0.1 h" }',
        "time",
        Drawn("triangular", low=-1.0, mode=0.0, high=6.0),
    ),
    (
        'ascent = { distribution = "normal", spread = "10 ft/min" }',
        "ascent",
        Drawn("normal", spread=10 * FOOT_M),
    ),
    ('rmv = { distribution = "lognormal", spread = 1.3 }', "rmv", Drawn("lognormal", spread=1.3)),
    ('rmv_bottom = { distribution = "normal", spread = 3 }', "rmv_bottom", Drawn("normal", spread=3.0)),
    (
        'switch = { distribution = "uniform", low = 0, high = 3 }',
        "switch",
        Drawn("uniform", low=0.0, high=3.0),
    ),
    ('time = "as planned"', "time", Drawn("as planned")),
]


@pytest.mark.parametrize(("line", "key", "right"), READ, ids=[line for line, _, _ in READ])
def test_what_is_read(line, key, right, tmp_path):
    found = getattr(read(with_(line), tmp_path).ensemble, key)
    assert found == pytest.approx(right) if isinstance(right, float) else found.distribution == right.distribution
    for name in ("spread", "low", "mode", "high"):
        assert getattr(found, name) == (None if getattr(right, name) is None else pytest.approx(getattr(right, name)))
    jsonschema.validate(tomllib.loads(with_(line)), json_schema())


def test_left_out_there_are_defaults(tmp_path):
    found = read(AIR_DIVE, tmp_path).ensemble
    assert (found.dives, found.seed, found.depth) == (10_000, 1, None)


REFUSED = [
    ("dives = 99", "[ensemble] dives", "99 is outside 100 to 1000000"),
    ("dives = 1000000000000", "[ensemble] dives", "outside 100 to 1000000"),
    ("dives = 1e4", "[ensemble] dives", "10000.0 is not a whole number; write one from 100"),
    ("dives = true", "[ensemble] dives", "true is not a whole number"),
    ("seed = -1", "[ensemble] seed", "-1 is outside 0 to"),
    ("depht = 1", "[ensemble] depht", "did you mean 'depth'?"),
    ("depth = 3", "[ensemble] depth", '3 is no distribution; write "as planned", or a table such as'),
    ('depth = "normal"', "[ensemble] depth", "is no distribution"),
    ("depth = { spread = 3 }", "[ensemble.depth] distribution", 'is missing; write one of "normal", "uniform"'),
    (
        'depth = { distribution = "lognormal", spread = 1.1 }',
        "[ensemble.depth] distribution",
        "'lognormal' is not a distribution of this; write one of",
    ),
    (
        'depth = { distribution = ["normal"], spread = 1 }',
        "[ensemble.depth] distribution",
        "a list is not a distribution of this",
    ),
    ('depth = { distribution = "normal" }', "[ensemble.depth] spread", "is missing; a normal distribution needs it"),
    (
        'depth = { distribution = "normal", spread = 1, low = 0 }',
        "[ensemble.depth] low",
        "is not a key of a normal distribution; it takes spread",
    ),
    (
        'depth = { distribution = "normal", spread = 0 }',
        "[ensemble.depth] spread",
        '0 is no spread at all; give more, or write "as planned"',
    ),
    ('depth = { distribution = "normal", spread = -2 }', "[ensemble.depth] spread", "-2 is outside 0 to 30 m"),
    (
        'depth = { distribution = "normal", spread = "2 bar" }',
        "[ensemble.depth] spread",
        "'bar' is not a unit of depth",
    ),
    ('depth = { distribution = "normal", spread = nan }', "[ensemble.depth] spread", "nan is not a finite number"),
    (
        'rmv = { distribution = "lognormal", spread = 1 }',
        "[ensemble.rmv] spread",
        "1 is a spread of none; give more",
    ),
    ('rmv = { distribution = "lognormal", spread = 0.8 }', "[ensemble.rmv] spread", "0.8 is outside 1 to 3"),
    (
        'rmv = { distribution = "uniform", low = -0.2, high = 1.5 }',
        "[ensemble.rmv] low",
        "-0.2 is outside 0.1 to 5 as a factor",
    ),
    ('rmv = { distribution = "normal", spread = "20 L/min" }', "[ensemble.rmv] spread", "is not a number; write one"),
    (
        'rmv_bottom = { distribution = "uniform", low = -5, high = 25 }',
        "[ensemble.rmv_bottom] low",
        "-5 is outside 0.1 to 200 L/min",
    ),
    (
        'time = { distribution = "uniform", low = 4, high = 1 }',
        "[ensemble.time] high",
        "1 is under low, 4; write the lower as low",
    ),
    (
        'time = { distribution = "uniform", low = 2, high = 2 }',
        "[ensemble.time] high",
        "2 is low too, which is no spread at all",
    ),
    (
        'time = { distribution = "triangular", low = -1, mode = 5, high = 4 }',
        "[ensemble.time] mode",
        "5 is outside low to high; it is what comes up most",
    ),
    (
        'time = { distribution = "triangular", low = -1, high = 4 }',
        "[ensemble.time] mode",
        "is missing; a triangular distribution needs it",
    ),
    (
        'setpoint = { distribution = "normal", spread = 0.1 }',
        "[ensemble] setpoint",
        "is of a loop, and there is none; leave it out, or give a [loop]",
    ),
    (
        'depth = { distribution = "uniform", low = -50, high = 1 }',
        "[ensemble.depth] low",
        "50 m shallower is above the surface at a level of 45 m; give -45 m or more",
    ),
    (
        'time = { distribution = "uniform", low = -30, high = 1 }',
        "[ensemble.time] low",
        "30 min less than a bottom time of 20 min is no dive; give -20 or more",
    ),
    (
        'switch = { distribution = "uniform", low = 0, high = 60 }',
        "[ensemble.switch] high",
        "60 is outside 0 to 10 min",
    ),
    (
        'rmv = "as planned"\nrmv_bottom = "as planned"\nrmv_deco = "as planned"',
        "[ensemble] rmv",
        "has nothing left to act on, with rmv_bottom and rmv_deco given",
    ),
]


@pytest.mark.parametrize(("line", "key", "said"), REFUSED, ids=[line for line, _, _ in REFUSED])
def test_what_is_refused(line, key, said, tmp_path):
    [(at, message)] = refusal(with_(line), tmp_path)
    assert at == key
    assert said in message


def test_a_loop_has_a_setpoint_to_draw(tmp_path):
    line = 'setpoint = { distribution = "uniform", low = 1.2, high = 1.35 }'
    assert read(with_(line, LOOP_DIVE), tmp_path).ensemble.setpoint == Drawn("uniform", low=1.2, high=1.35)
    [(at, message)] = refusal(with_(line.replace("1.35", "1.9"), LOOP_DIVE), tmp_path)
    assert (at, message) == ("[ensemble.setpoint] high", "1.9 is outside 0.2 to 1.6 bar")


def test_feet_in_an_imperial_file(tmp_path):
    text = 'units = "imperial"\n' + AIR_DIVE.split("\n", 1)[1].replace("45", "150").replace(
        "size = 24", 'size = "24 L"'
    )
    found = read(with_('depth = { distribution = "normal", spread = 5 }', text), tmp_path)
    assert found.ensemble.depth.spread == pytest.approx(5 * FOOT_M)
    [(_, message)] = refusal(with_('depth = { distribution = "uniform", low = -160, high = 1 }', text), tmp_path)
    assert message == "160 ft shallower is above the surface at a level of 150 ft; give -150 ft or more"
