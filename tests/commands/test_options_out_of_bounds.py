"""Numbers that cannot be, at every option of the commands that show results: one sentence each, never a traceback."""

from __future__ import annotations

import re

import pytest
from invoked import one_line, run
from made_once import demonstration

from stillbox.capture.build.build_folder import BuildFolder
from stillbox.commands import front_door
from stillbox.commands.wrong_use import number_options

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
        assert ";" in one_line(err) and "nvalid value" not in err, value
    assert sorted(path.name for path in build.path.rglob("*")) == before


def test_a_tolerance_of_no_reading_is_refused(build: BuildFolder) -> None:
    status, _, err = run("driver", build.path, "--re-tolerance", "1")
    assert status == 2
    assert "give that too, as --re-ohms" in one_line(err)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("curve", "1", "--gate", "half"), "a number; give a number, as in --gate 0.5 (S: Keep the response"),
        (("curve", "1", "--points", "many"), "a whole number; give a whole number, as in --points 96"),
        (("curve", "1", "--points", "12.5"), "a whole number; give it without a fraction, as in --points 12"),
        (("driver", "--re-ohms", "5,6"), "a number; write it with a point: --re-ohms 5.6"),
        (("driver", "--re-ohms=5.6 ohm"), "a number; give the number alone, as in --re-ohms 5.6"),
        (("bass", "--volts", "loud"), "a number; give a number, as in --volts 2.83"),
        (("takes", "--rename", "x", "lined"), "a whole number; give a whole number, as in --rename 3"),
        (("takes", "--set-aside", "1", "--set-aside", "one"), "a whole number; give a whole number"),
        (("record", "--subject", "load", "--level", "low"), "a number; give a number, as in --level -20"),
    ],
)
def test_what_is_no_number_is_told_in_our_words(build: BuildFolder, arguments: tuple[str, ...], said: str) -> None:
    command, *rest = arguments
    status, out, err = run(command, build.path, *rest)
    assert (status, out) == (2, "")
    option, value = re.findall(r"(--\S+?)[= ]([^-]+)", " ".join(rest))[-1]
    assert f"{option} '{value.removesuffix(' lined')}' is not {said}" in one_line(err)


def test_every_option_that_is_a_number_has_an_example_that_is_one() -> None:
    options = [option for command in front_door.COMMANDS.values() for option in number_options(command)]
    assert len(options) > 35
    for option in options:
        assert option.fault(option.example) == "" and option.fault("x") != "", option
