"""Kinds of rule: one file each, with its columns, rows, check and words.

To add one, copy the file nearest to it and change it; nothing else has to know.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Mapping
from functools import cache
from importlib import import_module

from blend.model.rules.definition import Limit, RuleDefinition


@cache
def definitions() -> Mapping[str, RuleDefinition]:
    """Every kind of rule by name, as found in this package."""
    modules = [
        import_module(f"{__name__}.{found.name}") for found in pkgutil.iter_modules(__path__)
    ]
    found = [module.RULE for module in modules if hasattr(module, "RULE")]
    return {rule.name: rule for rule in found}


def definition_of(kind: str) -> RuleDefinition:
    return definitions()[kind]


@cache
def _limits() -> Mapping[str, Limit]:
    return {
        limit.constraint_class: limit
        for definition in definitions().values()
        for limit in definition.limits
    }


def limit_of(constraint_class: str) -> Limit | None:
    """The limit of a rule that a constraint class names; None for a built-in constraint."""
    return _limits().get(constraint_class)


def forget() -> None:
    """Look for kinds of rule again: after the package's path was changed."""
    definitions.cache_clear()
    _limits.cache_clear()


__all__ = ["Limit", "RuleDefinition", "definition_of", "definitions", "forget", "limit_of"]
