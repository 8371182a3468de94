"""Line protocol, read back by an independent parser (line-protocol-parser, a binding of a C library of its own).

Escapes and what is refused: InfluxData, "Line protocol reference", sections "Special characters" and "Data types and format".
"""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from line_protocol_parser import LineFormatError, parse_line

from loadlog.forwarder import naming
from loadlog.forwarder.lines import SampleLines, event_line, health_lines
from loadlog.forwarder.stamps import Stamps
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.errors import ConfigError
from loadlog.model.event import EventState
from loadlog.model.quantity import Scale
from loadlog.model.sample import Quality
from loadlog.store.rows import Layout
from tests.unit.forwarder.rows import LAYOUTS, stored
from tests.unit.store.recorded import SPECS, T0, event, failed, sample


def lines() -> SampleLines:
    return SampleLines("north-wall", Stamps("ns"))


def test_a_sample_has_the_published_form() -> None:
    line = lines().line(stored(sample(3, counts={"voltage_v": 24012, "current_a": 50010, "input_on": 1, "mode": 1})))
    assert line == (
        "load,bench=north-wall,device=load-1,role=load,run=soak-0001 "
        f"voltage_v=24.012,current_a=5.001,input_on=1.0,mode=1.0,quality=0i {T0 + 300_000_000}"
    )


def test_the_same_row_gives_the_same_line_again() -> None:
    row = stored(sample(3))
    assert lines().line(row) == lines().line(row)


def test_between_runs_the_run_is_none_and_no_tag_is_empty() -> None:
    assert parse_line(lines().line(stored(sample(1), run=None)))["tags"] == {
        "bench": "north-wall", "device": "load-1", "role": "load", "run": "none",
    }  # fmt: skip


def test_only_what_was_read_in_this_poll_is_sent() -> None:
    """Held channels belong to an earlier poll; a sentinel and a channel that could not be decoded are no numbers."""
    read = {"voltage_v": -32768, "current_a": 50000, "energy_wh": None}
    fields = parse_line(lines().line(stored(sample(1, counts=read, held={"temperature_c": 650}))))["fields"]
    assert fields == {"current_a": 5.0, "quality": 0}


def test_a_bad_value_is_sent_and_marked() -> None:
    bad = sample(1, uncertain={"voltage_v": "implausible"}, bad=frozenset({"voltage_v"}), quality=Quality.BAD)
    fields = parse_line(lines().line(stored(bad)))["fields"]
    assert fields["voltage_v"] == 24.001
    assert fields["quality"] == 2


def test_a_failed_poll_is_a_point_of_its_own() -> None:
    assert parse_line(lines().line(stored(failed(7))))["fields"] == {"quality": 2}


@settings(deadline=None)
@given(st.lists(st.integers(-(2**70), 2**70), min_size=1, max_size=8), st.sampled_from(["0.001", "0.0001", "1", "0.1", "3.7e-5"]))
def test_every_number_reads_back_as_the_same_double(counts: list[int], scale: str) -> None:
    channels = tuple(ChannelSpec(f"x{i}_v", "V", "number", Scale.of(scale), 0.1) for i in range(len(counts)))
    layout = Layout(DeviceSpec("d", "meter", "rack", 0.1, channels))
    given_sample = sample(
        1, "d", counts={c.name: n for c, n in zip(channels, counts, strict=True)}, device_spec=layout.spec
    )  # fmt: skip
    maker = lines()
    for _ in range(2):  # the second time from the texts that are kept
        fields = parse_line(maker.line(stored(given_sample, layout=layout)))["fields"]
        assert {name: fields[name] for name in given_sample.values} == given_sample.values
        assert all(isinstance(fields[name], float) for name in given_sample.values)


def test_more_texts_than_are_kept_change_nothing() -> None:
    maker, layout = lines(), LAYOUTS["load-1"]
    for seq in range(5000):
        fields = parse_line(maker.line(stored(sample(seq, counts={"voltage_v": seq}), layout=layout)))["fields"]
        assert fields["voltage_v"] == seq / 1000


AWKWARD = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=12).filter(lambda t: not naming.why_not(t))


