"""A control whose onset angles turn back as feedback grows: the virtual bench's truth, which the fit's network did not make."""

from __future__ import annotations

import fit_cases as cases
import numpy as np
import pytest
import rewinding

from bench.fit.fitting import fit_parts


def test_of_two_values_that_come_near_the_angles_the_right_one_is_found() -> None:
    # A shunt of a few hundred ohms: five times the plan's gm·M comes nearer to coil A's angles than any value about the true one,
    # until the set's other unknowns move too.
    case = rewinding.random_case(115)
    plan = case.plan(case.turns)
    assert plan.receiver.control.kind == "shunt"
    made = cases.virtual_session(plan, case.seed, repeats=2, hidden=case.hidden(plan))
    found = fit_parts(plan, made.frames)
    assert found.coupling is not None
    assert not found.coupling.left_out.any()
    assert found.coupling.scale < 1.5
    for one, true in zip(found.coils, made.truth["coils"], strict=True):
        assert one.place is not None
        value, u = found.coupling.log_gm_m(one.place)
        assert u < 0.1
        assert abs(value - np.log(true["gm_m_sh"])) < 3.0 * u
        mine = found.coupling.model.coil == one.place
        angles = [at["onset_deg"] for at in true["onset"]]
        assert found.coupling.fitted_deg[mine] == pytest.approx(angles, abs=3.0)
