"""What `import blend` offers: one function a question, each documented, imported when used."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

import blend

DEMO = Path(blend.__file__).parent.parent / "demo_data"


@pytest.mark.parametrize("name", blend.__all__)
def test_every_public_name_is_there_and_documented(name):
    assert getattr(blend, name).__doc__


def test_nothing_else_is_public():
    with pytest.raises(AttributeError, match="planned"):
        blend.planned  # noqa: B018
    assert set(blend.__all__) <= set(dir(blend))


def test_importing_blend_imports_nothing_heavy():
    heavy = ("pandas", "pulp", "numpy", "highspy")
    code = f"import sys, blend; print([n for n in {heavy} if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.fixture(name="case", scope="module")
def demo_case():
    with pytest.warns(UserWarning, match="CFR"):
        return blend.read(DEMO)


def test_a_constraint_of_your_own_is_obeyed_and_priced(case):
    """Five lines of a notebook: cap an imported lot in one product, see what the cap costs."""
    case = replace(case, settings=replace(case.settings, gap_share=0.01))
    model = blend.model(case)
    cap = model.use["I95-1", "GB90"] <= 1_000
    plan = blend.plan(case, extra={"bull 95s in 90/10": cap})
    used = plan.recipes.query("product_id == 'GB90' and lot_id == 'I95-1'")
    assert used.run_lb.sum() <= 1_000
    priced = plan.limits[plan.limits.limit.str.contains("bull 95s in 90/10")]
    assert priced.loosening_saves_usd.max() > 0


def test_every_module_can_be_imported_together():
    """One name has one format in the whole project; a second one would fail here."""
    root = Path(blend.__file__).parent
    names = [
        ".".join(("blend", *path.relative_to(root).with_suffix("").parts))
        for path in root.rglob("*.py")
        if path.name != "__init__.py"
    ]
    code = "import importlib\n" + "\n".join(f"importlib.import_module({n!r})" for n in names)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-500:]
