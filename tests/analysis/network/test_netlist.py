"""Netlists: what is read, what is written and read back, and what each fault is told as."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference.random_networks import random_network

from stillbox.analysis.network.netlist import MOST_ELEMENTS, netlist_text, network_from_text, read_netlist
from stillbox.analysis.network.network import DriverPlace, Network, Part
from stillbox.analysis.network.spice_number import is_spice_number, spice_number, spice_text
from stillbox.capture.errors import StillboxError

TWO_WAY = """Shelf speaker, stock
C1 in a 4.7u
L1 a 0 0.33mH
R1 a t 3.3
* the woofer's coil with its resistance
l2 IN w1 1.2m ; measured
RL2 w1 W 0.45
C2 w c2x 10uF
rc2 c2x gnd 0.1
XTWEETER t 0 DOME
Xwoofer 0 w CONE
.end
what follows is not read
"""


def test_all_that_a_netlist_may_hold() -> None:
    network = network_from_text(TWO_WAY, known_drivers=("woofer", "tweeter"))
    assert network == Network(
        "Shelf speaker, stock",
        (
            Part("C1", "capacitor", ("in", "a"), 4.7e-6),
            Part("L1", "coil", ("a", "0"), 0.33e-3),
            Part("R1", "resistor", ("a", "t"), 3.3),
            Part("l2", "coil", ("in", "w"), 1.2e-3, 0.45, "RL2", "w1"),
            Part("C2", "capacitor", ("w", "0"), 10e-6, 0.1, "rc2", "c2x"),
        ),
        (DriverPlace("tweeter", "t", "0", "DOME"), DriverPlace("woofer", "0", "w", "CONE")),
    )
    assert network.inner_nodes == ("a", "t", "w")
    assert dict(network.values()) == {
        "C1": 4.7e-6, "L1": 0.33e-3, "R1": 3.3, "l2": 1.2e-3, "l2.loss": 0.45, "C2": 10e-6, "C2.loss": 0.1,
    }  # fmt: skip
    assert network.part("L2").name == "l2"


def test_a_loss_may_lie_on_either_side() -> None:
    (coil,) = network_from_text("* t\nRL1 in x 0.5\nL1 x w 1m\nXwoofer w 0 W\n").parts
    assert coil == Part("L1", "coil", ("in", "w"), 1e-3, 0.5, "RL1", "x", True)


@pytest.mark.parametrize(
    ("lines", "why"),
    [
        ("L1 in a 1m\nRL1 a w 0.5\nC1 a 0 10u\nXwoofer w 0 W", "something else touches the node"),
        ("L1 in w 1m\nRL1 in w 50\nXwoofer w 0 W", "beside it"),
        ("RL1 0 w 50\nL1 in w 1m\nXwoofer w 0 W", "a driver touches the node"),
        ("L1 in 0 1m\nRL1 0 w 0.5\nXwoofer in w W", "the node is a terminal"),
    ],
)
def test_any_other_resistor_is_a_part(lines: str, why: str) -> None:
    network = network_from_text(f"* t\n{lines}\n")
    assert [part.kind for part in network.parts if part.name == "RL1"] == ["resistor"], why
    assert network.part("L1").loss_name == ""
    assert network.notes == ("RL1 is no loss of L1, as it is not in series with it alone: it is a part",)


def test_a_resistor_has_no_loss() -> None:
    network = network_from_text("* t\nR1 in a 5\nRR1 a w 0.5\nXwoofer w 0 W\n")
    assert [part.name for part in network.parts] == ["R1", "RR1"]


@pytest.mark.parametrize("seed", range(40))
def test_what_is_written_is_read_back_unchanged(seed: int) -> None:
    network = network_from_text(random_network(seed).netlist)
    written = netlist_text(network)
    assert network_from_text(written) == replace(network, notes=network_from_text(written).notes)
    assert netlist_text(network_from_text(written)) == written


@given(st.floats(min_value=1e-14, max_value=1e12), st.booleans())
def test_a_number_is_written_to_its_last_digit(number: float, large: bool) -> None:
    text = spice_text(number)
    assert spice_number(text.upper() if large else text) == number


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("4.7u", 4.7e-6), ("4.7U", 4.7e-6), ("4.7µF", 4.7e-6), ("4.7μ", 4.7e-6), ("1meg", 1e6), ("1MEGohm", 1e6),
        ("3M", 3e-3), ("2.2k", 2200.0), ("2.2kΩ", 2200.0), ("100n", 1e-7), ("22pF", 22e-12), ("1e-6", 1e-6),
        ("1.5e3k", 1.5e6), (".33m", 0.33e-3), ("8", 8.0), ("8ohm", 8.0), ("1T", 1e12), ("2g", 2e9), ("5F", 5e-15),
        ("0.33mH", 0.33e-3), ("10.", 10.0),
    ],
)  # fmt: skip
def test_numbers_of_spice(text: str, number: float) -> None:
    assert is_spice_number(text)
    assert spice_number(text) == number


def test_a_first_line_is_the_title_but_where_it_joins_nodes_of_others() -> None:
    body = "C1 in t 10u\nXtweeter t 0 T\n"
    for title in ("Low pass in the box", "Xover for two drivers", "C3 draft two", "* plain", ".title x"):
        network = network_from_text(f"{title}\n{body}")
        assert [part.name for part in network.parts] == ["C1"], title
    assert network_from_text(f"Xover for two drivers\n{body}").title == "Xover for two drivers"
    network = network_from_text(body)
    assert [part.name for part in network.parts] == ["C1"]
    assert "line 1 of netlist is read as C1" in network.notes[0]


def test_lines_that_go_on_and_comments() -> None:
    network = network_from_text(
        "* t\n\nC1 in\n+ t\n* between\n+ 10u ; its end\nXtweeter t 0 T // this\nR1 t 0 8 $ that\n.END\n"
    )
    assert network.part("C1").value == 10e-6 and network.part("R1").value == 8


def test_what_a_simulator_adds_is_left_out_and_said() -> None:
    network = network_from_text(
        "* t\nV1 in 0 ac 1\nC1 in t 10u\nXtweeter t 0 T\n.subckt T 1 2\nR1 1 2 8\n.ends\n.ac dec 10 20 20k\n"
        ".control\nrun\nplot v(t)\n.endc\n.end\n"
    )
    assert [part.name for part in network.parts] == ["C1"]
    assert network.notes == (
        "left out of netlist: .subckt, .ac, .control",
        "left out of netlist: V1, as the terminals are driven anyway",
    )


def test_a_capital_m_on_a_resistor_is_doubted() -> None:
    network = network_from_text("* t\nR1 in t 10M\nXtweeter t 0 T\n")
    assert network.part("R1").value == 0.01
    assert network.notes == ("R1 is 10 mohm: in a netlist M is a thousandth, and a million is meg",)


GOOD = "* t\nC1 in t 10u\nL1 t 0 0.5m\nXtweeter t 0 T\n"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("10u", "10", "x.cir, line 2: the value of C1 is out of reason: '10' is 10000000 µF; a capacitor has"),
        ("10u", "10F", "line 2: the value of C1 is out of reason: '10F' is 0.01 pF (behind a number f is a factor"),
        ("0.5m", "0.5", "line 3: the value of L1 is out of reason: '0.5' is 500 mH; a coil has 1 nH to 200 mH"),
        ("10u", "-10u", "line 2: the value of C1 is out of reason: '-10u' is not above 0"),
        ("10u", "0", "line 2: the value of C1 is out of reason: '0' is not above 0"),
        ("10u", "4,7u", "line 2: the value of C1: '4,7u' is not a number; write it with a point: 4.7u"),
        ("10u", "4u7", "line 2: the value of C1: '4u7' is not a number; write 4.7u"),
        ("10u", "ten", "line 2: the value of C1: 'ten' is not a number; write one such as 4.7u"),
        ("10u", "3mil", "line 2: the value of C1: '3mil' ends in mil, which SPICE takes for 25.4e-6"),
        ("10u", "10 uF", "line 2: 'uF' after the value of C1 is not read; write C1 NODE NODE VALUE, number and prefix"),
        ("10u", "10u tol=5", "line 2: 'tol=5' after the value of C1 is not read"),
        ("C1 in t 10u", "C1 in t", "line 2: C1 has 2 words behind it instead of 3; write C1 NODE NODE VALUE"),
        ("Xtweeter t 0 T", "Xtweeter t 0", "line 4: Xtweeter has 2 words behind it instead of 3; write Xtweeter NODE"),
        ("Xtweeter", "Xtwet", "line 4: there is no driver 'twet'; the drivers are: tweeter, woofer"),
        ("L1 t", "L1 q", "line 3: node q of L1 floats: it joins nothing else"),
        ("L1 t 0 0.5m", "L1 a b 1m\nC5 a b 1u", "line 3: node a of L1 floats: it has no way to the terminals"),
        ("L1 t 0 0.5m", "L1 t b 1m\nC5 t b 1u", "line 3: L1 has no path: no current from in to 0 can pass it"),
        ("L1 t 0 0.5m", "L1 0 b 1m\nC5 0 b 1u", "line 3: L1 has no path"),
        ("L1 t 0", "L1 t t", "line 3: both ends of L1 are at node t"),
        ("L1 t 0", "c1 t 0", "line 3: c1 is there twice, first in line 2"),
        ("L1 t 0 0.5m", "Xwoofer t 0 W\nxWOOFER t 0 W", "line 4: xWOOFER is there twice, first in line 3"),
        ("Xtweeter", "Xl1", "line 4: 'l1' names a part and a driver"),
        ("L1 t 0", "D1 t 0", "line 3: 'D1' is no part that a network is made of"),
        ("L1 t 0", "V1 t 0", "line 3: 'V1' is no part that a network is made of"),
        ("L1 t 0", "L t 0", "line 3: 'L' is no name"),
        ("L1 t 0", "L1.loss t 0", "line 3: 'L1.loss' is no name"),
        ("L1 t 0", "L1 (t 0)", "line 3: '(t' is no name of a node"),
        ("L1 t 0", ".include parts.lib\nL1 t 0", "line 3: '.include' changes what a network is"),
        ("L1 t 0", ".subckt T 1 2\nL1 t 0", "x.cir: .ends is missing"),
        ("in", "input", "x.cir: nothing is joined to node in"),
        (" 0 ", " minus ", "x.cir: nothing is joined to node 0"),
        (GOOD[4:], "", "x.cir holds no part and no driver"),
        (GOOD, "", "x.cir holds no part and no driver"),
        ("L1 t 0 0.5m", "\n".join(f"R{n} t 0 8" for n in range(MOST_ELEMENTS)), "a network has 200 at most"),
    ],
)
def test_every_fault_has_its_place_and_remedy(old: str, new: str, said: str) -> None:
    assert old in GOOD
    with pytest.raises(StillboxError) as raised:
        network_from_text(GOOD.replace(old, new), "x.cir", ("tweeter", "woofer"))
    assert said in str(raised.value)
    assert raised.value.remedy


def test_a_file_is_read_and_a_wrong_one_told(tmp_path: Path) -> None:
    path = tmp_path / "net.cir"
    path.write_text(GOOD, encoding="utf-8")
    assert network_from_text(read_netlist(path)).title == "t"
    for wrong in (tmp_path, tmp_path / "none.cir"):
        with pytest.raises(StillboxError, match="cannot be read"):
            read_netlist(wrong)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(StillboxError, match=r"net\.cir cannot be read: it is not saved as UTF-8"):
        read_netlist(path)


words = st.sampled_from(
    ["R1", "C1", "L1", "RL1", "Xtweeter", "in", "0", "t", "a", "10u", "1m", "8", ".end", "+", "*", ";", "$", "\n", " ",
     ".subckt", ".ends", "V1", "=", "1e999", "µ", "\x00", "9" * 60, "(", "gnd"]
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.lists(words | st.text(max_size=4), max_size=40).map(" ".join))
def test_any_text_is_read_or_told(text: str) -> None:
    """Whatever is read can be written and read again; all else is one sentence with a remedy."""
    try:
        network = network_from_text(text)
    except StillboxError as error:
        assert error.remedy and "\n" not in str(error)
        return
    again = network_from_text(netlist_text(network))
    assert (again.parts, again.drivers) == (network.parts, network.drivers)
