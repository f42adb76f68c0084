"""The numerical libraries are an extra: nothing loads them before a call needs one, and without them it says so."""

import subprocess
import sys
from pathlib import Path

import pytest

import service_api.calc
from service_api.calc.extra import NeedsExtra, library

MODULES = sorted(f.stem for f in Path(service_api.calc.__file__).parent.glob("*.py") if f.stem != "__init__")
HIDDEN = "import sys; sys.modules['numpy'] = sys.modules['scipy'] = None\n"  # an import of None is not found


def run(program: str) -> str:
    done = subprocess.run([sys.executable, "-W", "error", "-c", program], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_no_module_of_calc_loads_a_numerical_library():
    everything = "\n".join(f"import service_api.calc.{module}" for module in MODULES)
    assert "[]" == run(f"{everything}\nimport sys\nprint([m for m in ('numpy', 'scipy') if m in sys.modules])")


def test_without_the_extra_line_fits_shares_and_decisions_still_work():
    program = """
from decimal import Decimal as D
from service_api.calc import curves, lines, proportions, risk, theil_sen, uncertainty
line = lines.fit_line([0, 100, 200], [0.05, 0.08, 0.10])
lines.inverse_interval(line, 0.2, 0.9)
proportions.wilson(23, 37)
theil_sen.theil_sen([0, 1, 2], [0, 1, 3])
curves.fit_polynomial([0, 1, 2], [0, 1, 4], 2)
risk.conformance(0.1, 0.01, upper=0.2)
risk.decide([D("0.18")], D("0.01"), D(2), D(1), None, D("0.20"))
uncertainty.budget([uncertainty.Component(1, 0.1, 5)]).coverage(0.95)
print("worked")
"""
    assert "worked" == run(HIDDEN + program)


def test_without_the_extra_the_rest_says_what_it_needs():
    program = """
from service_api.calc import life, recurrence, replacement, stock
from service_api.calc.extra import NeedsExtra
for ask in (
    lambda: life.fit_weibull([100, 200]),
    lambda: life.mean_time(100, 1),
    lambda: recurrence.trend_tests([1, 2, 3], 4),
    lambda: replacement.age_replacement(1, 5, life.Weibull(2, 100)),
    lambda: stock.least_stock(2, 0.9),
):
    try:
        print(ask())
    except NeedsExtra as missing:
        assert "fettlebook[numbers]" in str(missing)
"""
    assert "" == run(HIDDEN + program)


def test_a_fault_inside_a_library_is_not_taken_for_its_absence():
    assert library("scipy.special").erf(0) == 0
    with pytest.raises(NeedsExtra):
        library("scipy.no_such_module")
