"""Numbers that cannot be, at every option of the commands that show results: one sentence each, never a traceback."""

from __future__ import annotations

import pytest
from invoked import one_line, run
from made_once import demonstration

from stillbox.capture.build.build_folder import BuildFolder

VALUES = ("1e-320", "1e320", "nan", "inf", "-inf", "-1e308", "1e308", "-1", "8 ohm", "")
COMMANDS = {
    ("bass",): ("--volume-percent", "--port-diameter", "--port-length", "--volts", "--gate"),
    ("driver",): ("--re-ohms", "--gate"),
    ("driver", "--re-ohms", "5.6"): ("--re-tolerance",),
    ("findings",): ("--gate",),
    ("compare", "stock", "lined"): ("--gate",),
    ("decay", "in-box/stock"): ("--gate",),
    ("box",): ("--gate",),
}


@pytest.fixture(scope="module")
def build(tmp_path_factory: pytest.TempPathFactory) -> BuildFolder:
    """The demonstration's."""
    return demonstration(tmp_path_factory.mktemp("demo") / "build")


@pytest.mark.parametrize(
    ("command", "option"), [(command, option) for command, options in COMMANDS.items() for option in options]
)
@pytest.mark.filterwarnings("error")
def test_a_number_that_cannot_be(build: BuildFolder, command: tuple[str, ...], option: str) -> None:
    name, *rest = command
    before = sorted(path.name for path in build.path.rglob("*"))
    for value in VALUES:
        if (option, value) == ("--re-tolerance", "1e-320"):
            continue  # as good as 0, which may be
        status, out, err = run(name, build.path, *rest, f"{option}={value}")
        assert (status, out) == (2, ""), value
        assert any(part in one_line(err) for part in (";", f"Invalid value for '{option}'")), value
    assert sorted(path.name for path in build.path.rglob("*")) == before


def test_a_tolerance_of_no_reading_is_refused(build: BuildFolder) -> None:
    status, _, err = run("driver", build.path, "--re-tolerance", "1")
    assert status == 2
    assert "give that too, as --re-ohms" in one_line(err)
