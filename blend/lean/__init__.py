"""Lean as measured: what tests say of lots, suppliers and batches, and the heat in a mix.

Statistics without a solver. Tables are handed in, results are plain frozen objects.

`blend.lean(case, tests, methods)` is the lean of today's lots.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from blend.lean.lots import LeanAnswer


class _CallablePackage(ModuleType):
    def __call__(self, *args: Any, **options: Any) -> LeanAnswer:
        from blend.lean.lots import lean

        return lean(*args, **options)


sys.modules[__name__].__class__ = _CallablePackage
