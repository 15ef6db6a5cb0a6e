"""Earlier dives of the log, as a dive file names them."""

import pytest

from leadline.dive_file import DiveFileError, divers, parse_dive, read_dive
from leadline.dive_file.schema import Kept
from leadline.plan.schedule import starting_tissue
from leadline.tissue.loading import Residual

ANN, BEN = (
    Kept(title, 0.0, Residual(((bar,) * 16, (0.0,) * 16), 5.0, ())) for title, bar in (("Ann's", 1.0), ("Ben's", 2.0))
)
DIVE = {
    "units": "metric",
    "levels": [{"depth": 30, "leave_at": 20}],
    "cylinders": [{"name": "twins", "gas": "air", "size": 24, "pressure": 230, "use": "bottom"}],
}
TEAM = DIVE | {"team": [{"name": "Ann"}, {"name": "Ben"}]}


def log(number, coefficients, diver, interval_min):
    """A log that has dive 12 of Ann and dive 13 of Ben."""
    assert interval_min == 60.0
    assert coefficients == "ZH-L16C"
    try:
        return {(12, "Ann"): ANN, (12, ""): ANN, (13, "Ben"): BEN}[number, diver]
    except KeyError:
        raise LookupError(f"no dive {number} of {diver or 'anyone'}") from None


def previous(**keys):
    return {"previous": [{"surface_interval": 60, **keys}]}


def test_one_number_is_the_dive_of_the_one_diver():
    earlier = parse_dive(DIVE | previous(log=12), log=log).previous[0]
    assert (earlier.left, earlier.title, earlier.name) == (ANN.left, "Ann's", "dive 12 of the log")


def test_each_diver_of_a_team_begins_with_his_own():
    dive = parse_dive(TEAM | previous(log={"Ben": 13, "Ann": 12}), log=log)
    found = {name: own.previous[0] for name, own in divers(dive)}
    assert {name: (earlier.left, earlier.name) for name, earlier in found.items()} == {
        "Ann": (ANN.left, "dive 12 of the log"),
        "Ben": (BEN.left, "dive 13 of the log"),
    }


@pytest.mark.parametrize(
    ("dive", "keys", "said"),
    [
        (DIVE, {"log": 3}, "[[previous]] 1, log: no dive 3 of anyone"),
        (DIVE, {"log": 0}, "[[previous]] 1, log: 0 is not a dive of the log"),
        (DIVE, {"log": "last"}, "[[previous]] 1, log: 'last' is not a dive of the log"),
        (DIVE, {"log": {}}, "is not a dive of the log"),
        (DIVE, {"log": {"Ann": 12}}, "must name a dive of each diver; write one number"),
        (DIVE, {}, "[[previous]] 1, file: is missing; name the dive file, or its number in the log"),
        (DIVE, {"log": 12, "file": "keel.toml"}, "and log are both given"),
        (TEAM, {"log": 12}, "must name a dive of each diver; write { Ann = …, Ben = … }"),
        (TEAM, {"log": {"Ann": 12}}, "must name a dive of each diver; write { Ann = …, Ben = … }"),
        (TEAM, {"log": {"Ann": 12, "Ben": 12}}, "no dive 12 of Ben"),
    ],
)
def test_what_is_wrong_is_said(dive, keys, said):
    with pytest.raises(DiveFileError) as refused:
        parse_dive(dive | previous(**keys), log=log)
    assert said in "\n".join(refused.value.lines())


def test_without_a_log_nothing_is_guessed():
    with pytest.raises(DiveFileError, match="is read only where the log is"):
        parse_dive(DIVE | previous(log=12))


def test_a_dive_of_the_log_comes_first(tmp_path):
    """What was dived before it, the log knows; behind it planned dives may follow."""
    written = """units = "metric"
[[levels]]
depth = 30
leave_at = 20
[[cylinders]]
name = "twins"
gas = "air"
size = 24
pressure = 230
use = "bottom"
"""
    kept = "[[previous]]\nlog = 12\nsurface_interval = 60\n"
    planned = '[[previous]]\nfile = "keel.toml"\nsurface_interval = 60\n'
    (tmp_path / "keel.toml").write_text(written)
    (tmp_path / "last.toml").write_text(written + kept + planned)
    last = read_dive(tmp_path / "last.toml", log)
    assert [earlier.name for earlier in last.previous] == ["dive 12 of the log", "keel.toml"]
    assert last.previous[1].dive.previous[0].left == ANN.left
    (tmp_path / "last.toml").write_text(written + planned + kept)
    with pytest.raises(DiveFileError, match="comes after another; name it first"):
        read_dive(tmp_path / "last.toml", log)


def test_a_file_without_a_team_is_every_divers_dive(tmp_path):
    """Ann and Ben dive, then dive a file that names nobody, then dive again: each carries his own, through it."""
    lines = ['units = "metric"', "[[levels]]", "depth = 30", "leave_at = 20", "[[cylinders]]", 'name = "twins"']
    nobodys = "\n".join([*lines, 'gas = "air"', "size = 24", "pressure = 230", 'use = "bottom"', ""])
    team = '[[team]]\nname = "Ann"\n[[team]]\nname = "Ben"\n'
    (tmp_path / "second.toml").write_text(nobodys)
    kept = "[[previous]]\nlog = { Ann = 12, Ben = 13 }\nsurface_interval = 60\n"
    (tmp_path / "third.toml").write_text(
        nobodys + team + kept + '[[previous]]\nfile = "second.toml"\nsurface_interval = 60\n'
    )
    ann, ben = (starting_tissue(own)[0] for _, own in divers(read_dive(tmp_path / "third.toml", log)))
    assert ben[-1] > ann[-1]  # the slowest: stops are each their own

    (tmp_path / "second.toml").write_text(nobodys + "[[previous]]\nlog = 12\nsurface_interval = 60\n")
    (tmp_path / "third.toml").write_text(
        nobodys + '[[team]]\nname = "Ann"\n[[previous]]\nfile = "second.toml"\nsurface_interval = 60\n'
    )
    ((_, own),) = divers(read_dive(tmp_path / "third.toml", log))
    assert starting_tissue(own)[0] == pytest.approx(ann)
