"""The known answers: worked out anew by the independent planner, and missed by an engine that has gone wrong."""

import numpy as np
import pytest

from leadline import parse_dive, plan_dive
from leadline.cli import main, output
from leadline.tissue import coefficients, known_answer
from leadline.tissue.fault import EngineFault
from leadline.tissue.kernel import Compartments
from leadline.tissue.known_answer import LOOP, OPEN_CIRCUIT, prove
from tests.dives import tables
from tests.reference_model import Loop, Reference


@pytest.mark.parametrize(
    ("known", "reference"),
    [
        (OPEN_CIRCUIT, Reference([(60, 25, "18/45")], ("50", "oxygen"))),
        (LOOP, Reference([(60, 25, "18/45")], (), Loop("18/45", 1.3))),
    ],
)
def test_the_known_answers_are_the_independent_planners(known, reference):
    swum = reference.swim()
    assert list(known.stops) == [(depth, leave) for depth, _, leave in swum.stops]
    assert known.run_time_min == pytest.approx(swum.run_time, abs=1e-9)
    assert known.tension_bar == pytest.approx((swum.n2[4], swum.he[4]), abs=1e-7)


def test_a_sound_engine_is_proved():
    prove()


def test_a_changed_coefficient_is_found(monkeypatch):
    changed = (*coefficients.N2_B[:-1], coefficients.N2_B[-1] + 1e-4)
    monkeypatch.setattr(coefficients, "N2_B", changed)
    with pytest.raises(EngineFault, match="coefficients are not those that were checked"):
        prove()


@pytest.mark.parametrize("field", Compartments._fields)
def test_a_compartment_that_has_gone_wrong_is_found(field, monkeypatch):
    sound = known_answer.compartments("ZH-L16C")
    monkeypatch.setattr(known_answer, "compartments", lambda _: sound._replace(**{field: getattr(sound, field) * 1.03}))
    with pytest.raises(EngineFault, match=r"is right|are right|is not what is right"):
        prove()


def test_a_kernel_that_has_gone_wrong_plans_nothing(monkeypatch):
    """A kernel that leaves the tissues as they were: every stop would be missing."""
    simulate = known_answer.kernel.simulate
    monkeypatch.setattr(known_answer.kernel, "simulate", lambda tissue, *rest: simulate(np.zeros_like(tissue), *rest))
    with pytest.raises(EngineFault, match="gone wrong on this machine"):
        plan_dive(parse_dive(tables(30, 20)))


def test_the_command_says_so_and_prints_no_plan(monkeypatch, capsys):
    monkeypatch.setattr(known_answer, "COEFFICIENTS_SHA256", "0" * 64)
    monkeypatch.setattr("sys.argv", ["leadline", "plan", "examples/marigold-trimix.toml"])
    with pytest.raises(SystemExit) as ended:
        main.run()
    told = capsys.readouterr()
    assert ended.value.code == output.ENGINE_FAULT
    assert "the planning engine has gone wrong on this machine" in told.err
    assert told.out == ""
