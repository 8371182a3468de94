"""Every way to get a profile of a Modbus instrument wrong that we know of: one line with file, key, what is wrong and, for a slip of the
pen, the nearest name.

Each case changes one place of a profile that loads, so that the message can only come from that place.
"""

from __future__ import annotations

import pytest

from loadlog.model.errors import ConfigError
from loadlog.profiles import load_profile
from tests.unit.profiles.broken import check, each_line_broken, message

PROFILE = """
name = "bench-load"
protocol = "modbus"
roles = ["load"]

[timing]
timeout_s = 0.2

[quirks]
holes = [{ first = 100, last = 109 }]

[[channel]]
name = "voltage_v"
address = 16
type = "u32"
scale = 0.001
possible = [-1.0, 300.0]

[[channel]]
name = "current_a"
address = 18
type = "f32"
resolution = 0.001

[[status]]
name = "input_on"
address = 20
bit = 0

[[status]]
name = "mode"
address = 21
values = { cc = 0, cv = 1 }

[identity.serial]
address = 2
type = "u32"

[writes.input_off]
function = 6
address = 64
value = 0

[writes.setpoint]
function = 16
address = 66
type = "f32"

[ratings]
voltage_v = 150.0
"""

CURRENT_F32 = 'name = "current_a"\naddress = 18\ntype = "f32"\nresolution = 0.001'
INPUT_ON = 'name = "input_on"\naddress = 20\nbit = 0'
MODE = 'name = "mode"\naddress = 21\nvalues = { cc = 0, cv = 1 }'
OFF = "function = 6\naddress = 64\nvalue = 0"
SET = 'function = 16\naddress = 66\ntype = "f32"'

