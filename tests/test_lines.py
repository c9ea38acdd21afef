"""Device lines: what is a reading is read, what is not is counted."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.lines import LONGEST_LINE, LineParser, parse_columns, split_unit, with_checksum

HEADER = b"\n#farend columns=t_us,a0,a1 rate=250 unit=counts\n"


def _fed(data: bytes, **options: object) -> tuple[LineParser, list[list[float]]]:
    parser = LineParser(**options)  # type: ignore[arg-type]
    return parser, parser.feed(data).values.tolist()


def test_the_contract_s_example_is_understood() -> None:
    parser = LineParser()
    rows = parser.feed(HEADER + b"1000,512,498\n5000,511,497\n")
    assert parser.layout is not None
    assert parser.layout.channels == ("a0", "a1")
    assert parser.layout.units == ("counts", "counts")
    assert parser.layout.rate_hz == 250.0
    assert parser.layout.time_unit_s == 1e-6
    assert rows.device is not None
    assert rows.device.tolist() == [1000.0, 5000.0]
    assert rows.values.tolist() == [[512.0, 498.0], [511.0, 497.0]]
    assert parser.bad_lines == 0


@pytest.mark.parametrize("separator", [",", "\t", ";", " ", " , ", "  "])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_every_separator_and_line_end(separator: str, end: str) -> None:
    parser, values = _fed(HEADER + (separator.join(["7", "1.5", "-2e1"]) + end).encode())
    assert values == [[1.5, -20.0]]
    assert parser.bad_lines == 0


@pytest.mark.parametrize(
    ("line", "columns", "unit", "value", "understood"),
    [
        (b"P=93.2 psi", "tool", None, 93.2, "psi"),
        (b"P=93.2psi", "tool", None, 93.2, "psi"),
        (b"Pressure: 6.43 bar", "tool", "bar", 6.43, "bar"),
        (b"93.2", "tool", "psi", 93.2, "psi"),
        (b"  -0.4 ", "tool", "kPa", -0.4, "kPa"),
        (b"t=12;p=640.1 kPa", "t_ms,tool", None, 640.1, "kPa"),
    ],
)
def test_plain_talkers(line: bytes, columns: str, unit: str | None, value: float, understood: str) -> None:
    parser, values = _fed(b"\n" + line + b"\n", layout=parse_columns(columns, unit))
    assert values == [[value]]
    assert parser.layout is not None
    assert parser.layout.units == (understood,)


def test_a_gauge_switched_to_another_unit_is_not_mixed_in() -> None:
    parser, values = _fed(b"\nP=93.2 psi\nP=6.43 bar\nP=93.1 psi\n", layout=parse_columns("tool"))
    assert values == [[93.2], [93.1]]
    assert parser.bad == {"unit bar, not psi": 1}


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"1000,512", "wrong number of values"),
        (b"1000,512,498,3", "wrong number of values"),
        (b"1000,5l2,498", "not numbers"),
        (b"1000,1_000,498", "not numbers"),
        (b"1000,0x12,498", "not numbers"),
        (b"1000,5L,498", "unit L, not counts"),
        (b"1000,inf,498", "not numbers"),
        (b"1000,12,49\xff8", "not numbers"),
        (b"1000,12-,498", "not numbers"),
        (b"1000,1,2;3", "wrong number of values"),
        (b"1000,1e999,2", "no value"),
        (b"1000,915268260000,72", "no sensor reads that"),
        (b"1000,,", "no value"),
        (b",12,498", "no time stamp"),
        (b"1000,512,498*00", "wrong checksum"),
        (b"1000,512,498*", "wrong checksum"),
        (b"1000,512,498*ZZ", "wrong checksum"),
    ],
)
def test_a_line_that_is_no_reading_is_counted(line: bytes, why: str) -> None:
    parser, values = _fed(HEADER + line + b"\n")
    assert values == []
    assert parser.bad == {why: 1}


def test_a_value_left_out_is_missing_not_zero() -> None:
    _, values = _fed(HEADER + b"1000,,498\n")
    assert math.isnan(values[0][0])
    assert values[0][1] == 498.0


def test_the_first_torn_line_is_thrown_away() -> None:
    parser, values = _fed(b"00,512,498" + HEADER + b"1000,1,2\n")
    assert values == [[1.0, 2.0]]
    parser.reopened()
    assert parser.feed(b"0,7,8\n2000,3,4\n").values.tolist() == [[3.0, 4.0]]


def test_a_description_is_understood_though_it_comes_first() -> None:
    parser, values = _fed(b"#farend columns=t_us,a0,a1 unit=counts\r\n1000,1,2\n")
    assert values == [[1.0, 2.0]]
    parser, values = _fed(b"arend columns=t_us,a0,a1 unit=counts\n1000,1,2\n")
    assert parser.layout is None
    split = LineParser()
    split.feed(b"#farend colu")
    assert split.feed(b"mns=t_us,tool unit=psi\n7,8\n").values.tolist() == [[8.0]]


def test_bytes_that_are_no_text_are_known_for_another_baud_rate() -> None:
    parser, _ = _fed(HEADER + b"1000,1,2\n" * 20)
    assert not parser.garbled
    parser.feed(bytes(range(120, 256)) * 8)
    assert parser.garbled
    assert parser.disturbed


def test_after_one_checksum_a_line_without_one_is_torn() -> None:
    good = with_checksum("1000,512,498").encode()
    parser, values = _fed(HEADER + good + b"\n2000,511,49\n")
    assert values == [[512.0, 498.0]]
    assert parser.bad == {"no checksum": 1}


def test_a_board_that_starts_again_with_other_columns_is_not_mixed_in() -> None:
    parser, values = _fed(HEADER + b"1000,1,2\n#farend columns=t_us,a0,a1,a2 unit=counts\n2000,1,2,3\n" + HEADER + b"3000,3,4\n")
    assert values == [[1.0, 2.0], [3.0, 4.0]]
    assert parser.bad_lines == 1


def test_a_line_without_end_costs_no_memory() -> None:
    parser, _ = _fed(HEADER)
    for _ in range(100):
        parser.feed(b"1" * LONGEST_LINE)
    assert parser.feed(b"\n1000,1,2\n").values.tolist() == [[1.0, 2.0]]
    assert parser.bad["line too long"] >= 1


@pytest.mark.parametrize(
    "description", [b"#farend columns=", b"#farend columns=a,a unit=psi", b"#farend columns=a unit=furlong", b"#farend"]
)
def test_a_description_that_makes_no_sense_describes_nothing(description: bytes) -> None:
    parser, _ = _fed(b"\n" + description + b"\n")
    assert parser.layout is None


@pytest.mark.parametrize(
    ("name", "expected"),
    [("tool_psi", ("tool", "psi")), ("a0", ("a0", "")), ("deck_tool_kPa", ("deck_tool", "kPa")), ("psi", ("pressure", "psi"))],
)
def test_units_in_names(name: str, expected: tuple[str, str]) -> None:
    assert split_unit(name) == expected


def test_columns_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="is no list of a line's values"):
        parse_columns("t_us")
    with pytest.raises(ValueError, match="names 2 units for 1 channels"):
        parse_columns("t_us,tool", "psi,bar")
    with pytest.raises(ValueError, match="not a unit that farend knows"):
        parse_columns("t_us,tool", "psy")


_values = st.lists(st.tuples(st.integers(0, 2**32 - 1), st.integers(-99999, 99999), st.floats(-1e6, 1e6)), min_size=1, max_size=40)


@given(rows=_values, cuts=st.lists(st.integers(0, 2000), max_size=10), checked=st.booleans())
def test_blocks_of_any_size_give_the_same_readings(rows: list[tuple[int, int, float]], cuts: list[int], checked: bool) -> None:
    lines = [f"{t},{a},{b!r}" for t, a, b in rows]
    data = HEADER + "".join(f"{with_checksum(ln) if checked else ln}\n" for ln in lines).encode()
    parser = LineParser()
    places = sorted({min(c, len(data)) for c in cuts} | {0, len(data)})
    got: list[list[float]] = []
    for a, b in itertools.pairwise(places):
        block = parser.feed(data[a:b])
        if len(block.values):
            assert block.device is not None
            got += np.column_stack([block.device, block.values]).tolist()
    assert got == [[float(t), float(a), b] for t, a, b in rows]
    assert parser.bad_lines == 0


@settings(max_examples=300)
@given(noise=st.binary(max_size=300), columns=st.sampled_from(["t_us,a,b", "tool", "t_ms,tool_psi", "-,x"]))
def test_noise_raises_nothing_and_is_all_accounted_for(noise: bytes, columns: str) -> None:
    parser = LineParser(layout=parse_columns(columns))
    rows = parser.feed(b"\n" + noise + b"\n")
    assert len(rows.values) + parser.bad_lines >= parser.lines
    assert not np.isinf(rows.values).any()


@given(value=st.integers(0, 1023), position=st.integers(0, 30), bit=st.integers(0, 7))
def test_one_damaged_bit_in_a_checked_line_is_always_found(value: int, position: int, bit: int) -> None:
    sent = bytearray(with_checksum(f"4294960000,{value},1").encode())
    sent[position % len(sent)] ^= 1 << bit
    parser = LineParser(layout=parse_columns("t_us,a,b", "counts", checksum="xor"))
    rows = parser.feed(b"\n" + bytes(sent) + b"\n")
    # A bit of the checksum's own letter case is none of the reading's.
    accepted = rows.values.tolist()
    assert accepted in ([], [[float(value), 1.0]])


CRC = b"\n#farend columns=t_us,a0,a1 unit=counts checksum=crc16\n"


@given(st.integers(0, 1023), st.integers(0, 10_000), st.integers(1, 10_000))
def test_two_flipped_bits_never_pass_the_long_checksum(value: int, first: int, apart: int) -> None:
    sent = bytearray(with_checksum(f"4294960000,{value},1", "crc16").encode())
    bits = 8 * len(sent)
    one, other = first % bits, (first + 1 + apart % (bits - 1)) % bits
    for at in {one, other}:
        sent[at // 8] ^= 1 << at % 8
    parser = LineParser()
    rows = parser.feed(CRC + bytes(sent) + b"\n")
    assert rows.values.size == 0 or rows.values.tolist() == [[value, 1.0]]  # only the case of a hexadecimal digit may change


def test_who_sends_the_long_checksum_never_sends_the_short_one() -> None:
    parser = LineParser()
    good = with_checksum("4000,512,498", "crc16")
    rows = parser.feed(CRC + f"{good}\n{with_checksum('8000,512,498')}\n{good.replace('4000', '8000')}\n".encode())
    assert rows.values.tolist() == [[512.0, 498.0]]
    assert dict(parser.bad) == {"wrong checksum": 2}


def test_a_checksum_that_nobody_knows_is_said() -> None:
    parser = LineParser()
    parser.feed(b"\n#farend columns=t_us,a0 unit=counts checksum=md5\n")
    assert parser.bad["description not understood"] == 1


def test_lines_may_end_with_a_carriage_return_only() -> None:
    parser = LineParser(layout=parse_columns("tool", "bar"))
    assert parser.feed(b"23\r6.42\r").values.size == 0  # it might be half of a line with a newline yet to come
    rows = [row for part in (b"6.43\r6.4", b"4\r6.45\r", b"\r6.46\r") for row in parser.feed(part).values.tolist()]
    assert rows == [[6.42], [6.43], [6.44], [6.45], [6.46]]
    assert parser.bad_lines == 0
    garbled = LineParser(layout=parse_columns("tool", "bar"))  # at another speed of the line at first
    assert garbled.feed(b"\x80\r\xf8\r\r\x00").values.size == 0
    assert garbled.feed(b"6.41\n6.42\n6.43\n").values.tolist() == [[6.42], [6.43]]


def test_words_that_are_passed_over_may_be_anything_but_another_unit() -> None:
    parser = LineParser(layout=parse_columns("_,tool,_"))
    rows = parser.feed(b"\n$PRS,93.2,psi\n$PRS,93.1,PSI\n$PRS,6.4,bar\n$PRS,93.0,V\n$PRS,93.x,psi\n$PRS,93.1\n")
    assert rows.values.tolist() == [[93.2], [93.1], [93.0]]
    assert parser.layout is not None
    assert parser.layout.units == ("psi",)
    assert dict(parser.bad) == {"unit bar, not psi": 1, "not numbers": 2}
