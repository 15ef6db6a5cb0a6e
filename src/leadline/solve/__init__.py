"""From limits back to the dive: the longest bottom time, the deepest depth, the best mix and deco gases, the smallest
cylinders, the least gas in any of these, the shortest surface interval, at which the plan and every contingency hold.

Nothing is worked out backwards: dives are tried, each planned whole, and the answer is one that holds while the next
does not. Every solver can be stopped with KeyboardInterrupt and then gives what is known so far, marked incomplete.
"""

from leadline.solve.bottom import Bottoms, Reach, deepest, longest
from leadline.solve.cylinders import CylindersAnswer, smallest_cylinders
from leadline.solve.data import Answer, answer_as_data
from leadline.solve.deco import DecoAnswer, best_deco
from leadline.solve.frontier import Frontier, limits_frontier
from leadline.solve.gas import GasAnswer, least_gas
from leadline.solve.interval import IntervalAnswer, shortest_interval
from leadline.solve.mix import MixAnswer, best_mix, free_mix
from leadline.solve.sought import SOUGHT, Sought, solve_for
from leadline.solve.verdict import BrokenLimit, Verdict, judge_dive

__all__ = [
    "SOUGHT",
    "Answer",
    "Bottoms",
    "BrokenLimit",
    "CylindersAnswer",
    "DecoAnswer",
    "Frontier",
    "GasAnswer",
    "IntervalAnswer",
    "MixAnswer",
    "Reach",
    "Sought",
    "Verdict",
    "answer_as_data",
    "best_deco",
    "best_mix",
    "deepest",
    "free_mix",
    "judge_dive",
    "least_gas",
    "limits_frontier",
    "longest",
    "shortest_interval",
    "smallest_cylinders",
    "solve_for",
]