CASES = [
    # the file
    ('name = "bench-load"', 'name = "bench load"', "p.toml: name: a name is of letters, digits, '.', '_' and '-', a letter or digit first"),
    ('name = "bench-load"\n', "", "p.toml: name: missing"),
    ('name = "bench-load"', 'name = "bench-load', "p.toml: not valid TOML: "),
    ("timeout_s = 0.2", f"timeout_s = {'9' * 5000}", "p.toml: not valid TOML: a number is too long"),
    ("timeout_s = 0.2", f"timeout_s = {'[' * 5000}", "p.toml: not valid TOML: "),
    ('protocol = "modbus"\n', "", "p.toml: protocol: missing; allowed: modbus, scpi"),
    ('"modbus"', '"modbuss"', "p.toml: protocol: 'modbuss' is unknown (nearest known: modbus); allowed: modbus, scpi"),
    ('"modbus"', "3", "p.toml: protocol: 3 is unknown; allowed: modbus, scpi"),
    ('roles = ["load"]', 'roles = ["laod"]', "p.toml: roles[1]: Input should be 'load', 'supply', 'meter' or 'thermometer', not 'laod'"),
    ('roles = ["load"]', "roles = []", "p.toml: roles: List should have at least 1 item"),
    ("[timing]", '"a\\nb" = 1\n[timing]', r"p.toml: 'a\nb': unknown key"),
    ("[timing]", "[timeing]", "p.toml: timeing: unknown key (nearest known: timing)"),
    # timing and quirks
    ("timeout_s = 0.2", "time_out_s = 0.2", "p.toml: timing.time_out_s: unknown key (nearest known: timeout_s)"),
    ("timeout_s = 0.2", 'timeout_s = "0.2"', "p.toml: timing.timeout_s: Input should be a valid number, not '0.2'"),
    (
        "timeout_s = 0.2",
        "timeout_s = 0.2\nlargest_block = 126",
        "p.toml: timing.largest_block: Input should be less than or equal to 125, not 126",
    ),
    ("timeout_s = 0.2", "timeout_s = 0.2\nprocessing_s = 0.3", "p.toml: timing: processing_s = 0.3 must be below timeout_s = 0.2"),
    ("last = 109", "last = 99", "p.toml: quirks.holes[1]: last = 99 is below first = 100"),
    ("last = 109", "lst = 109", "p.toml: quirks.holes[1].lst: unknown key (nearest known: last) (and 1 more)"),
    (
        "[quirks]",
        "[quirks]\nwrite_reply_words = -2",
        "p.toml: quirks.write_reply_words: Input should be greater than or equal to 0, not -2",
    ),
    ("[quirks]", "[quirks]\nregister_numbers_from = 2", "p.toml: quirks.register_numbers_from: Input should be 0 or 1, not 2"),
    ("[quirks]", '[quirks]\necho = "yes"', "p.toml: quirks.echo: Input should be a valid boolean, not 'yes'"),
    # channels
    ("scale = 0.001", "scal = 0.001", "p.toml: channel[voltage_v].scal: unknown key (nearest known: scale)"),
    ("scale = 0.001", "scale = 0", "p.toml: channel[voltage_v]: scale = 0 makes every reading the same"),
    ("scale = 0.001", "scale = nan", "p.toml: channel[voltage_v].scale: Input should be a finite number"),
    ("scale = 0.001", "scale = 0.001\nresolution = 0.0001", "p.toml: channel[voltage_v]: resolution = 0.0001 is finer than scale = 0.001"),
    ("address = 16\n", "", "p.toml: channel[voltage_v].address: missing"),
    ("address = 16\n", "address = 65536\n", "p.toml: channel[voltage_v].address = 65536: 2 registers reach beyond the last address 65535"),
    ("address = 16\n", "address = 65535\n", "p.toml: channel[voltage_v].address = 65535: 2 registers reach beyond the last address 65535"),
    ("address = 16\n", "address = -1\n", "p.toml: channel[voltage_v].address: Input should be greater than or equal to 0, not -1"),
    ("address = 16\n", "address = true\n", "p.toml: channel[voltage_v].address: Input should be a valid integer, not true"),
    ("address = 16\n", "address = 16.5\n", "p.toml: channel[voltage_v].address: Input should be a valid integer, not 16.5"),
    ("address = 16\n", "address = 16\nfunction = 6\n", "p.toml: channel[voltage_v].function: Input should be 1, 2, 3 or 4, not 6"),
    (
        "address = 16\n",
        "address = 16\nfunction = 2\n",
        "p.toml: channel[voltage_v]: function 2 reads single bits; type u32 stands in registers: function 3 or 4",
    ),
    ("address = 16\n", "address = 16\nwords = 1\n", "p.toml: channel[voltage_v]: words = 1, but type u32 takes 2 registers"),
    ('type = "u32"\nscale', 'type = "int32"\nscale', "p.toml: channel[voltage_v].type: Input should be 'u16', 's16', 'u32', 's32'"),
    ('type = "u32"\nscale', 'type = "bit"\nscale', "p.toml: channel[voltage_v]: a bit is a status: describe it under [[status]]"),
    ('type = "u32"\nscale', 'type = "string"\nscale', "p.toml: channel[voltage_v]: a string is no reading: describe it under [identity]"),
    (
        'type = "u32"\nscale',
        'type = "u16"\nword_order = "low-first"\nscale',
        "p.toml: channel[voltage_v]: word_order is for values of several registers; type u16 takes one (byte_order turns its bytes round)",
    ),
    (
        'type = "u32"\nscale',
        'type = "u32"\nword_order = "little"\nscale',
        "p.toml: channel[voltage_v].word_order: Input should be 'high-first' or 'low-first', not 'little'",
    ),
    (CURRENT_F32, CURRENT_F32.replace("\nresolution = 0.001", ""), "p.toml: channel[current_a]: type f32 needs resolution"),
    ('"current_a"', '"current"', "p.toml: channel[current].name: 'current' does not end in a unit; known endings: _v, _a, _w, _ohm"),
    ('"current_a"', '"curent_amp"', "_count (nearest known: current_a)"),
    ('"current_a"', '"Current_a"', "p.toml: channel[Current_a].name: 'Current_a' is no name: lower case letters"),
    ('"current_a"', '"current\\n_a"', r"p.toml: channel['current\n_a'].name: 'current\n_a' is no name"),
    ('"current_a"', '"mode"', "p.toml: channel[mode].name: 'mode' is a status: describe it under [[status]]"),
    ('"current_a"', '"voltage_v"', "p.toml: channel[voltage_v]: the name is given twice (first under [[channel]])"),
    ('"current_a"', '"amps_a"', "p.toml: roles: a load needs a [[channel]] named current_a"),
    ('["load"]', '["load", "thermometer"]', "p.toml: roles: a thermometer needs a [[channel]] in °C, named e.g. temperature_c"),
    (
        "possible = [-1.0, 300.0]",
        "possible = [300.0, -1.0]",
        "p.toml: channel[voltage_v]: possible = [300, -1]: the first must be below the second",
    ),
    ("possible = [-1.0, 300.0]", "possible = [300.0]", "p.toml: channel[voltage_v].possible: List should have at least 2 items"),
    (
        "possible = [-1.0, 300.0]",
        "possible = [-1.0, 300.0]\nrange = [0, 400]",
        "p.toml: channel[voltage_v]: range [0.0, 400.0] is not inside possible [-1.0, 300.0]",
    ),
    ("possible = [-1.0, 300.0]", "sentinels = [0x1_0000_0000]", "p.toml: channel[voltage_v].sentinels: 4294967296 does not fit type u32"),
    ("possible = [-1.0, 300.0]", "sentinels = [1.5]", "p.toml: channel[voltage_v].sentinels: 1.5 does not fit type u32"),
    ("possible = [-1.0, 300.0]", 'sentinels = ["none"]', "p.toml: channel[voltage_v]: sentinels: 'none' is not a number"),
    ("possible = [-1.0, 300.0]", "every = 0", "p.toml: channel[voltage_v].every: Input should be greater than or equal to 1, not 0"),
    (
        "possible = [-1.0, 300.0]",
        "accuracy = {}",
        "p.toml: channel[voltage_v].accuracy: give percent_of_reading, percent_of_range, counts or absolute",
    ),
    (
        "possible = [-1.0, 300.0]",
        "accuracy = { counts = inf }",
        "p.toml: channel[voltage_v].accuracy.counts: Input should be a finite number, not inf",
    ),
    (
        "possible = [-1.0, 300.0]",
        "accuracy = { percent_of_readin = 1 }",
        "p.toml: channel[voltage_v].accuracy.percent_of_readin: unknown key (nearest known: percent_of_reading)",
    ),
    (
        "possible = [-1.0, 300.0]",
        "accuracy = { percent_of_range = 1 }",
        "p.toml: channel[voltage_v]: accuracy.percent_of_range needs range",
    ),
    # places that contradict each other
    (
        "address = 18",
        "address = 17",
        "p.toml: channel[current_a]: holding register 0x0011..0x0012 overlaps channel[voltage_v] (holding register 0x0010..0x0011); "
        "an address or a type is wrong",
    ),
    (
        "address = 18",
        "address = 99",
        "p.toml: channel[current_a]: holding register 0x0063..0x0064 lies in quirks.holes (holding register 0x0064..0x006D)",
    ),
    ("address = 21", "address = 20", "p.toml: status[mode]: holding register 0x0014 overlaps status[input_on] (holding register 0x0014)"),
    ("address = 20\n", "address = 17\n", "p.toml: status[input_on]: holding register 0x0011 overlaps channel[voltage_v]"),
    ("timeout_s = 0.2", "largest_block = 1", "p.toml: channel[voltage_v]: 2 registers are more than timing.largest_block = 1"),
    (
        "[quirks]",
        "[quirks]\nregister_numbers_from = 1",
        "",  # loads: every number is above 0
    ),
    (
        "address = 2\n",
        "address = 0\n\n[quirks]\nregister_numbers_from = 1\n",
        "p.toml: not valid TOML: Cannot declare ('quirks',) twice",
    ),
    # status
    ("bit = 0", "bit = 16", "p.toml: status[input_on].bit: Input should be less than or equal to 15, not 16"),
    ("bit = 0", "", "p.toml: status[input_on]: say how the register is to be read: bit, or on and off, or values, or bits"),
    ("bit = 0", "bit = 0\non = 1\noff = 0", "p.toml: status[input_on]: bit and on and off contradict each other: give one"),
    ("bit = 0", "on = 1", "p.toml: status[input_on]: say how the register is to be read: bit, or on and off, or values, or bits"),
    ("bit = 0", "on = 1\noff = 1", "p.toml: status[input_on]: on and off are both 1"),
    ("bit = 0", "bit = 0\nfunction = 2", "p.toml: status[input_on]: function 2 reads single bits: bit, mask, on and off are for registers"),
    ("bit = 0", "bit = 0\nmask = 1", "p.toml: status[input_on]: mask is for values, or on and off; a bit is given by bit"),
    ("bit = 0", "values = { on = 1 }", "p.toml: status[input_on]: input_on is described by bit, or on and off, not by values"),
    ("values = { cc = 0, cv = 1 }", "values = { cc = 0, cv = 0 }", "p.toml: status[mode]: values: cc and cv both stand for 0"),
    ("values = { cc = 0, cv = 1 }", "values = { CC = 0 }", "(write 'cc')"),
    (
        "values = { cc = 0, cv = 1 }",
        "values = { ccc = 0 }",
        "p.toml: status[mode]: values: mode needs at least one of cc, cv, cp, cr (nearest known: cc)",
    ),
    ("values = { cc = 0, cv = 1 }", "values = {}", "p.toml: status[mode]: values is empty"),
    ("values = { cc = 0, cv = 1 }", 'values = { cc = "0" }', "p.toml: status[mode].values.cc: Input should be a valid integer, not '0'"),
    ("values = { cc = 0, cv = 1 }", "values = { cc = 70000 }", "p.toml: status[mode]: values.cc = 70000 is not in 0..65535"),
    (MODE, 'name = "mode"\naddress = 21\nbit = 0', "p.toml: status[mode]: mode is described by values, not by bit, or on and off"),
    (
        MODE,
        'name = "fan_v"\naddress = 21\nbit = 0',
        "p.toml: status[fan_v]: 'fan_v' ends in a unit or is a number: describe it under [[channel]]",
    ),
    (
        MODE,
        'name = "protection"\nbits = [{ name = "hot", bit = 1 }]',
        "p.toml: status[protection]: bits: hot: address is missing",
    ),
    (
        MODE,
        'name = "protection"\naddress = 21\nbits = [{ name = "hot", bit = 1 }, { name = "hot", bit = 2 }]',
        "p.toml: status[protection]: bits: 'hot' is given twice",
    ),
    (
        MODE,
        'name = "protection"\naddress = 21\nbits = [{ name = "hot", bit = 1 }, { name = "cold", bit = 1 }]',
        "p.toml: status[protection].bits[cold]: holding register 0x0015 overlaps status[protection].bits[hot]",
    ),
    (
        MODE,
        'name = "protection"\naddress = 21\nbits = [{ name = "hot" }]',
        "p.toml: status[protection]: bits: hot: a value of function 3 needs bit",
    ),
    (
        MODE,
        'name = "protection"\naddress = 21\nfunction = 2\nbits = [{ name = "hot", bit = 0 }]',
        "p.toml: status[protection]: bits: hot: a value of function 2 has no bit",
    ),
    # identity
    (
        'address = 2\ntype = "u32"',
        'address = 2\ntype = "string"',
        "p.toml: identity.serial: type string needs words, its length in registers",
    ),
    (
        'address = 2\ntype = "u32"',
        'address = 2\ntype = "u32"\nfunction = 1',
        "p.toml: identity.serial: function 1 reads single bits; use 3 or 4",
    ),
    (
        'address = 2\ntype = "u32"',
        'address = 2\ntype = "u32"\nexpct = "1"',
        "p.toml: identity.serial.expct: unknown key (nearest known: expect)",
    ),
    (
        'address = 2\ntype = "u32"',
        'address = 16\ntype = "u16"',
        "p.toml: identity.serial: holding register 0x0010 overlaps channel[voltage_v]",
    ),
    # writes
    (
        "[writes.input_off]",
        "[writes.input_of]",
        "p.toml: writes.input_of: unknown; allowed: input_off, input_on, setpoint (nearest known: input_off)",
    ),
    (OFF, OFF.replace("6", "3", 1), "p.toml: writes.input_off.function: Input should be 5, 6 or 16, not 3"),
    (OFF, OFF.replace("\nvalue = 0", ""), "p.toml: writes.input_off.value: missing; what is to be written?"),
    (OFF, OFF.replace("value = 0", "value = 70000"), "p.toml: writes.input_off.value: 70000 does not fit type u16"),
    (OFF, OFF.replace("value = 0", 'value = 0\nread_back = "inputon"'), "no channel or status 'inputon' (nearest known: input_on)"),
    (OFF, OFF.replace("value = 0", 'value = 0\nread_back = "mode"'), "p.toml: writes.input_off.read_back: mode cannot show it"),
    (OFF, OFF.replace("6", "5", 1).replace("value = 0", "value = 2"), "p.toml: writes.input_off: value = 2: a bit is 0 or 1"),
    (
        OFF,
        OFF + '\ntype = "bit"',
        "p.toml: writes.input_off: function 6 does not write type bit: 5 writes one bit, 6 one register, 16 several",
    ),
    (SET, SET.replace("16", "6", 1), "p.toml: writes.setpoint: function 6 writes one register; type f32 takes 2: use function 16"),
    (SET, SET + "\nvalue = 1", "p.toml: writes.setpoint.value: the set-point's value comes with the order"),
    (SET, SET + "\nrange = [5, 1]", "p.toml: writes.setpoint.range = [5, 1]: the first must be below the second"),
    (SET, SET.replace("66", "65535"), "p.toml: writes.setpoint.address = 65535: 2 registers reach beyond the last address 65535"),
    ("[writes.input_off]", '[writes."input\\noff"]', r"p.toml: writes.'input\noff': unknown; allowed: input_off, input_on, setpoint"),
    ("[identity.serial]", "[identity.Serial]", "p.toml: identity.Serial: 'Serial' is no name: lower case letters"),
    # ratings
    ("voltage_v = 150.0", "voltag_v = 150.0", "p.toml: ratings.voltag_v: there is no such channel (nearest known: voltage_v)"),
    ("voltage_v = 150.0", "voltage_v = nan", "p.toml: ratings.voltage_v: Input should be a finite number, not nan"),
    ("voltage_v = 150.0", "voltage_v = 500.0", "p.toml: ratings.voltage_v = 500 is not inside the channel's possible [-1.0, 300.0]"),
]


