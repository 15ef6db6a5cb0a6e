"""Dives after others: tissues against the differential equation, integrated by SciPy through dive and surface interval;
CNS and OTU by hand."""

from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from leadline.dive_file import DiveFileError, parse_dive, read_dive
from leadline.physics.mix import Mix
from leadline.plan import plan_dive
from leadline.plan.oxygen import carried, oxygen_exposure
from leadline.plan.schedule import starting_tissue
from leadline.plan.team import plan_team
from tests.authority.published import ZHL16
from tests.dives import sentence

EXAMPLES = Path(__file__).parents[2] / "examples"
HALF_TIMES = np.array([ZHL16["n2_half_time_min"], ZHL16["he_half_time_min"]])
AIR = {"name": "twins", "gas": "air", "size": 24, "pressure": 230, "use": "bottom"}


def written(folder, name, previous=(), depth=30, leave_at=25, more=""):
    """A dive file on air; `previous` are (file, surface interval, oxygen)."""
    lines = ['units = "metric"', f'title = "{name}"', more, "[[levels]]", f"depth = {depth}", f"leave_at = {leave_at}"]
    lines += ["[[cylinders]]", *(f"{key} = {value!r}" for key, value in AIR.items())]
    for file, interval, breathed in previous:
        lines += ["[[previous]]", f'file = "{file}"', f"surface_interval = {interval}", f"oxygen = {breathed}"]
    path = folder / f"{name}.toml"
    path.write_text("\n".join(lines).replace("'", '"'))
    return path


def integrated(tissue, legs, interval, breathed_oxygen):
    """Tissues through legs of open-circuit air or trimix and a surface interval, by the equation itself."""
    rate = np.log(2.0) / HALF_TIMES
    pieces = [(leg.minutes, leg.start_m, leg.end_m, leg.source.mix) for leg in legs]
    oxygen_mix, air = Mix.parse("oxygen"), Mix.parse("air")
    pieces += [(breathed_oxygen, 0.0, 0.0, oxygen_mix), (interval - breathed_oxygen, 0.0, 0.0, air)]
    state = tissue
    for minutes, start_m, end_m, mix in pieces:
        if minutes <= 0.0:
            continue

        def change(t, p, minutes=minutes, start_m=start_m, end_m=end_m, mix=mix):
            bar = 1.01325 + 0.1 * (start_m + (end_m - start_m) * t / minutes) - 0.0627
            breathed = bar * np.array([mix.n2, mix.he])
            return (rate * (breathed[:, None] - p.reshape(2, 16))).ravel()

        solved = solve_ivp(change, (0.0, minutes), state.ravel(), method="DOP853", rtol=1e-10, atol=1e-12)
        state = solved.y[:, -1].reshape(2, 16)
    return state


def at_rest():
    tissue = np.zeros((2, 16))
    tissue[0] = (1.01325 - 0.0627) * (1.0 - 0.2098)
    return tissue


@pytest.mark.parametrize("breathed_oxygen", [0, 30])
def test_a_surface_interval_is_only_a_level_at_the_surface(tmp_path, breathed_oxygen):
    """Two dives and their surface intervals as one continuous profile."""
    first = written(tmp_path, "morning", depth=40)
    second = written(tmp_path, "noon", [("morning.toml", 90, 0)])
    third = written(tmp_path, "evening", [("noon.toml", 120, breathed_oxygen)])
    after_first = integrated(at_rest(), plan_dive(read_dive(first)).schedule.legs, 90, 0)
    assert starting_tissue(read_dive(second)) == pytest.approx(after_first, abs=1e-6)
    after_second = integrated(after_first, plan_dive(read_dive(second)).schedule.legs, 120, breathed_oxygen)
    assert starting_tissue(read_dive(third)) == pytest.approx(after_second, abs=1e-6)


def test_naming_both_is_naming_the_one_that_names_the_other(tmp_path):
    written(tmp_path, "morning", depth=40)
    written(tmp_path, "noon", [("morning.toml", 90, 0)])
    written(tmp_path, "alone")
    chained = read_dive(written(tmp_path, "a", [("noon.toml", 60, 0)]))
    listed = read_dive(written(tmp_path, "b", [("morning.toml", 90, 0), ("alone.toml", 60, 0)]))
    assert (starting_tissue(chained) == starting_tissue(listed)).all()
    assert carried(chained) == carried(listed)