@settings(deadline=None)
@given(AWKWARD, AWKWARD, st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\x00"), max_size=40))
def test_names_and_texts_of_every_kind_survive(bench: str, device: str, message: str) -> None:
    if "\\" in bench + device:
        return  # the parser gives them back escaped; names with backslashes are refused by the configuration anyhow
    one = dataclasses.replace(event(17, 5), device=device, message=message)
    read = parse_line(event_line(bench, one, "ns"))
    assert read["tags"] == {"bench": bench, "device": device, "kind": "limit", "severity": "alarm"}
    assert read["fields"]["text"] == message.replace("\n", " ").replace("\r", " ")


@pytest.mark.parametrize(
    "wrong",
    ["m v=nan", "m v=inf", "m,t= v=1", "m v=9223372036854775808i", "m ", "m 1", "m,t=a\\ v=1.0"],
    ids=["NaN", "infinity", "empty tag", "integer too large", "no field", "no field, stamp", "tag ends in a backslash"],
)
def test_the_parser_refuses_what_line_protocol_cannot_carry(wrong: str) -> None:
    """So that the tests above could fail."""
    with pytest.raises(LineFormatError):
        parse_line(wrong)


@pytest.mark.parametrize(
    ("bench", "spec", "said"),
    [
        ("a\\", SPECS["case"], "bench.name: 'a\\\\' ends in a backslash"),
        ("a\nb", SPECS["case"], "bench.name: 'a\\nb' holds a line break"),
        ("", SPECS["case"], "bench.name: '' is empty"),
        ("b", dataclasses.replace(SPECS["case"], name="x\\"), "device[x\\].name: 'x\\\\' ends in a backslash"),
        ("b", dataclasses.replace(SPECS["case"], bus=""), "device[case].bus: '' is empty"),
        *[
            (
                "b",
                dataclasses.replace(SPECS["case"], channels=(ChannelSpec(name, "V", "number", Scale(1, 1), 1.0),)),
                f"device[case]: channel {name!r} of its profile {why}",
            )
            for name, why in (("time", "is a name"), ("run", "is a name"), ("quality", "is a name"), ("_v", "begins with an underscore"))
        ],
    ],
)
def test_names_that_cannot_be_carried_are_refused_with_their_place(bench: str, spec: DeviceSpec, said: str) -> None:
    with pytest.raises(ConfigError) as caught:
        naming.check_names(bench, [spec], "bench.toml")
    assert str(caught.value).startswith("bench.toml: " + said)


def test_an_event_has_the_published_form() -> None:
    line = event_line("north-wall", event(17, 5, message='voltage "low"'), "ns")
    assert line == (
        "bench_event,bench=north-wall,device=load-1,kind=limit,severity=alarm "
        f'id=17i,state="active",confidence=0.98,acknowledged=0i,text="voltage \\"low\\"" {T0 + 500_000_017}'
    )


def test_a_cleared_event_lies_where_it_was_cleared_and_a_later_state_takes_the_place_of_an_earlier_one() -> None:
    active, again = event(17, 5), dataclasses.replace(event(17, 5), seq=9, acknowledged=True)
    cleared = dataclasses.replace(active, seq=12, state=EventState.CLEARED, cleared_utc_ns=T0 + 7_000_000_000)
    read = [parse_line(event_line("b", one, "ns")) for one in (active, again, cleared)]
    stamp = [one["time"] for one in read]
    assert stamp[0] == stamp[1]
    assert [one["fields"]["acknowledged"] for one in read] == [0, 1, 0]
    assert set(read[0]["fields"]) == set(naming.EVENT_FIELDS)
    assert stamp[2] == T0 + 7_000_000_017


@pytest.mark.parametrize("mode", ["ns", "ms"])
def test_two_events_of_one_sample_are_two_points(mode: str) -> None:
    kept = {"ns": 1, "ms": 1_000_000}[mode]
    stamps = {parse_line(event_line("b", event(id_, 5), mode))["time"] // kept for id_ in range(1, 90)}
    assert len(stamps) == 89


def test_a_heartbeat_has_the_published_form() -> None:
    bus = {"lateness": {"p99_s": 0.0012}, "polls": 5, "failures": {"timeout": 2, "crc": 1, "short_reply": 4}}
    assert health_lines("b", {"rack 1": bus}, 17, T0) == [
        f"bench_health,bench=b,bus=rack\\ 1 lateness_s=0.0012,polls=5i,timeouts=2i,crc_errors=1i,backlog=17i {T0}"
    ]
    assert set(parse_line(health_lines("b", {"x": bus}, 0, T0)[0])["fields"]) == set(naming.HEALTH_FIELDS)


def test_an_acknowledgement_says_who_when_and_what_was_noted() -> None:
    """Further fields, so that whoever reads the published ones reads them as before; an event that nobody acknowledged has none of them."""
    seen = {"acknowledged_by": "Ida", "note": 'lead "A"\nchanged', "evidence": {"acknowledged_at": "2027-01-15T08:00:00.000Z"}}
    one = dataclasses.replace(event(17, 5), acknowledged=True, **seen)
    fields = parse_line(event_line("b", one, "ns"))["fields"]
    assert set(fields) == {*naming.EVENT_FIELDS, *naming.ACKNOWLEDGEMENT_FIELDS}
    said = [fields[name] for name in naming.ACKNOWLEDGEMENT_FIELDS]
    assert said == ["Ida", "2027-01-15T08:00:00.000Z", 'lead "A" changed']
    silent = dataclasses.replace(event(17, 5), acknowledged=True)
    assert set(parse_line(event_line("b", silent, "ns"))["fields"]) == set(naming.EVENT_FIELDS)