def test_the_unbroken_profile_loads() -> None:
    assert message(PROFILE) == ""


@pytest.mark.parametrize(("old", "new", "expected"), CASES)
def test_modbus_profile_error_names_file_key_and_cure(old: str, new: str, expected: str) -> None:
    check(PROFILE, old, new, expected)


def test_every_message_about_a_modbus_profile_is_one_line_whatever_the_text() -> None:
    each_line_broken(PROFILE)


def test_a_wrong_profile_is_a_configuration_error_for_the_exit_status() -> None:
    with pytest.raises(ConfigError) as caught:
        load_profile("", "p.toml")
    assert (caught.value.exit_status, caught.value.where) == (2, "p.toml")


def test_one_based_numbers_begin_at_one() -> None:
    text = PROFILE.replace("[quirks]", "[quirks]\nregister_numbers_from = 1").replace("address = 2\n", "address = 0\n")
    assert message(text) == "p.toml: identity.serial.address = 0, but quirks.register_numbers_from = 1: the first register is number 1"


def test_slow_channels_that_never_meet_are_refused() -> None:
    text = PROFILE
    for name, address, every in (("a_v", 30, 97), ("b_v", 31, 101), ("c_v", 32, 103)):
        text = text.replace(
            "[[status]]", f'[[channel]]\nname = "{name}"\naddress = {address}\ntype = "u16"\nevery = {every}\n\n[[status]]', 1
        )
    assert message(text) == (
        "p.toml: every: 1, 97, 101, 103 repeat only after 1009091 polls (at most 10000); use numbers that divide each other"
    )