def test_what_comes_before_makes_the_ascent_longer_and_the_limit_shorter(tmp_path):
    written(tmp_path, "morning", depth=40)
    fresh = plan_dive(read_dive(written(tmp_path, "fresh")))
    runs = []
    for interval in (15, 60, 180, 600):
        after = plan_dive(read_dive(written(tmp_path, "after", [("morning.toml", interval, 0)])))
        runs.append(after.schedule.run_time_min)
        assert after.schedule.ndl_min <= fresh.schedule.ndl_min
        assert any(finding.code == "repetitive" for finding in after.findings)
    assert runs == sorted(runs, reverse=True)
    assert runs[0] > fresh.schedule.run_time_min
    long_after = plan_dive(read_dive(written(tmp_path, "long", [("morning.toml", 14 * 1440, 0)])))
    assert long_after.schedule.stops == fresh.schedule.stops


def test_cns_and_otu_by_hand(tmp_path):
    """CNS halves every 90 min (common practice); OTU stay for a day. Oxygen at 1.01325 bar: 300 min less 0.01325/0.1 of
    the 60 min to the next row (NOAA) is 292.05 min; ((1.01325 - 0.5)/0.5)^(5/6) OTU a minute (Hamilton)."""
    first = read_dive(written(tmp_path, "morning", depth=40))
    taken = oxygen_exposure(plan_dive(first).schedule.legs, first.site.environment)
    on_air = read_dive(written(tmp_path, "air", [("morning.toml", 180, 0)]))
    assert (carried(on_air).cns_percent, carried(on_air).otu) == pytest.approx((taken.cns_percent / 4.0, taken.otu))
    on_oxygen = read_dive(written(tmp_path, "oxygen", [("morning.toml", 120, 30)]))
    cns = (taken.cns_percent + 100.0 * 30.0 / 292.05) / 2.0
    left = carried(on_oxygen)
    assert (left.cns_percent, left.otu) == pytest.approx((cns, taken.otu + 30.0 * (0.51325 / 0.5) ** (5 / 6)))
    next_day = read_dive(written(tmp_path, "next", [("morning.toml", 1440, 0)]))
    assert carried(next_day).otu == 0.0
    whole, alone = plan_dive(on_air), plan_dive(read_dive(written(tmp_path, "fresh")))
    assert whole.oxygen.otu >= alone.oxygen.otu + taken.otu - 1e-9
    assert all(c.oxygen.otu >= taken.otu for c in whole.contingencies if c.legs)


def worst_gf(tissue, bar):
    """The leading compartment's gradient factor at a pressure, by hand: (p - P) / (a + P/b - P). [%]"""
    n2, he = tissue
    total = n2 + he
    a = (np.array(ZHL16["n2_a_bar_zhl16c"]) * n2 + np.array(ZHL16["he_a_bar"]) * he) / total
    b = (np.array(ZHL16["n2_b"]) * n2 + np.array(ZHL16["he_b"]) * he) / total
    return 100.0 * float(((total - bar) / (a + bar / b - bar)).max())


def up_at_a_lake(folder, altitude, interval, gf_high=80):
    written(folder, "sea", depth=45, leave_at=30, more="[model]\ngradient_factors = [40, 95]\n")
    more = f"[site]\naltitude = {altitude}\n[model]\ngradient_factors = [40, {gf_high}]\n"
    return plan_dive(read_dive(written(folder, "lake", [("sea.toml", interval, 0)], 18, 20, more)))


def test_the_interval_is_spent_at_the_lower_site(tmp_path):
    """Up at 2000 m, 0.795 bar by the standard atmosphere, or down from there: either way the air of the sea."""
    first = plan_dive(read_dive(written(tmp_path, "sea", depth=45, leave_at=30)))
    lake = "[site]\naltitude = 2000\n"
    up = read_dive(written(tmp_path, "lake", [("sea.toml", 90, 0)], more=lake))
    assert starting_tissue(up) == pytest.approx(integrated(at_rest(), first.schedule.legs, 90, 0), abs=1e-6)
    high = read_dive(written(tmp_path, "high", more=lake))
    left = plan_dive(high).schedule.track.tensions_bar[-1]
    down = read_dive(written(tmp_path, "down", [("high.toml", 90, 0)]))
    assert starting_tissue(down) == pytest.approx(integrated(left, [], 90, 0), abs=1e-6)


