"""Parameters by name: one declaration, and what fits make of it."""

from __future__ import annotations

import ast
from typing import Generic, NamedTuple, TypeVar

import numpy as np
import pytest
from places import ROOT

from stillbox.analysis.enclosure.box_model import BoxModel
from stillbox.analysis.enclosure.box_numbers import InsideNumbers, LoadNumbers, PortNumbers
from stillbox.analysis.lumped.coil_models import CHAIN, COIL_MODELS, FREE, CoilModel
from stillbox.analysis.lumped.cone_resonances import ConeResonances
from stillbox.analysis.lumped.driver_model import CONE, ConeNumbers, FreeAirModel, FreeAirNumbers, cone_of
from stillbox.analysis.lumped.lumped_steps import JointPrior, Prior
from stillbox.analysis.lumped.parameters import Layout, Parameter, declared, number, usual

Each = TypeVar("Each")
PAIRS = ConeResonances(3_000.0, np.array([-100 + 2_000j, -300 + 6_000j]), np.array([2e4 + 1e3j, 5e5 - 3e4j]))


class Shelf(NamedTuple, Generic[Each]):
    ln_depth: Each = number("depth", "m")
    tilt: Each = number("tilt", "rad", usual=0.1, least=0.0, most=1.5)


LAYOUT = Layout.of(left=declared(Shelf, "left "), nothing=(), right=declared(Shelf))


def test_what_is_declared_stands_in_the_layout() -> None:
    assert LAYOUT.names == ("left ln_depth", "left tilt", "ln_depth", "tilt")
    assert LAYOUT.blocks == {"left": slice(0, 2), "nothing": slice(2, 2), "right": slice(2, 4)}
    assert LAYOUT.indices(["tilt", "left tilt"]) == [3, 1]
    assert [one.logarithmic for one in declared(Shelf)] == [True, False]
    assert np.isnan(usual(Shelf).ln_depth) and usual(Shelf).tilt == 0.1
    with pytest.raises(KeyError, match="width"):
        LAYOUT.index("width")


def test_numbers_are_changed_by_name_and_the_old_ones_stay() -> None:
    before = np.arange(4.0)
    assert LAYOUT.changed(before, tilt=9.0).tolist() == [0.0, 1.0, 2.0, 9.0]
    assert before.tolist() == [0.0, 1.0, 2.0, 3.0]
    least, most = LAYOUT.limits(ln_depth=(-1.0, 1.0))
    assert least.tolist() == [-np.inf, 0.0, -1.0, 0.0] and most.tolist() == [np.inf, 1.5, 1.0, 1.5]
    assert LAYOUT.limits()[0].tolist() == [-np.inf, 0.0, -np.inf, 0.0]


def test_priors_find_their_parameters_wherever_they_stand() -> None:
    joint = JointPrior.of([Prior("tilt", 0.3, 0.1), Prior("left ln_depth", -1.0, 2.0)])
    other = LAYOUT.with_other("ln_depth", Parameter("depth", "depth", "m"))
    for layout in (LAYOUT, other):
        assert joint.rest(layout, np.array([3.0, 0.0, 0.0, 0.2])) == pytest.approx([1.0, -2.0])
        assert joint.jacobian(layout, np.array([0, 3])) == pytest.approx(np.array([[0.0, 10.0], [0.5, 0.0]]))
    assert other.names[2] == "depth"


@pytest.mark.parametrize("coil", [*COIL_MODELS, CHAIN, FREE], ids=lambda model: model.name)
def test_each_parameter_of_a_model_has_one_name(coil: CoilModel) -> None:
    models = (FreeAirModel(coil, PAIRS), *(BoxModel(coil, PAIRS, vented, 200.0, 1) for vented in (False, True)))
    for model in models:
        layout = model.layout
        assert len(set(layout.names)) == len(layout.names)
        assert layout.blocks["coil"].stop - layout.blocks["coil"].start == coil.size
        assert layout.names[layout.blocks["changes"]] == tuple(one.name for one in PAIRS.parameters)
        x = np.arange(float(len(layout.names)))
        assert cone_of(x) == CONE and layout.names[: len(CONE)] == ConeNumbers._fields
        assert model.changes_of(x).tolist() == x[layout.blocks["changes"]].tolist()
    box = models[-1].read(x)
    for group, numbers in ((LoadNumbers, box.load), (InsideNumbers, box.inside), (PortNumbers, box.port)):
        assert numbers == tuple(models[-1].layout.indices(group._fields))
    assert models[0].layout.names[-2:] == FreeAirNumbers._fields
    assert not {*PortNumbers._fields} & {*models[1].layout.names}


def test_numbers_of_a_coil_say_how_a_fit_has_them() -> None:
    leach = next(coil for coil in COIL_MODELS if coil.source.startswith("Leach"))
    assert [(one.name, one.unit) for one in leach.parameters] == [("ln_coil K", "ohm s^n"), ("logit_coil n", "")]
    assert leach.values(np.array([np.log(2.0), 0.0]))[1] == 0.5
    assert not any(one.logarithmic for one in FREE.parameters)
    assert all(one.logarithmic and one.unit in ("H", "ohm") for one in CHAIN.parameters)


def test_what_a_box_is_for_a_start_lies_within_its_limits() -> None:
    for group in (LoadNumbers, InsideNumbers, PortNumbers, FreeAirNumbers):
        for one in declared(group):
            assert one.meaning and not (one.usual < one.least or one.usual > one.most), one.name


def test_no_number_is_known_by_its_place() -> None:
    """Such as ``LN_RE, LN_WS = range(2)``: a place at which another model has something else is read all the same."""
    counted = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for path in (ROOT / "analysis").rglob("*.py")
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Tuple) and isinstance(node.value, ast.Call)
        and ast.unparse(node.value.func) == "range"
    ]  # fmt: skip
    assert counted == []
