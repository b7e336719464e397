"""The optimization core: domain objects in, domain objects and plain numbers out.

Sparse arrays and solver handles never leave this package. `blend.model(case)` is the model of a
case as a PuLP problem.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.domain.case import Case
    from blend.model.pulp_model import BlendProblem


class _CallablePackage(ModuleType):
    def __call__(self, case: Case) -> BlendProblem:
        from blend.model.pulp_model import pulp_problem

        return pulp_problem(case)


sys.modules[__name__].__class__ = _CallablePackage