@pytest.mark.parametrize(("altitude", "interval"), [(1900, 5), (1900, 20), (1500, 5)])
def test_who_goes_up_too_soon_is_told(tmp_path, altitude, interval):
    """Every time the tissues are over GF high at the lake's pressure: GF by hand from the equation's own tissues."""
    found = up_at_a_lake(tmp_path, altitude, interval)
    sea = plan_dive(read_dive(tmp_path / "sea.toml"))
    tissue = integrated(at_rest(), sea.schedule.legs, interval, 0)
    gf = worst_gf(tissue, 1.01325 * (1 - 0.0065 * altitude / 288.15) ** (9.80665 / (287.05287 * 0.0065)))
    assert gf > 80.5
    (judged,) = [finding for finding in found.findings if finding.code == "surface-gf"]
    assert judged.severity == "no-go"
    assert judged.values["gf_percent"] == pytest.approx(gf, abs=0.01)
    (said,) = [finding for finding in found.findings if finding.code == "altitude-soon"]
    assert "substantially longer than 18 h" in sentence(said)


def test_at_the_same_height_a_lower_gf_high_is_a_caution(tmp_path):
    """Surfaced at no more than GF 95; five minutes later GF high is 50."""
    found = up_at_a_lake(tmp_path, 0, 5, gf_high=50)
    assert [finding.severity for finding in found.findings if finding.code == "surface-gf"] == ["caution"]
    assert not any(finding.code == "altitude-soon" for finding in found.findings)
    a_day = up_at_a_lake(tmp_path, 0, 1440)
    assert not any(finding.code == "surface-gf" for finding in a_day.findings)


def test_a_team_after_a_team(tmp_path):
    """Each diver carries on what this diver dived, on the team's stops."""
    factors = (("Mira", [20, 60]), ("Jonne", [50, 85]))
    team = "\n".join(f'[[team]]\nname = "{name}"\ngradient_factors = {pair}' for name, pair in factors)
    (tmp_path / "morning.toml").write_text(written(tmp_path, "base", depth=40).read_text() + "\n" + team)
    after = written(tmp_path, "noon", [("morning.toml", 60, 0)])
    after.write_text(after.read_text() + "\n" + team)
    planned = plan_team(read_dive(after))
    morning = plan_team(read_dive(tmp_path / "morning.toml"))
    for member, before in zip(planned.members, morning.members, strict=True):
        expected = integrated(at_rest(), before.plan.schedule.legs, 60, 0)
        assert starting_tissue(member.plan.dive) == pytest.approx(expected, abs=1e-6)
    alone = written(tmp_path, "alone", [("morning.toml", 60, 0)])
    with pytest.raises(DiveFileError, match="of one"):
        read_dive(alone)
    stranger = written(tmp_path, "stranger", [("morning.toml", 60, 0)])
    stranger.write_text(stranger.read_text() + '\n[[team]]\nname = "Anke"\n')
    with pytest.raises(DiveFileError, match="no diver Anke; its team is Mira, Jonne"):
        read_dive(stranger)


@pytest.mark.parametrize(
    ("previous", "said"),
    [
        ([("nowhere.toml", 60, 0)], "cannot be read"),
        ([("noon.toml", 60, 0)], "is this dive, or one after it"),
        ([("morning.toml", 60, 90)], "longer than the surface interval"),
        ([("morning.toml", -5, 0)], "outside"),
        ([("plain.toml", 60, 0), ("morning.toml", 60, 0)], "names dives before it itself"),
        ([("broken.toml", 60, 0)], "broken.toml: [[levels]] 1, depth"),
    ],
)
def test_what_is_wrong_is_said(tmp_path, previous, said):
    written(tmp_path, "plain")
    written(tmp_path, "morning", [("plain.toml", 60, 0)])
    written(tmp_path, "broken", depth=-3)
    with pytest.raises(DiveFileError) as error:
        read_dive(written(tmp_path, "noon", previous))
    assert said in str(error.value)


def test_two_files_that_name_each_other(tmp_path):
    written(tmp_path, "morning", [("noon.toml", 60, 0)])
    with pytest.raises(DiveFileError, match="is this dive, or one after it"):
        read_dive(written(tmp_path, "noon", [("morning.toml", 60, 0)]))


def test_text_alone_cannot_name_other_files():
    given = {
        "units": "metric", "levels": [{"depth": 30, "leave_at": 20}], "cylinders": [AIR],
        "previous": [{"file": "morning.toml", "surface_interval": 60}],
    }  # fmt: skip
    with pytest.raises(DiveFileError, match="plan the file, not its text"):
        parse_dive(given)
